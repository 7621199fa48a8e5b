"""Freed memory goes back to the system, finished tables wait on disk: measured as the system counts it."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import memory

#: Arrays of 8 MB that are freed in another order than they were made, twice; prints what is left of them [MB].
PROGRAM = """
import sys
import numpy as np
from pipeline.memory import give_back, keep_little

def held():
    with open("/proc/self/statm") as told:
        return int(told.read().split()[1]) * 4096 / 1e6

if sys.argv[1] == "kept little":
    keep_little()
before = held()
for _ in range(2):
    made = [np.ones(1_000_000) for _ in range(20)]
    last = np.ones(1_000_000)
    del made
if sys.argv[1] == "given back":
    give_back()
print(held() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only glibc can be told")
@pytest.mark.parametrize("way", ["kept little", "given back"])
def test_freed_arrays_go_back_to_the_system(way: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, way], capture_output=True, text=True, check=True, timeout=60
    )
    # One array of 8 MB is still alive; all 21 are 168 MB.
    assert float(done.stdout) < 40


#: A table of 160 MB, put away; prints what is left of it in memory of the process's own [MB], and the sum of its rows.
PROGRAM_OF_TABLES = """
import sys
from pathlib import Path
import numpy as np
import polars as pl
from pipeline.memory import keep_little, put_away

def held():
    with open("/proc/self/status") as told:
        return int(next(line for line in told if line.startswith("RssAnon")).split()[1]) / 1e3

keep_little()
before = held()
frame = put_away(pl.DataFrame({"a": np.arange(20_000_000)}), Path(sys.argv[1]))
print(held() - before, frame["a"].sum())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="measured as Linux counts it")
def test_a_table_put_away_takes_no_memory_and_leaves_no_file(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM_OF_TABLES, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    held, total = done.stdout.split()
    assert float(held) < 40
    assert int(total) == 20_000_000 * 19_999_999 // 2
    assert not list(tmp_path.iterdir())


def test_a_table_put_away_is_the_same_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = pl.DataFrame(
        {
            "text": ["a", None, "longer than what fits into the view of a text", "ä"],
            "number": [1, None, 3, 4],
            "share": [0.1, float("nan"), None, 1.0],
            "flag": [True, None, False, True],
            "day": [date(2020, 1, 2), None, None, date(1999, 12, 31)],
            "draws": [[0.5, 1.0], None, [], [2.0]],
        },
        schema_overrides={"draws": pl.List(pl.Float32)},
    )
    monkeypatch.setattr(memory, "WORTH_A_FILE", 0)
    assert_frame_equal(memory.put_away(frame, tmp_path), frame)


def test_where_the_disk_refuses_a_table_stays_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(memory, "WORTH_A_FILE", 0)
    frame = pl.DataFrame({"a": [1]})
    assert memory.put_away(frame, tmp_path / "is not there") is frame

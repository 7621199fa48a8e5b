"""kill -9 in the middle of a publish: the old or the new generation is current, and whole."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.published import write
from pipeline.published.read import open_current

KILLS = 12

#: Publishes run after run, each with its number in three tables, until it is killed.
CHILD = """
import sys
from pathlib import Path
import polars as pl
from pipeline.published import contract, write
folder, first = Path(sys.argv[1]), int(sys.argv[2])
base = {name: write.empty(table) for name, table in contract.TABLES.items()}
print("ready", flush=True)
for number in range(first, first + 1000):
    frames = dict(base)
    filler = {column.name: pl.Series([None] * 20_000) for column in contract.LOTS.columns}
    filler["lot_id"] = pl.Series([f"{number}-{i:06d}" for i in range(20_000)])
    frames["lots"] = pl.DataFrame(filler)
    frames["run"] = pl.DataFrame({c.name: [str(number) if c.name == "run_id" else None] for c in contract.RUN.columns})
    write.publish(folder, frames, {"number": number})
"""


@pytest.mark.slow
def test_a_killed_publish_leaves_a_whole_generation(tmp_path: Path, frames) -> None:
    write.publish(tmp_path, frames("0"), {"number": 0})
    rng = np.random.default_rng(11)
    seen, unfinished, longest = [0], 0, 1.0
    for _ in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path), str(seen[-1] + 1)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(float(rng.uniform(0.05, longest)))
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        unfinished += any(tmp_path.glob("*.tmp"))
        with open_current(tmp_path) as reader:
            number = reader.manifest["number"]
            assert reader.run()["run_id"] == str(number)
            lots = reader.query(
                "SELECT count(*) AS n, count(DISTINCT split_part(lot_id, '-', 1)) AS runs FROM lots"
            )
            assert lots.row(0) == ((1 if number == 0 else 20_000), 1)
        assert number >= seen[-1]
        # On a slow or busy machine kills must come later, or none would find a finished publish.
        longest = longest if number > 0 else min(2 * longest, 16.0)
        seen.append(number)
    assert len(set(seen)) > 1, "no publish ever finished: the test is too quick to mean anything"
    assert unfinished > 0, "no publish was ever interrupted: the test means nothing"
    write.publish(tmp_path, frames("last"), {"number": -1})
    assert not list(tmp_path.glob("*.tmp"))

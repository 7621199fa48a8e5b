"""What DuckDB has freed goes back to the system: measured on a process, as the system counts it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse

#: A sort of ten million rows, whose working memory is free again at its end; prints what is held before and after [MB].
PROGRAM = """
import sys
from pathlib import Path
from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse

def held():
    with open("/proc/self/statm") as told:
        return int(told.read().split()[1]) * 4096 / 1e6

with open_warehouse(Workspace(Path(sys.argv[1]))) as warehouse:
    warehouse.frame("SELECT count(*) FROM (FROM range(10_000_000) ORDER BY hash(range) OFFSET 5)")
    before = held()
    warehouse.give_back()
    print(before, held())
"""
LIMIT = "SELECT value FROM duckdb_settings() WHERE name = 'memory_limit'"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="DuckDB keeps freed memory on Linux only")
def test_what_a_large_query_took_goes_back_to_the_system(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path)], capture_output=True, text=True, check=True, timeout=60
    )
    before, after = (float(number) for number in done.stdout.split())
    assert after < before - 100


def test_giving_back_leaves_the_limit_as_it_was(tmp_path: Path) -> None:
    with open_warehouse(Workspace(tmp_path)) as warehouse:
        limit = warehouse.frame(LIMIT)
        warehouse.give_back()
        assert warehouse.frame(LIMIT).equals(limit)

"""The inspector's way: one messy workbook of past jobs, in as it is, to a chance for a house."""

import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline.published.read import open_current
from synthetic_data.write import generate

CHECKOUT = Path(__file__).parents[2]


def underlot(workspace: Path, *words: str) -> str:
    done = subprocess.run(  # noqa: PLW1510 - the code is looked at below
        [sys.executable, "-m", "pipeline.cli", "--workspace", str(workspace), *words],
        cwd=CHECKOUT,
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, "COLUMNS": "120"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_a_workbook_becomes_curves_and_scores(tmp_path: Path) -> None:
    generate(tmp_path / "town", n_lots=6_000, seed=3)
    workspace = tmp_path / "work"
    underlot(workspace, "load", str(tmp_path / "town" / "jobs.xlsx"), "--yes")
    underlot(workspace, "build")
    with open_current(workspace / "published") as reader:
        lots = reader.table("lots").filter(pl.col("status") == "ok")
        assert reader.table("fitted_groups").filter(pl.col("status") == "ok").height > 0
    assert lots.height > 100
    house = lots["address"][0]
    assert house in underlot(workspace, "score", house)
    told = underlot(workspace, "score", house, "--format", "json", "--purpose", "a test of the whole way")
    assert json.loads(told)

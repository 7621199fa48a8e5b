"""Lives and looks made from an invented town's records, against the truth written beside them.

The town shares no code with what is tested here; its truth says what each camera called at each segment.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.column_map import ColumnMap
from pipeline.settings import Settings, Workspace
from pipeline.steps.expose import expose
from pipeline.steps.load import load
from pipeline.warehouse import open_warehouse
from synthetic_data.write import generate

TABLES = ("lots", "segments", "works", "inspections", "findings")
SEGMENT = ["lot_id", "sequence"]


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Exposure tables and truth of a small town."""
    folder = tmp_path_factory.mktemp("town")
    generate(folder / "records", n_lots=2000, seed=11)
    workspace = Workspace(folder / "work")
    for table in TABLES:
        path = folder / "records" / f"{table}.csv"
        headers = path.read_text(encoding="utf-8").split("\n", 1)[0].split(",")
        toml = "".join(f'[columns.{header}]\nfrom = "{header}"\n' for header in headers)
        report = load(
            workspace, path, ColumnMap.from_toml(f'layout = "{table}"\n{toml}'), today=date(2026, 6, 30)
        )
        assert report.n_accepted == report.n_read, report
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, Settings())
        tables = {
            name: warehouse.frame(f"FROM exposure.{name}")
            for name in ("lives", "looks", "line_looks", "intervals")
        }
    truth = {
        f"true_{name}": pl.read_parquet(Path(folder) / f"records/truth/{name}.parquet")
        for name in ("lives", "looks")
    }
    return {**tables, **truth}


def test_grains(town):
    for name, key in (
        ("lives", ["life_id"]),
        ("lives", [*SEGMENT, "life_number"]),
        ("looks", ["inspection_id", "life_id"]),
        ("line_looks", ["inspection_id"]),
        ("intervals", ["life_id", "outcome"]),
    ):
        assert town[name].select(key).is_duplicated().sum() == 0, (name, key)
    intervals = town["intervals"]
    assert (intervals["left_years"] < intervals["right_years"]).all()
    lives = town["lives"]
    assert (lives["install_year_min"] <= lives["install_year_max"]).all()


def test_judged_looks_say_what_the_camera_called(town):
    """A look may be NULL where the truth has one, but never say anything else."""
    looks = (
        town["looks"].filter(basis="findings").join(town["lives"].select("life_id", "sequence"), on="life_id")
    )
    both = looks.with_columns(pl.col("sequence").cast(pl.Int64)).join(
        town["true_looks"], on=["inspection_id", "sequence"]
    )
    assert both.height > 0.95 * looks.filter(pl.col("any_outcome").is_not_null()).height
    for outcome in ("structural", "roots_joints", "grade"):
        judged = both.filter(pl.col(outcome).is_not_null())
        assert judged.height > 500
        assert (judged[outcome] == judged[f"{outcome}_called"].cast(pl.Int16)).all(), outcome


def test_newest_lives_are_the_pipes_in_the_ground(town):
    newest = pl.col("life_number") == pl.col("life_number").max().over(SEGMENT)
    made = town["lives"].with_columns(pl.col("sequence").cast(pl.Int64)).filter(newest)
    both = made.join(town["true_lives"].filter(newest), on=SEGMENT, suffix="_true")
    assert both.height == made.height
    known = both.filter(pl.col("material") != "unknown")
    assert (known["material"] == known["material_true"]).mean() > 0.995
    assert known.height > 0.8 * both.height
    # years on record are rounded to five in part
    recorded = both.filter(pl.col("install_source").is_in(["recorded", "works"]))
    middle = (recorded["install_year_min"] + recorded["install_year_max"]) / 2
    assert ((middle - recorded["laid_year"]).abs() < 6).mean() > 0.97


def test_works_and_young_pipes_give_ended_lives(town):
    true_ended = town["true_lives"].filter(pl.col("ended_year").is_not_null()).select(SEGMENT).unique()
    made = town["lives"].with_columns(pl.col("sequence").cast(pl.Int64))
    made_ended = made.filter(pl.col("ended_year").is_not_null()).select(SEGMENT).unique()
    both = made_ended.join(true_ended, on=SEGMENT)
    # nearly all that is said to have ended has, and most of what has ended is known
    assert both.height > 0.9 * made_ended.height
    assert both.height > 0.8 * true_ended.height

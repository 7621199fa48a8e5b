"""Filters through the sets of pipes and looks find the same lots as going through every segment and look."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dashboards.filters import View
from dashboards.lots_asked import where_lots
from pipeline.published import contract, write
from pipeline.published.lot_sets import with_sets
from pipeline.published.read import open_current

MATERIALS, ERAS, PURPOSES = (
    ("pvc", "cast_iron", "abs"),
    ("before_1940", "1980_on", None),
    ("sale", "complaint", None),
)


@pytest.fixture(scope="module")
def frames() -> dict[str, pl.DataFrame]:
    """Lots with up to three segments and up to three looks of everything, some without any."""
    rng = np.random.default_rng(11)
    n = 400
    made = {name: write.empty(table) for name, table in contract.TABLES.items()}
    lots = pl.DataFrame(
        {"lot_id": [f"{i:04d}" for i in range(n)], "failure_probability": rng.integers(0, 9, n) / 10.0}
    )
    unknown = pl.when(pl.col("failure_probability") < 0.85).then("failure_probability")
    made["lots"] = _complete("lots", lots.with_columns(failure_probability=unknown))
    of_segments, of_looks = rng.integers(0, n, 600), rng.integers(0, n, 500)
    made["lot_segments"] = _complete(
        "lot_segments",
        pl.DataFrame(
            {
                "lot_id": [f"{i:04d}" for i in of_segments],
                "sequence": range(of_segments.size),
                "material": [MATERIALS[i] for i in rng.integers(0, 3, of_segments.size)],
                "era": [ERAS[i] for i in rng.integers(0, 3, of_segments.size)],
            }
        ),
    )
    made["lot_inspections"] = _complete(
        "lot_inspections",
        pl.DataFrame(
            {
                "lot_id": [f"{i:04d}" for i in of_looks],
                "inspection_id": [f"i{i}" for i in range(of_looks.size)],
                "purpose": [PURPOSES[i] for i in rng.integers(0, 3, of_looks.size)],
                "look_year": rng.uniform(2000, 2012, of_looks.size),
            }
        ),
    )
    return made


def _complete(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    return pl.concat([write.empty(contract.TABLES[name]), frame], how="diagonal_relaxed")


VIEWS = (
    View(),
    View(material=("pvc",)),
    View(material=("pvc", "abs"), era=("1980_on",)),
    View(purpose=("sale",)),
    View(first_year=2004, last_year=2004),
    View(purpose=("complaint",), last_year=2003),
    View(material=("cast_iron",), era=("before_1940",), purpose=("sale",), first_year=2009),
)


def _plainly(frames: dict[str, pl.DataFrame], view: View) -> set[str]:
    """Lots of a view, found by going through all segments and looks."""
    found = set(frames["lots"]["lot_id"])
    if view.material or view.era:
        found &= {
            r["lot_id"]
            for r in frames["lot_segments"].iter_rows(named=True)
            if (not view.material or r["material"] in view.material)
            and (not view.era or r["era"] in view.era)
        }
    if view.asks_for_looks:
        found &= {
            r["lot_id"]
            for r in frames["lot_inspections"].iter_rows(named=True)
            if (not view.purpose or r["purpose"] in view.purpose)
            and (view.first_year or 0) <= r["look_year"] < (view.last_year or 9999) + 1
        }
    return found


def test_filters_find_the_lots_that_have_such_a_segment_and_such_a_look(tmp_path, frames) -> None:
    write.publish(tmp_path, frames, {})
    with open_current(tmp_path) as reader:
        for view in VIEWS:
            condition, values = where_lots(view)
            found = reader.query(f"SELECT lot_id FROM lots WHERE {condition}", values)
            wanted = _plainly(frames, view)
            assert len(wanted) > 0
            assert set(found["lot_id"]) == wanted, view


def test_lots_share_the_number_of_their_set_and_are_in_order_of_chance(frames) -> None:
    made = with_sets(frames)
    members = made["pipe_sets"].group_by("pipe_set").agg(pl.struct("material", "era").alias("pipes"))
    sets = [frozenset(tuple(p.values()) for p in pipes) for pipes in members["pipes"]]
    assert len(set(sets)) == len(sets), "no two sets alike"
    has_pipes = set(frames["lot_segments"]["lot_id"])
    lots = made["lots"].sort("chance_order")
    assert lots["chance_order"].to_list() == list(range(1, lots.height + 1))
    assert set(lots.drop_nulls("pipe_set")["lot_id"]) == has_pipes
    order = [
        (-c if c is not None else 1.0, lot)
        for lot, c in lots.select("lot_id", "failure_probability").iter_rows()
    ]
    assert order == sorted(order)

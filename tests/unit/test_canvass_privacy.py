"""The list for callers: what it counts, and that no household's own result can be got out of it."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.settings import Settings
from pipeline.steps.canvass import LEAST_UNSEEN, canvass_areas
from pipeline.steps.fit_scores import Scores

LEAST_SEEN = Settings().min_area_inspections


def town(blocks, rng):
    """Lots of blocks given as (subdivision, seen, unseen), and chances by draw."""
    rows = [
        {"lot_id": f"{b}-{i}", "block": f"B{b}", "subdivision": subdivision, "n_inspections": int(i < seen)}
        for b, (subdivision, seen, unseen) in enumerate(blocks)
        for i in range(seen + unseen)
    ]
    lots = pl.DataFrame(
        rows,
        schema={"lot_id": pl.String, "block": pl.String, "subdivision": pl.String, "n_inspections": pl.Int64},
    ).with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in ("x_ft", "y_ft", "lon", "lat"))
    return lots, scored(lots, rng.random((20, lots.height)))


def scored(lots, now):
    nothing = pl.DataFrame()
    columns = lots.select("lot_id").with_columns(column=pl.int_range(pl.len()).cast(pl.Int64))
    return Scores(lots=columns, now=now, later=now, lives=nothing, repaired=nothing)


def test_worked_by_hand():
    # One block, 10 seen and 5 unseen lines, one of the unseen must not be contacted... then 4 are too few.
    lots, scores = town([("S", 10, 6)], np.random.default_rng(1))
    now = np.zeros((2, 16))
    now[:, 10:] = [[0.1] * 6, [0.3] * 6]
    now[:, :10] = 0.99
    areas, doors = canvass_areas(lots, scored(lots, now), frozenset({"0-15"}), Settings())
    # Five unseen doors at 0.2 on average: 1.0 in 15 doors; the seen lines' 0.99 are in nothing.
    row = areas.row(0, named=True)
    assert row["status"] == "ok"
    assert row["expected_unseen"] == pytest.approx(1.0)
    assert (row["expected_unseen_lower"], row["expected_unseen_upper"]) == pytest.approx((0.55, 1.45))
    assert row["per_door"] == pytest.approx(1.0 / 15)
    assert (row["n_lots"], row["n_doors"], row["n_seen_about"]) == (16, 15, 10)
    assert doors["lot_id"].to_list() == sorted(set(lots["lot_id"]) - {"0-15"})
    fewer, none = canvass_areas(lots, scores, frozenset({"0-15", "0-14"}), Settings())
    assert fewer["status"].to_list() == ["too_few_records"]
    assert none.is_empty()


blocks = st.lists(
    st.tuples(st.sampled_from("ST"), st.integers(0, 14), st.integers(0, 9)), min_size=1, max_size=6
)


@settings(max_examples=60, deadline=None)
@given(blocks, st.integers(0, 2**32 - 1))
def test_results_of_seen_lines_change_nothing_that_is_published(table, seed):
    rng = np.random.default_rng(seed)
    lots, scores = town(table, rng)
    if lots.is_empty():
        return
    turned = scores.now.copy()
    seen = (lots["n_inspections"] > 0).to_numpy()
    turned[:, seen] = 1 - turned[:, seen]
    before = canvass_areas(lots, scores, frozenset(), Settings())
    after = canvass_areas(lots, scored(lots, turned), frozenset(), Settings())
    for one, other in zip(before, after, strict=True):
        assert one.equals(other)


@settings(max_examples=60, deadline=None)
@given(blocks, st.integers(0, 2**32 - 1))
def test_no_sum_or_difference_of_areas_is_about_fewer_lines_than_the_least(table, seed):
    lots, scores = town(table, np.random.default_rng(seed))
    if lots.is_empty():
        return
    areas, doors = canvass_areas(lots, scores, frozenset(), Settings())
    told = areas.filter(pl.col("status") == "ok")
    # Each lot in one area at most: any combination of published numbers is again over whole areas.
    assert doors["lot_id"].is_unique().all()
    unseen = lots.filter(pl.col("n_inspections") == 0).join(doors, on="lot_id")
    seen = lots.filter(pl.col("n_inspections") > 0).join(doors, on="lot_id")
    counts = {
        number: (
            seen.filter(pl.col("area_id") == number).height,
            unseen.filter(pl.col("area_id") == number).height,
        )
        for number in told["area_id"]
    }
    for n_seen, n_unseen in counts.values():
        assert n_seen >= LEAST_SEEN
        assert n_unseen >= LEAST_UNSEEN
    for one, other in itertools.combinations(counts, 2):
        parts = [set(doors.filter(pl.col("area_id") == number)["lot_id"]) for number in (one, other)]
        assert not parts[0] & parts[1]
    held_back = areas.filter(pl.col("status") != "ok")
    for name in ("n_doors", "n_seen_about", "expected_unseen", "per_door", "rank"):
        assert held_back[name].null_count() == held_back.height
    assert set(doors["area_id"]) <= set(told["area_id"])


def test_being_listed_does_not_tell_whether_a_camera_was_there():
    lots, scores = town([("S", 12, 8)], np.random.default_rng(2))
    _, doors = canvass_areas(lots, scores, frozenset(), Settings())
    assert doors.height == lots.height


def test_without_a_fit_nothing_is_told():
    lots, _ = town([("S", 12, 8)], np.random.default_rng(2))
    areas, doors = canvass_areas(lots, None, frozenset(), Settings())
    assert areas["status"].to_list() == ["not_fitted"]
    assert areas["expected_unseen"].null_count() == 1
    assert doors.is_empty()

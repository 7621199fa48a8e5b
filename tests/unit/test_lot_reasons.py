"""Reasons behind a lot's chance: the greatest mover first, its numbers before and after, counts of the block."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.steps.build_reasons import NEAR_LINES, distance_to_seen, others_on_block, reasons

KNOWN = {
    "lot_id": "A",
    "failure_probability": 0.93,
    "failure_probability_without_own": 0.46,
    "failure_probability_elsewhere": 0.46,
    "deciding_words": "concrete laid 1950 to 1956",
    "like_words": "concrete laid 1940 to 1957",
    "n_like": 40,
    "n_like_bad": 22,
    "n_segments": 1,
    "n_judged": 1,
    "last_date": date(2019, 5, 2),
    "last_is_bad": True,
    "last_is_selected": False,
    "last_rule": "roots at 31 ft",
    "last_year": 2019.3,
    "deciding_from": 1950.0,
    "last_reached": True,
    "n_similar": None,
    "similar_from": None,
    "similar_to": None,
    "n_block": 9,
    "n_block_bad": 4,
    "block_expected": 2.94,
    "repaired_year": None,
    "n_like_pipe": None,
    "has_imputed": False,
    "sentence": "No estimate: why.",
}
NUMBERS = {name: pl.Int64 for name in ("n_similar", "similar_from", "similar_to", "n_like_pipe")}
OTHER = {
    **KNOWN,
    "lot_id": "Z",
    "failure_probability": 0.14,
    "failure_probability_without_own": 0.14,
    "failure_probability_elsewhere": 0.14,
    "n_judged": 0,
}


def told(*lots):
    frame = pl.DataFrame(
        [{**KNOWN, **lot} for lot in lots], schema_overrides={**NUMBERS, "repaired_year": pl.Float64}
    )
    found = reasons(frame)
    assert (found["position"] == found.select(pl.int_range(1, pl.len() + 1).over("lot_id")).to_series()).all()
    return {
        lot: list(zip(rows["kind"], rows["reason"], strict=True))
        for (lot,), rows in found.group_by("lot_id", maintain_order=True)
    }


def test_the_reasons_of_a_lot_by_hand():
    # The average of 0.46 and 0.14 is 0.30. Log odds: own looks +2.75, pipe +0.69: the looks come first.
    found = told({}, OTHER)["A"]
    assert found == [
        (
            "own_look",
            "The newest look, on 2019-05-02, showed a repair-grade finding (roots at 31 ft); all looks at this line take the "
            "chance from 46 % to 93 %.",
        ),
        (
            "pipe",
            "Concrete laid 1950 to 1956: lines like this one have a chance of 46 % in an average place, the average line on record 30 %.",
        ),
        (
            "block",
            "4 of 9 other lines on this block had failed when a camera came; their material and age lead one to expect 2.9.",
        ),
    ]


def test_the_greatest_mover_comes_first():
    moved_by_pipe = {
        "failure_probability": 0.97,
        "failure_probability_without_own": 0.96,
        "failure_probability_elsewhere": 0.96,
    }
    # Average of 0.96 and 0.14 is 0.55: the pipe moves log odds by 3.0, the looks by 0.3.
    assert [kind for kind, _ in told(moved_by_pipe, OTHER)["A"]] == ["pipe", "own_look", "block"]


def test_a_place_where_lines_fail_sooner_is_a_reason():
    # Pipe 0.20 in an average place, 0.46 here: log odds +1.23; average of 0.20 and 0.14 is 0.17: +0.20.
    found = told({"failure_probability_elsewhere": 0.20, "n_judged": 0, "failure_probability": 0.46}, OTHER)[
        "A"
    ]
    assert [kind for kind, _ in found] == ["place", "pipe", "block"]
    assert found[0][1] == (
        "Lines in this area fail sooner than their pipe explains: it takes the chance from 20 % to 46 %."
    )


def test_a_look_at_an_earlier_pipe_says_so():
    (kind, reason), *_ = told({"deciding_from": 2021.0}, OTHER)["A"]
    assert kind == "own_look"
    assert reason.startswith(
        "The newest look, on 2019-05-02, at the pipe that was there before, showed a repair"
    )


def test_a_line_nobody_has_seen_has_no_look_among_its_reasons():
    found = told({}, OTHER)["Z"]
    assert [kind for kind, _ in found] == ["pipe", "block", "like"]
    assert found[2][1] == "Of 40 looks at concrete laid 1940 to 1957, 22 showed a repair-grade finding."


def test_similar_houses_stand_in_and_limits_come_last():
    found = told(
        {
            **OTHER,
            "n_similar": 31,
            "similar_from": 1950,
            "similar_to": 1956,
            "has_imputed": True,
            "n_block": 2,
        }
    )["Z"]
    assert found[0][1].startswith("No camera record of this line; the estimate is that of 31 seen lines")
    assert "block" not in {kind for kind, _ in found}
    assert found[-1][0] == "limits"


def test_without_an_estimate_the_reason_is_why():
    nothing = {
        **OTHER,
        "failure_probability": None,
        "failure_probability_without_own": None,
        "failure_probability_elsewhere": None,
        "n_segments": 0,
    }
    assert told({}, nothing)["Z"] == [("no_estimate", "No estimate: why.")]


def test_the_block_counts_the_others_only():
    lots = pl.DataFrame({"lot_id": ["a", "b", "c", "d"], "block": ["B", "B", "B", None]})
    newest = pl.DataFrame(
        {"lot_id": ["a", "b", "d"], "is_bad": [True, False, True], "expected": [0.5, 0.2, 0.9]}
    )
    found = others_on_block(lots, newest).rows_by_key("lot_id", unique=True)
    assert found["a"] == (1, 0, pytest.approx(0.2))
    assert found["b"] == (1, 1, pytest.approx(0.5))
    assert found["c"] == (2, 1, pytest.approx(0.7))
    assert "d" not in found


def test_how_near_the_seen_lines_are():
    # A row of lots 100 ft apart, all seen: from the end the tenth other is 1,000 ft away, from the middle 500 ft.
    n = 21
    lots = pl.DataFrame({"x_ft": np.arange(n) * 100.0, "y_ft": np.zeros(n), "n_judged": [1] * n})
    found = distance_to_seen(lots)
    assert NEAR_LINES == 10
    assert (found[0], found[10]) == (1000.0, 500.0)
    # An unseen lot does not find itself; one without a place has no distance.
    more = pl.concat([lots, pl.DataFrame({"x_ft": [50.0, None], "y_ft": [0.0, None], "n_judged": [0, 0]})])
    assert distance_to_seen(more)[n] == 850.0
    assert distance_to_seen(more)[n + 1] is None
    assert distance_to_seen(lots.head(10)).null_count() == 10

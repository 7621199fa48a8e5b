"""Chances in words: never a false nought or certainty, and the same from a single number and from a column."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dashboards import wording
from pipeline.percent import chance_words, estimate_words, estimates_in_words
from pipeline.vocabulary import Material


@pytest.mark.parametrize(
    ("estimate", "words"),
    [
        ((0.25, 0.123, 0.456), "25 % (range 12 to 46 %)"),
        ((1.0, 0.9996, 1.0), "over 99 %"),
        ((0.999, 0.9, 1.0), "over 99 % (range 90 to over 99 %)"),
        ((0.0, 0.0, 0.001), "under 1 %"),
        ((0.003, 0.0, 0.02), "under 1 % (range under 1 to 2 %)"),
        ((None, None, None), "–"),
    ],
)
def test_an_estimate_with_its_range(estimate, words) -> None:
    assert estimate_words(*estimate) == words


def test_no_chance_is_worded_as_nought_or_certain() -> None:
    for chance in np.linspace(0, 1, 2001):
        assert chance_words(float(chance)) not in {"0 %", "100 %"}


def test_a_column_is_worded_like_its_single_numbers() -> None:
    rng = np.random.default_rng(1)
    low, mid, high = np.sort(rng.beta(0.2, 0.2, (3, 500)), axis=0)
    frame = pl.DataFrame({"p": mid, "p_lower": low, "p_upper": high})
    frame = pl.concat(
        [frame, pl.DataFrame({"p": [None], "p_lower": [None], "p_upper": [None]}, schema=frame.schema)]
    )
    by_row = [None if row[0] is None else estimate_words(*row) for row in frame.iter_rows()]
    assert frame.select(estimates_in_words("p")).to_series().to_list() == by_row


def test_a_range_that_says_one_thing_says_so() -> None:
    assert wording.estimate_range(0.9, 0.12, 0.46) == "90 % range 12 to 46 %"
    assert wording.estimate_range(0.9, 0.9991, 1.0) == "90 % range wholly over 99 %"


def test_at_least_k_is_looked_up_between_published_numbers() -> None:
    around = pl.DataFrame({"k": [200, 210], "probability_at_least": [0.40, 0.25]})
    assert wording.at_least(205, around) == "25 to 40 %"
    assert wording.at_least(200, around.head(1)) == "40 %"
    assert wording.at_least(7, around.clear()) == "–"


def test_materials_have_their_trade_names() -> None:
    assert [Material(code).label for code in ("pvc", "abs", "vitrified_clay")] == [
        "PVC",
        "ABS",
        "vitrified clay",
    ]
    assert all(wording.material(member.value) == member.label for member in Material)

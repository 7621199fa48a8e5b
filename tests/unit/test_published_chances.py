"""How draws become published chances: hand-worked cases, and scipy's binomial for counts of a subdivision."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.steps import fit_areas
from pipeline.steps.build_lots import _lines_in_words
from pipeline.steps.fit_scores import Scores, lot_chances

NOW, WITHIN, BY = (
    "failure_probability",
    "failure_within_horizon_probability",
    "failure_by_horizon_probability",
)


def chances(now, later) -> pl.DataFrame:
    """Published chances of lots whose draws are the columns given."""
    drawn = [np.atleast_2d(np.array(values, dtype=np.float32).T).T for values in (now, later)]
    lots = pl.DataFrame({"lot_id": [str(i) for i in range(drawn[0].shape[1])]}).with_row_index("column")
    nothing = pl.DataFrame()
    return lot_chances(Scores(lots.with_columns(pl.col("column").cast(pl.Int64)), *drawn, nothing, nothing))


def test_the_chance_if_none_now_weighs_each_draw_by_its_chance_of_none_now() -> None:
    """P(arises) = (0.4 + 0.04) / 2 = 0.22; P(none now) = (0.8 + 0.2) / 2 = 0.5; 0.22 / 0.5 = 0.44.

    The plain mean of the draws' own ratios, 0.5 and 0.2, would be 0.35.
    """
    row = chances([0.2, 0.8], [0.6, 0.84]).row(0, named=True)
    assert row[WITHIN] == pytest.approx(0.44, abs=1e-6)
    assert row[BY] == pytest.approx(row[NOW] + (1 - row[NOW]) * row[WITHIN], abs=1e-6)
    assert (row[f"{WITHIN}_lower"], row[f"{WITHIN}_upper"]) == pytest.approx((0.2, 0.5), abs=1e-6)


def test_where_one_is_almost_surely_there_nothing_is_said_of_none() -> None:
    found = chances([[0.98, 0.991], [0.98, 0.995]], [[0.99, 1.0], [0.99, 1.0]])
    assert found[WITHIN].is_null().to_list() == [False, True]
    assert found[f"{WITHIN}_lower"].is_null().to_list() == [False, True]
    assert found[NOW].is_null().sum() == found[BY].is_null().sum() == 0


def test_every_chance_lies_in_its_range_however_skewed_the_draws() -> None:
    """199 draws of nought and one of 1: mean 0.005, all central quantiles 0."""
    rare = np.zeros(200)
    rare[7] = 1.0
    now = np.column_stack([rare, 1 - rare, np.random.default_rng(2).beta(0.02, 1.0, 200)])
    found = chances(now, np.clip(now + 0.5 * (1 - now) * rare[::-1, None], 0, 1))
    for name in (NOW, WITHIN, BY):
        within = found[name].is_between(found[f"{name}_lower"], found[f"{name}_upper"])
        assert within.fill_null(True).all(), found
    assert found[NOW][0] == pytest.approx(0.005)


def test_every_number_of_a_usual_subdivision_is_told() -> None:
    tail = fit_areas._tail("A", stats.binom.pmf(np.arange(41), 40, 0.3))
    assert tail["k"].to_list() == list(range(1, 41))
    np.testing.assert_allclose(
        tail["probability_at_least"], stats.binom.sf(tail["k"] - 1, 40, 0.3), atol=1e-12
    )


@pytest.mark.parametrize(
    ("n", "p"), [(5_000, 0.3), (5_000, 0.9999), (5_000, 0.0001), (201, 0.5), (30_000, 0.5)]
)
def test_numbers_between_those_told_have_chances_between_theirs(n: int, p: float) -> None:
    tail = fit_areas._tail("A", stats.binom.pmf(np.arange(n + 1), n, p))
    k, told = tail["k"].to_numpy(), tail["probability_at_least"].to_numpy()
    assert len(k) <= fit_areas.MOST_TOLD + 2
    assert (k[0], k[-1]) == (1, n)
    every = np.arange(1, n + 1)
    place = np.searchsorted(k, every)
    true = stats.binom.sf(every - 1, n, p)
    assert (told[place] <= true + 1e-9).all()
    assert (told[np.maximum(place - 1, 0)] >= true - 1e-9)[place > 0].all()
    # and a gap between numbers told hides little
    assert np.abs(np.diff(told))[np.diff(k) > 1].max(initial=0) < 0.03


def test_a_line_is_described_in_trade_names() -> None:
    segments = pl.DataFrame(
        {
            "lot_id": ["1", "1", "1"],
            "sequence": [1, 2, 3],
            "material": ["pvc", "abs", "unknown"],
            "diameter_in": [4.0, None, 6.0],
            "install_year_min": [1990.0, 1975.0, 1950.0],
            "install_year_max": [1991.0, 1980.0, 1951.0],
            "is_imputed": [False, True, True],
        }
    )
    words = _lines_in_words(segments)["line_summary"][0]
    assert words == "4 in PVC (1990) > ABS (1975 to 1980) > 6 in material not recorded (1950)"

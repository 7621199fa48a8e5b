"""What is published of a nonparametric curve: its band by how often lives were looked at, its smoothed line."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.npmle import NPMLE
from pipeline.settings import Settings
from pipeline.steps.fit_curves import curves

INSTALLED, NOW = 1950.0, 2050.0


def town(n: int, *, again: float) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Lives of one material laid in one year, their looks and intervals; a share of the sound seen twice."""
    rng = np.random.default_rng(1)
    lifetime = 50 * rng.weibull(3.0, n)
    first = np.ceil(rng.uniform(0, 90, n))
    second = np.where((rng.random(n) < again) & (lifetime > first), first + 8, np.nan)
    life = np.arange(n)
    looks = pl.DataFrame(
        {
            "life_id": np.r_[life, life[~np.isnan(second)]],
            "age": np.r_[first, second[~np.isnan(second)]],
            "is_bad": np.r_[lifetime <= first, (lifetime <= second)[~np.isnan(second)]],
        }
    )
    last_good = (
        looks.filter(~pl.col("is_bad")).group_by("life_id").agg(good_year=pl.col("age").max() + INSTALLED)
    )
    first_bad = looks.filter("is_bad").group_by("life_id").agg(bad_year=pl.col("age").min() + INSTALLED)
    intervals = (
        pl.DataFrame({"life_id": life, "outcome": "any"})
        .join(last_good, on="life_id", how="left")
        .join(first_bad, on="life_id", how="left")
    )
    lives = pl.DataFrame(
        {
            "life_id": life, "material": "pvc", "now": NOW, "age_now": NOW - INSTALLED,
            "install_from": INSTALLED, "install_to": INSTALLED,
        }
    )  # fmt: skip
    return lives, looks, intervals


@pytest.mark.parametrize("again", [0.0, 0.5])
def test_band_follows_from_how_often_lives_were_looked_at(again: float) -> None:
    groups, rows = curves(*town(400, again=again), "any", Settings())
    group = groups.row(0, named=True)
    assert group["status"] == "ok"
    assert group["n_band_looks"] == group["n_looks"]
    assert ("all looks at each life" in group["band_method"]) is (again > 0)
    known = rows.filter("is_determined")
    inside = known["failure_probability"].is_between(
        known["failure_probability_lower"] - 1e-6, known["failure_probability_upper"] + 1e-6
    )
    assert inside.all()
    assert 0.1 < (known["failure_probability_upper"] - known["failure_probability_lower"]).mean() < 0.5


def test_curve_is_that_of_all_looks_and_the_smoothed_line_is_drawn_only_where_it_is() -> None:
    lives, looks, intervals = town(400, again=0.5)
    groups, rows = curves(lives, looks, intervals, "any", Settings())
    left = (intervals["good_year"] - INSTALLED).fill_null(0.0).to_numpy()
    right = (intervals["bad_year"] - INSTALLED).fill_null(np.inf).to_numpy()
    lower, upper = NPMLE().fit(left, right).cdf(rows["age_years"].to_numpy())
    np.testing.assert_allclose(rows["undetermined_from"], lower, atol=1e-9)
    np.testing.assert_allclose(rows["undetermined_to"], upper, atol=1e-9)
    smooth = rows["smoothed_probability"].fill_nan(None)
    assert smooth.is_null().to_list() == (~rows["is_determined"]).to_list()
    assert (smooth.drop_nulls().diff().drop_nulls() >= -1e-12).all()
    truth = 1 - np.exp(-((rows["age_years"] / 50) ** 3).to_numpy())
    assert np.nanmax(np.abs(smooth.to_numpy() - truth)) < 0.15
    assert groups["smoothing_years"][0] > 5


def test_the_same_records_and_seed_give_the_same_band() -> None:
    records = town(150, again=0.5)
    first, second = (curves(*records, "any", Settings())[1] for _ in range(2))
    assert first.equals(second, null_equal=True)


def test_few_lives_give_no_curve_and_no_smoothing() -> None:
    groups, rows = curves(*town(10, again=0.0), "any", Settings())
    assert groups["status"].to_list() == ["too_few_records"]
    assert groups["smoothing_years"].to_list() == [None]
    assert rows.is_empty()

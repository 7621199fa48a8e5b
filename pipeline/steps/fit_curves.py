"""Nonparametric curves: what the looks say of each material without any assumed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.bands import Band, likelihood_ratio_band
from models.interval_bands import interval_band
from models.npmle import NPMLE
from models.smoothed import smooth_curve
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_candidates import UNKNOWN
from pipeline.steps.fit_regression import CURVE_LEVEL

FloatArray = NDArray[np.float64]

#: A curve in age means little for a pipe that may be ten years older or younger.
WIDEST_INSTALL_RANGE_YEARS = 5.0
BAND_METHOD = f"{CURVE_LEVEL:.0%} pointwise, by inverting the likelihood ratio, ages in whole years"
BAND_METHOD_SEVERAL = (
    f"{CURVE_LEVEL:.0%} pointwise, by inverting the likelihood ratio of all looks at each life, with its critical "
    "value from simulated records, ages in whole years"
)
#: Keeps the simulated records of the bands apart from what else the build draws.
STREAM = 3


def whole_year_intervals(lives: pl.DataFrame, intervals: pl.DataFrame) -> pl.DataFrame:
    """Turn the intervals of one outcome into whole-year ages of the lives whose install year is known well.

    Parameters
    ----------
    lives : DataFrame
        `life_id, material, now, age_now, install_from, install_to`, from `read_exposure`, which may know the
        install year better than the exposure tables do.
    intervals : DataFrame
        Rows of exposure.intervals of one outcome.

    Returns
    -------
    DataFrame
        `life_id, material, left, right` [whole years, (left, right]]; right is infinite for a life never seen
        failed.
    """
    width = pl.col("install_to") - pl.col("install_from")
    known = lives.filter(width <= WIDEST_INSTALL_RANGE_YEARS)
    middle = pl.col("now") - pl.col("age_now")
    left, right = (
        (pl.col(year) - middle).clip(0).round(0).fill_null(absent)
        for year, absent in (("good_year", 0.0), ("bad_year", float("inf")))
    )
    return (
        known.join(intervals.select("life_id", "good_year", "bad_year"), on="life_id")
        .select("life_id", "material", left=left, right=right)
        .sort("life_id")
    )


def curves(
    lives: pl.DataFrame, looks: pl.DataFrame, intervals: pl.DataFrame, outcome: str, settings: Settings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make the published `curve_groups` and `curves` of one outcome.

    Parameters
    ----------
    lives : DataFrame
        All lives.
    looks : DataFrame
        Unselected looks of this outcome, from `outcome_looks`.
    intervals : DataFrame
        exposure.intervals.
    outcome : str
        Outcome code.
    settings : Settings
        Least numbers of lives and of events.

    Returns
    -------
    tuple of DataFrame
    """
    groups, lines = [empty(contract.CURVE_GROUPS)], [empty(contract.CURVES)]
    aged = whole_year_intervals(lives, intervals.filter(pl.col("outcome") == outcome))
    for material in aged["material"].unique().sort().to_list():
        own = aged.filter(pl.col("material") == material)
        seen = looks.join(own.select("life_id"), on="life_id", how="semi")
        group, curve = _one_curve(outcome, material, own, seen, settings)
        groups.append(group)
        lines.append(curve)
    return pl.concat(groups), pl.concat(lines)


def _one_curve(
    outcome: str, material: str, lives: pl.DataFrame, looks: pl.DataFrame, settings: Settings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    n_bad = int(lives["right"].is_finite().sum())
    status, sentence = _verdict_on_group(material, lives.height, n_bad, settings)
    drawn = _Drawn(empty(contract.CURVES), BAND_METHOD)
    if status == contract.STATUS_OK:
        drawn = _draw(outcome, material, lives, looks, settings)
    group = pl.DataFrame(
        {
            "outcome": [outcome],
            "material": [material],
            "n_lives": [lives.height],
            "n_looks": [looks.height],
            "n_bad": [n_bad],
            "n_band_looks": [looks.height],
            "last_determined_age_years": [drawn.last_age],
            "median_age_years": [drawn.median_age],
            "band_method": [drawn.band_method],
            "smoothing_years": [drawn.smoothing],
            "status": [status],
            "sentence": [sentence],
        },
        schema=empty(contract.CURVE_GROUPS).schema,
    )
    return group, drawn.curve


def _verdict_on_group(material: str, n_lives: int, n_bad: int, settings: Settings) -> tuple[str, str]:
    counted = f"{n_lives:,} lives, {n_bad:,} seen failed"
    if material == UNKNOWN:
        return (
            contract.STATUS_TOO_FEW,
            f"No curve: {counted}, but their material is not on record; they count in the fitted curves.",
        )
    if n_lives < settings.min_lives or n_bad < settings.min_events:
        return (
            contract.STATUS_TOO_FEW,
            f"Too few records: {counted}; a curve needs {settings.min_lives} lives and "
            f"{settings.min_events} failures.",
        )
    return contract.STATUS_OK, f"{counted}. Looks are taken at their word."


@dataclass(frozen=True)
class _Drawn:
    """Rows of a curve and what its group says of it; ages in years, None where the records do not reach."""

    curve: pl.DataFrame
    band_method: str
    last_age: float | None = None
    median_age: float | None = None
    smoothing: float | None = None


def _draw(
    outcome: str, material: str, lives: pl.DataFrame, looks: pl.DataFrame, settings: Settings
) -> _Drawn:
    # Rounding may close an interval; it then holds the year in which the look fell.
    counted = (
        lives.with_columns(right=pl.max_horizontal("right", pl.col("left") + 1))
        .group_by("left", "right")
        .len("n")
        .sort("left", "right")
    )
    left, right, weight = (counted[name].to_numpy() for name in ("left", "right", "n"))
    npmle = NPMLE().fit(left, right, weight)
    ages = np.arange(0, max(left.max(), right[np.isfinite(right)].max(initial=0.0)) + 1)
    lower, upper = npmle.cdf(ages)
    determined = upper - lower < 1e-9
    band, method = _band(left, right, weight, looks, ages, settings)
    smooth = smooth_curve(npmle, ages)
    curve = pl.DataFrame(
        {
            "outcome": outcome,
            "material": material,
            "age_years": ages,
            "failure_probability": np.where(determined, lower, np.nan),
            "undetermined_from": lower,
            "undetermined_to": upper,
            "failure_probability_lower": band.lower,
            "failure_probability_upper": band.upper,
            "smoothed_probability": np.where(determined, smooth.value, np.nan),
            "is_determined": determined,
        }
    )
    halves = ages[lower >= 0.5]
    return _Drawn(
        curve,
        method,
        last_age=float(ages[determined].max()) if determined.any() else None,
        median_age=float(halves[0]) if len(halves) else None,
        smoothing=smooth.bandwidth or None,
    )


def _band(
    left: FloatArray,
    right: FloatArray,
    weight: FloatArray,
    looks: pl.DataFrame,
    ages: FloatArray,
    settings: Settings,
) -> tuple[Band, str]:
    """Of single looks by their known law; where a life was looked at again, with a simulated one."""
    if looks["life_id"].is_unique().all():
        by_age = (
            looks.with_columns(whole=pl.col("age").clip(0).round(0))
            .group_by("whole")
            .agg(n=pl.len(), bad=pl.col("is_bad").sum())
            .sort("whole")
        )
        whole, n, bad = (by_age[name].to_numpy() for name in ("whole", "n", "bad"))
        return likelihood_ratio_band(whole, n, bad, ages, level=CURVE_LEVEL), BAND_METHOD
    rng = np.random.default_rng([settings.seed, STREAM])
    band = interval_band(left, right, ages, rng=rng, weight=weight, level=CURVE_LEVEL)
    return band, BAND_METHOD_SEVERAL

"""Nonparametric curves: what the looks say of each material without any assumed form."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.bands import likelihood_ratio_band
from models.npmle import NPMLE
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_design import UNKNOWN
from pipeline.steps.fit_regression import CURVE_LEVEL

#: A curve in age means little for a pipe that may be ten years older or younger.
WIDEST_INSTALL_RANGE_YEARS = 5.0
BAND_METHOD = (
    f"{CURVE_LEVEL:.0%} pointwise, by inverting the likelihood ratio on the first look at each life, "
    "ages in whole years"
)


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
    first = looks.sort("life_id", "age").unique("life_id", keep="first", maintain_order=True)
    status, sentence = _verdict_on_group(material, lives.height, n_bad, settings)
    curve = empty(contract.CURVES)
    last_age, median = None, None
    if status == contract.STATUS_OK:
        curve, last_age, median = _draw(outcome, material, lives, first)
    group = pl.DataFrame(
        {
            "outcome": [outcome],
            "material": [material],
            "n_lives": [lives.height],
            "n_looks": [looks.height],
            "n_bad": [n_bad],
            "n_band_looks": [first.height],
            "last_determined_age_years": [last_age],
            "median_age_years": [median],
            "band_method": [BAND_METHOD],
            "status": [status],
            "sentence": [sentence],
        },
        schema=empty(contract.CURVE_GROUPS).schema,
    )
    return group, curve


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


def _draw(
    outcome: str, material: str, lives: pl.DataFrame, first: pl.DataFrame
) -> tuple[pl.DataFrame, float | None, float | None]:
    # Rounding may close an interval; it then holds the year in which the look fell.
    counted = (
        lives.with_columns(right=pl.max_horizontal("right", pl.col("left") + 1))
        .group_by("left", "right")
        .len("n")
        .sort("left", "right")
    )
    npmle = NPMLE().fit(
        counted["left"].to_numpy(), counted["right"].to_numpy(), weight=counted["n"].to_numpy()
    )
    finite = counted.select(
        pl.max_horizontal("left", pl.when(pl.col("right").is_finite()).then("right").otherwise(0.0))
    ).to_series()
    ages = np.arange(0, float(np.asarray(finite.max())) + 1)
    lower, upper = npmle.cdf(ages)
    determined = upper - lower < 1e-9
    by_age = (
        first.with_columns(whole=pl.col("age").clip(0).round(0))
        .group_by("whole")
        .agg(n=pl.len(), bad=pl.col("is_bad").sum())
        .sort("whole")
    )
    band = likelihood_ratio_band(
        by_age["whole"].to_numpy(),
        by_age["n"].to_numpy(),
        by_age["bad"].to_numpy(),
        ages,
        level=CURVE_LEVEL,
    )
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
            "is_determined": determined,
        }
    )
    halves = ages[lower >= 0.5]
    return (
        curve,
        float(ages[determined].max()) if determined.any() else None,
        float(halves[0]) if len(halves) else None,
    )

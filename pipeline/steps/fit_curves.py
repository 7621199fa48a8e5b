"""Nonparametric curves: what the looks say of each material without any assumed form."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.bands import Band
from models.interval_bands import interval_band
from pipeline.published import contract
from pipeline.published.stepped import Counted, Stepped, band_of_looks, counted, stepped_curve, verdict
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_regression import CURVE_LEVEL
from pipeline.vocabulary import Correction

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
    own_intervals = intervals.filter(pl.col("outcome") == outcome)
    if Correction.ENDED_LIVES not in settings.corrections:
        own_intervals = _as_if_not_ended(own_intervals)
    aged = whole_year_intervals(lives, own_intervals)
    for material in aged["material"].unique().sort().to_list():
        own = aged.filter(pl.col("material") == material)
        seen = looks.join(own.select("life_id"), on="life_id", how="semi")
        group, curve = _one_curve(outcome, material, own, seen, settings)
        groups.append(group)
        lines.append(curve)
    return pl.concat(groups), pl.concat(lines)


def _as_if_not_ended(intervals: pl.DataFrame) -> pl.DataFrame:
    """Leave out what works tell of a pipe that was dug out, as `read_exposure` does with the looks."""
    is_ended = pl.col("case") == "ended_between"
    return intervals.with_columns(bad_year=pl.when(~is_ended).then("bad_year")).filter(
        ~is_ended | pl.col("good_year").is_not_null()
    )


def _one_curve(
    outcome: str, material: str, lives: pl.DataFrame, looks: pl.DataFrame, settings: Settings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    n_bad = int(lives["right"].is_finite().sum())
    status, sentence = verdict(
        material, lives.height, n_bad, min_lives=settings.min_lives, min_events=settings.min_events
    )
    drawn, method = None, BAND_METHOD
    if status == contract.STATUS_OK:
        drawn, method = _draw(lives, looks, settings)
    group = pl.DataFrame(
        {
            "outcome": [outcome],
            "material": [material],
            "n_lives": [lives.height],
            "n_looks": [looks.height],
            "n_bad": [n_bad],
            "n_band_looks": [looks.height],
            "last_determined_age_years": [drawn and drawn.last_age],
            "median_age_years": [drawn and drawn.median_age],
            "band_method": [method],
            "smoothing_years": [drawn and drawn.smoothing],
            "status": [status],
            "sentence": [sentence],
        },
        schema=empty(contract.CURVE_GROUPS).schema,
    )
    if drawn is None:
        return group, empty(contract.CURVES)
    named = drawn.curve.with_columns(outcome=pl.lit(outcome), material=pl.lit(material))
    return group, named.select(contract.CURVES.names)


def _draw(lives: pl.DataFrame, looks: pl.DataFrame, settings: Settings) -> tuple[Stepped, str]:
    counts = counted(lives["left"], lives["right"])
    band, method = _band(counts, looks, settings)
    return stepped_curve(counts, band), method


def _band(counts: Counted, looks: pl.DataFrame, settings: Settings) -> tuple[Band, str]:
    """Of single looks by their known law; where a life was looked at again, with a simulated one."""
    if looks["life_id"].is_unique().all():
        by_age = (
            looks.with_columns(age=pl.col("age").clip(0).round(0))
            .group_by("age")
            .agg(n_looks=pl.len(), n_bad=pl.col("is_bad").sum())
        )
        return band_of_looks(by_age, counts.whole_ages, CURVE_LEVEL), BAND_METHOD
    rng = np.random.default_rng([settings.seed, STREAM])
    band = interval_band(
        counts.left, counts.right, counts.whole_ages, rng=rng, weight=counts.n_lives, level=CURVE_LEVEL
    )
    return band, BAND_METHOD_SEVERAL

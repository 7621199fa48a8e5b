"""Looks by everything that a reader may ask for, so that pages can count, and draw curves of, the ones asked for."""

from __future__ import annotations

import polars as pl

from pipeline.steps.fit_curves import WIDEST_INSTALL_RANGE_YEARS
from pipeline.steps.fit_input import WHOLE_COLUMNS, Exposure
from pipeline.vocabulary import Outcome

#: What a reader may ask for, of the pipe and of the look.
ASKED = ("material", "era", "subdivision", "portfolio", "purpose", "is_selected", "look_year")
AGE_BAND_YEARS = 10.0
#: An earlier "year" is an age: some records keep ages and no dates.
FIRST_CALENDAR_YEAR = 1800


def look_groups(exposure: Exposure, lots: pl.DataFrame) -> pl.DataFrame:
    """Return the published `look_groups`: counts only, each look in one group.

    Parameters
    ----------
    exposure : Exposure
        Lives and looks.
    lots : DataFrame
        `lot_id, portfolio`.
    """
    is_bad = {outcome: pl.col(WHOLE_COLUMNS[outcome]) == 1 for outcome in Outcome.codes()}
    counts = [
        number.cast(pl.Int64).alias(f"{name}_{outcome}")
        for outcome, bad in is_bad.items()
        for name, number in (("n_looks", bad.count()), ("n_bad", bad.sum()))
    ]
    band = (pl.col("age").clip(0) / AGE_BAND_YEARS).floor() * AGE_BAND_YEARS
    return (
        _judged_looks(exposure, lots)
        .with_columns(age_from_years=band)
        .group_by(*ASKED, "age_from_years")
        .agg(counts)
        .with_columns(age_to_years=pl.col("age_from_years") + AGE_BAND_YEARS)
    )


def look_histories(exposure: Exposure, lots: pl.DataFrame) -> pl.DataFrame:
    """Return the published `look_histories`: looks at the lives of which `fit_curves` draws stepped curves.

    Parameters
    ----------
    exposure, lots
        As for `look_groups`.
    """
    known = exposure.lives.filter(
        pl.col("install_to") - pl.col("install_from") <= WIDEST_INSTALL_RANGE_YEARS
    ).select("life_id")
    looks = _judged_looks(exposure, lots).join(known, on="life_id", how="semi").sort("life_id")
    is_bad = [(pl.col(WHOLE_COLUMNS[code]) == 1).alias(f"is_bad_{code}") for code in Outcome.codes()]
    is_several = pl.len().over("life_id") > 1
    rows = looks.select(
        *ASKED,
        *is_bad,
        # As `fit_curves.whole_year_intervals` has it, so that the curve of all looks is the build's.
        age_years=pl.col("age").clip(0).round(0),
        history=pl.when(is_several).then(pl.col("life_id").rle_id().cast(pl.Int64) + 1),
        position=pl.col("decimal_year").rank("dense").over("life_id").cast(pl.Int64),
    )
    return rows.group_by(rows.columns).agg(n_looks=pl.len().cast(pl.Int64))


def _judged_looks(exposure: Exposure, lots: pl.DataFrame) -> pl.DataFrame:
    """Looks that speak of a whole segment, for whatever reason they were made."""
    lives = exposure.lives.select("life_id", "material", "era", "subdivision")
    year = pl.col("decimal_year").floor().cast(pl.Int64)
    return (
        exposure.looks.filter(pl.any_horizontal(pl.col(WHOLE_COLUMNS.values()).is_not_null()))
        .rename({"look_year": "decimal_year"})
        .join(lives, on="life_id")
        .join(lots.select("lot_id", "portfolio"), on="lot_id", how="left")
        .with_columns(look_year=pl.when(year >= FIRST_CALENDAR_YEAR).then(year))
    )

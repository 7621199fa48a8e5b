"""Looks counted by everything that a reader may ask for, so that pages can add up the ones asked for."""

from __future__ import annotations

import polars as pl

from pipeline.steps.fit_input import Exposure, outcome_looks
from pipeline.vocabulary import Outcome

GROUP = ("material", "era", "subdivision", "purpose", "look_year", "age_from_years")
AGE_BAND_YEARS = 10.0
#: An earlier "year" is an age: some records keep ages and no dates.
FIRST_CALENDAR_YEAR = 1800


def look_groups(exposure: Exposure) -> pl.DataFrame:
    """Return the published `look_groups`: counts only, each look in one group.

    Parameters
    ----------
    exposure : Exposure
        Lives and looks.
    """
    lives = exposure.lives.select("life_id", "material", "era", "subdivision")
    whys = exposure.looks.select("inspection_id", "life_id", "purpose", "look_year")
    counts = [_of_outcome(exposure, outcome, lives, whys) for outcome in Outcome.codes()]
    numbers = [pl.col(f"{n}_{outcome}").sum() for outcome in Outcome.codes() for n in ("n_looks", "n_bad")]
    return (
        pl.concat(counts, how="diagonal")
        .group_by(GROUP)
        .agg(numbers)
        .with_columns(age_to_years=pl.col("age_from_years") + AGE_BAND_YEARS)
    )


def _of_outcome(exposure: Exposure, outcome: str, lives: pl.DataFrame, whys: pl.DataFrame) -> pl.DataFrame:
    looks = (
        outcome_looks(exposure, outcome)
        .join(lives, on="life_id")
        .join(whys, on=["inspection_id", "life_id"], how="left")
    )
    year = pl.col("look_year").floor().cast(pl.Int64)
    return (
        looks.with_columns(
            look_year=pl.when(year >= FIRST_CALENDAR_YEAR).then(year),
            age_from_years=(pl.col("age").clip(0) / AGE_BAND_YEARS).floor() * AGE_BAND_YEARS,
        )
        .group_by(GROUP)
        .agg(
            pl.len().cast(pl.Int64).alias(f"n_looks_{outcome}"),
            pl.col("is_bad").sum().cast(pl.Int64).alias(f"n_bad_{outcome}"),
        )
    )

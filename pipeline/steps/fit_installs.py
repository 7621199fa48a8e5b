"""When was a pipe laid whose install year is not on record: read off the pipes whose year is.

The exposure tables give the range that is possible: from the house and the material's first year to the
look. Taking every year of it as equally likely would make old pipe decades too young, for nearly all pipe is
as old as its house. How nearly is counted here, in the user's own records.
"""

from __future__ import annotations

import polars as pl

from pipeline.steps.fit_design import UNKNOWN

#: A recorded year this close to the house's counts as the house's own pipe [years].
SAME_AS_HOUSE_YEARS = 5
#: Houses built in the same span of this length share one count [years].
HOUSE_SPAN_YEARS = 20
#: The house's year is taken where at least this share of recorded pipe is as old as its house.
LEAST_SHARE = 0.5
#: Counts of one material and span are drawn towards those of the material by this many pipes; judgement.
POOLED_PIPES = 5
#: Central share of the recorded install years of a material that stands in where nothing else is known.
USUAL_QUANTILES = (0.1, 0.9)
ERAS = ("before_1940", "1940_1957", "1958_1979", "1980_on")
ERA_STARTS = (1940.0, 1958.0, 1980.0)
RECORDED = "recorded"
DERIVED = "house_and_material"


def narrow_installs(lives: pl.DataFrame, houses: pl.DataFrame) -> pl.DataFrame:
    """Narrow the install range of pipes whose install year is not on record.

    Parameters
    ----------
    lives : DataFrame
        exposure.lives.
    houses : DataFrame
        `lot_id, year_built`.

    Returns
    -------
    DataFrame
        The same lives, with `house_share` and `latest_year`. A range that begins with the house becomes the
        house's year where most recorded pipe of that material under houses of that time is as old as its
        house: `house_share` is that share (NULL elsewhere), and the rest was laid later, up to
        `latest_year`. Another wide range becomes the span in which most recorded pipe of that material was
        laid, where that lies within it.
    """
    known = lives.join(houses.select("lot_id", "year_built"), on="lot_id", how="left").with_columns(
        house_span=(pl.col("year_built") / HOUSE_SPAN_YEARS).floor()
    )
    recorded = known.filter(
        (pl.col("install_source") == RECORDED)
        & (pl.col("install_year_max") - pl.col("install_year_min") <= 1)
    )
    known = known.join(_share_as_old_as_house(recorded), on=["material", "house_span"], how="left")
    known = known.join(_usual_years(recorded), on="material", how="left")
    first, last = pl.col("install_year_min"), pl.col("install_year_max")
    is_derived = pl.col("install_source") == DERIVED
    # A house built after the material had gone out of use, or after the pipe was seen, is not the house that
    # the pipe was laid for: its year says nothing.
    is_rebuilt = is_derived & (last <= first)
    is_house = (
        is_derived & ~is_rebuilt & (first == pl.col("year_built")) & (pl.col("house_share") >= LEAST_SHARE)
    )
    within = (pl.col("usual_from") >= first) & (pl.col("usual_to") <= last)
    is_narrower = pl.col("usual_to") - pl.col("usual_from") < last - first
    is_usual = is_derived & ~is_house.fill_null(False) & (is_rebuilt | (within & is_narrower))
    narrowed = known.with_columns(
        latest_year=last,
        house_share=pl.when(is_house).then("house_share"),
        install_year_min=pl.when(is_usual).then("usual_from").otherwise(first),
        install_year_max=pl.when(is_house)
        .then(pl.min_horizontal(first + 1, last))
        .when(is_usual)
        .then("usual_to")
        .otherwise(last),
    )
    # The era follows the narrowed range; the middle of a range of a century belongs to no era.
    middle = (pl.col("install_year_min") + pl.col("install_year_max")) / 2
    era = pl.when(is_derived).then(_era_of(middle)).otherwise("era")
    return narrowed.with_columns(era=era).select(*lives.columns, "house_share", "latest_year")


def _era_of(year: pl.Expr) -> pl.Expr:
    """Era codes as the exposure tables use them."""
    first, second, third = ERA_STARTS
    return (
        pl.when(year < first)
        .then(pl.lit(ERAS[0]))
        .when(year < second)
        .then(pl.lit(ERAS[1]))
        .when(year < third)
        .then(pl.lit(ERAS[2]))
        .otherwise(pl.lit(ERAS[3]))
    )


def _share_as_old_as_house(recorded: pl.DataFrame) -> pl.DataFrame:
    """Share of recorded pipe that is as old as its house, by material and time of building."""
    aged = recorded.filter(pl.col("year_built").is_not_null()).with_columns(
        is_same=(pl.col("install_year_min") - pl.col("year_built")).abs() <= SAME_AS_HOUSE_YEARS
    )
    counts = aged.group_by("material", "house_span").agg(n=pl.len(), n_same=pl.col("is_same").sum())
    base = pl.col("n_same").sum().over("material") / pl.col("n").sum().over("material")
    return counts.select(
        "material",
        "house_span",
        house_share=(pl.col("n_same") + POOLED_PIPES * base) / (pl.col("n") + POOLED_PIPES),
    )


def _usual_years(recorded: pl.DataFrame) -> pl.DataFrame:
    low, high = USUAL_QUANTILES
    return (
        recorded.filter(pl.col("material") != UNKNOWN)
        .group_by("material")
        .agg(
            usual_from=pl.col("install_year_min").quantile(low, "nearest"),
            usual_to=pl.col("install_year_max").quantile(high, "nearest"),
        )
    )

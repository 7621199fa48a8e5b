"""When was a pipe laid whose install year is not on record: read off the pipes whose year is.

The exposure tables give the range that is possible: from the house and the material's first year to the
look. Taking every year of it as equally likely would make old pipe decades too young, for nearly all pipe is
as old as its house. How nearly is counted here, in the user's own records.
"""

from __future__ import annotations

import polars as pl

from pipeline.steps.fit_candidates import UNKNOWN

#: A recorded year this close to the house's counts as the house's own pipe [years].
SAME_AS_HOUSE_YEARS = 5
#: Houses built in the same span of this length share one count [years].
HOUSE_SPAN_YEARS = 20
#: The house's year is taken where at least this share of recorded pipe is as old as its house.
LEAST_SHARE = 0.5
#: Counts of one material and span are drawn towards those of the material by this many pipes; judgement.
POOLED_PIPES = 5
#: Central share of the recorded install years of like pipe that stands in where nothing else is known.
USUAL_QUANTILES = (0.1, 0.9)
#: Recorded pipes that make a span: of its material in its subdivision, else any there, else of its material.
LEAST_PIPES = 5
ERAS = ("before_1940", "1940_1957", "1958_1979", "1980_on")
ERA_STARTS = (1940.0, 1958.0, 1980.0)
RECORDED = "recorded"
DERIVED = "house_and_material"


def middle_installs(lives: pl.DataFrame) -> pl.DataFrame:
    """Take the middle of every install range as the year, as if it were on record; columns as `narrow_installs`."""
    middle = (pl.col("install_year_min") + pl.col("install_year_max")) / 2
    return lives.with_columns(
        install_year_min=middle,
        install_year_max=middle,
        house_share=pl.lit(None, dtype=pl.Float64),
        latest_year=middle,
    )


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
    known = _with_usual_years(known, recorded)
    first, last = pl.col("install_year_min"), pl.col("install_year_max")
    is_derived = pl.col("install_source") == DERIVED
    # A house built after the material had gone out of use, or after the pipe was seen, or under whose likes
    # most pipe is older, is not the house that the pipe was laid for: its year says nothing.
    is_rebuilt = is_derived & ((last <= first) | (pl.col("older_share") > LEAST_SHARE)).fill_null(False)
    is_house = (
        is_derived & ~is_rebuilt & (first == pl.col("year_built")) & (pl.col("house_share") >= LEAST_SHARE)
    ).fill_null(False)
    usual_from = pl.when(is_rebuilt).then("usual_from").otherwise(pl.max_horizontal("usual_from", first))
    usual_to = pl.when(is_rebuilt).then("usual_to").otherwise(pl.min_horizontal("usual_to", last))
    is_usual = is_derived & ~is_house & (usual_from <= usual_to).fill_null(False)
    narrowed = known.with_columns(
        latest_year=last,
        house_share=pl.when(is_house).then("house_share"),
        install_year_min=pl.when(is_usual).then(usual_from).otherwise(first),
        install_year_max=pl.when(is_house)
        .then(pl.min_horizontal(first + 1, last))
        .when(is_usual)
        .then(usual_to)
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
    """Shares of recorded pipe as old as its house, and older, by material and time of building."""
    aged = recorded.filter(pl.col("year_built").is_not_null()).with_columns(
        is_same=(pl.col("install_year_min") - pl.col("year_built")).abs() <= SAME_AS_HOUSE_YEARS,
        is_older=pl.col("install_year_min") < pl.col("year_built") - SAME_AS_HOUSE_YEARS,
    )
    counts = aged.group_by("material", "house_span").agg(
        n=pl.len(), n_same=pl.col("is_same").sum(), n_older=pl.col("is_older").sum()
    )

    def pooled(count: str) -> pl.Expr:
        base = pl.col(count).sum().over("material") / pl.col("n").sum().over("material")
        return (pl.col(count) + POOLED_PIPES * base) / (pl.col("n") + POOLED_PIPES)

    return counts.select(
        "material", "house_span", house_share=pooled("n_same"), older_share=pooled("n_older")
    )


def _with_usual_years(lives: pl.DataFrame, recorded: pl.DataFrame) -> pl.DataFrame:
    """Add `usual_from` and `usual_to`: when like pipe was laid, by the nearest records that are enough."""
    dated = recorded.filter(pl.col("material") != UNKNOWN)
    levels = (["subdivision", "material"], ["subdivision"], ["material"])
    for number, keys in enumerate(levels):
        # Of the pipe now in the ground under unlike houses the first lives tell when the others were laid.
        like = dated if "material" in keys else dated.filter(pl.col("life_number") == 1)
        lives = lives.join(_usual_years(like, keys, str(number)), on=keys, how="left")
    found = range(len(levels))
    return lives.with_columns(
        usual_from=pl.coalesce(f"from_{number}" for number in found),
        usual_to=pl.coalesce(f"to_{number}" for number in found),
    )


def _usual_years(recorded: pl.DataFrame, keys: list[str], suffix: str) -> pl.DataFrame:
    low, high = USUAL_QUANTILES
    return (
        recorded.drop_nulls(keys)
        .group_by(keys)
        .agg(
            pl.len().alias("n"),
            pl.col("install_year_min").quantile(low, "nearest").alias(f"from_{suffix}"),
            pl.col("install_year_max").quantile(high, "nearest").alias(f"to_{suffix}"),
        )
        .filter(pl.col("n") >= LEAST_PIPES)
        .drop("n")
    )

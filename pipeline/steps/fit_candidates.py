"""What a life may be where the records do not say: its materials with prior chances, and when it was laid."""

from __future__ import annotations

import polars as pl

UNKNOWN = "unknown"
#: Columns of length and bore [doublings], empty unless they are let into fits.
SIZES = {"length": "length_doublings", "diameter": "diameter_doublings"}
ROW_KEYS = ("material", "era", "depth_bin_ft", "expansive", "tree", "area", *SIZES.values())

#: Recorded pipes after which an area's own shares of materials count like those of its era; judgement.
POOLED_PIPES = 10


def material_shares(lives: pl.DataFrame) -> pl.DataFrame:
    """Shares of materials among first lives whose material is on record, by era and area.

    Parameters
    ----------
    lives : DataFrame
        `era, area, material, life_number`.

    Returns
    -------
    DataFrame
        `era, area, material, share` for every area and era that lives have. An area's own counts are drawn towards
        those of the era over all areas by `POOLED_PIPES`, and an era without records takes all eras.
        Empty where no material is on record.
    """
    known = lives.filter((pl.col("material") != UNKNOWN) & (pl.col("life_number") == 1))
    overall = known.group_by("material").len("n").select("material", every=pl.col("n") / pl.col("n").sum())
    eras = _era_shares(lives, known, overall)
    own = known.group_by("era", "area", "material").len("n_own")
    return (
        lives.select("era", "area")
        .unique()
        .join(eras, on="era")
        .join(own, on=["era", "area", "material"], how="left", nulls_equal=True)
        .with_columns(pl.col("n_own").fill_null(0))
        .with_columns(
            share=(pl.col("n_own") + POOLED_PIPES * pl.col("share"))
            / (pl.col("n_own").sum().over("era", "area") + POOLED_PIPES)
        )
        .select("era", "area", "material", "share")
        .sort("era", "area", "material")
    )


def _era_shares(lives: pl.DataFrame, known: pl.DataFrame, overall: pl.DataFrame) -> pl.DataFrame:
    """Shares of each era over all areas; those of all eras where an era has no record or is not known."""
    counts = known.filter(pl.col("era") != UNKNOWN).group_by("era", "material").len("n")
    own = counts.select("era", "material", own=pl.col("n") / pl.col("n").sum().over("era"))
    has_own = pl.col("own").is_not_null().any().over("era")
    return (
        lives.select("era")
        .unique()
        .join(overall, how="cross")
        .join(own, on=["era", "material"], how="left")
        .with_columns(share=pl.when(has_own).then(pl.col("own").fill_null(0.0)).otherwise("every"))
        .filter(pl.col("share") > 0)
        .select("era", "material", "share")
    )


def candidates(lives: pl.DataFrame, shares: pl.DataFrame) -> pl.DataFrame:
    """Give each life what it may be: its materials, and when it may have been laid.

    Parameters
    ----------
    lives : DataFrame
        `life` (position from 0), ROW_KEYS, `install_from`, `install_to`, `latest`, `house_share`.
    shares : DataFrame
        From `material_shares`.

    Returns
    -------
    DataFrame
        `life, probability, install_from, install_to` and ROW_KEYS, sorted; one line for a life of which both
        are known. A life that is as old as its house with some chance has a second line: laid later.
    """
    known = lives.filter(pl.col("material") != UNKNOWN).with_columns(probability=pl.lit(1.0))
    unknown = lives.filter(pl.col("material") == UNKNOWN).drop("material")
    shared = unknown.join(shares.rename({"share": "probability"}), on=["era", "area"], nulls_equal=True)
    columns = ["life", *ROW_KEYS, "probability", "install_from", "install_to", "latest", "house_share"]
    found = pl.concat([known.select(columns), shared.select(columns)])
    # No material of any first life is on record: then the unknown ones are a material of their own.
    rest = unknown.join(found, on="life", how="anti").with_columns(
        material=pl.lit(UNKNOWN), probability=pl.lit(1.0)
    )
    return _later_ones(pl.concat([found, rest.select(columns)])).sort("life", "material", "install_from")


def _later_ones(found: pl.DataFrame) -> pl.DataFrame:
    """Split a life that may be younger than its house into one as old, and one laid at any time since."""
    is_open = pl.col("house_share").is_not_null() & (pl.col("latest") - pl.col("install_to") > 1.0)
    share = pl.when(is_open).then("house_share").otherwise(1.0)
    as_old = found.with_columns(probability=pl.col("probability") * share)
    later = found.filter(is_open).with_columns(
        probability=pl.col("probability") * (1 - pl.col("house_share")),
        install_from=pl.col("install_to"),
        install_to=pl.col("latest"),
    )
    return pl.concat([as_old, later.filter(pl.col("probability") > 0)]).drop("latest", "house_share")

"""How lives and looks enter a fit: what is known of pipes that were dug out, and how far a look is to be believed."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from models.bias import dug_out_share, known_failure_sensitivity
from models.looks import Detection
from pipeline.steps.fit_input import ENDED, OUTCOME_COLUMNS, Exposure, outcome_looks
from pipeline.vocabulary import Outcome

BAND_YEARS = 20
#: The share of a family within one material counts like the overall one after this many failed pipes; judgement.
POOLED_LOOKS = 10


def enter_lives(
    exposure: Exposure,
    outcome: str,
    looked: pl.DataFrame,
    looks: pl.DataFrame,
    detections: Mapping[str, Detection],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return lives as they enter the fit, and their looks.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks.
    outcome : str
        Outcome to be fitted.
    looked, looks : DataFrame
        Lives with a look, and the looks of `outcome_looks`.
    detections : mapping of str to Detection
        Of the camera, by outcome.

    Returns
    -------
    tuple of DataFrame
        Lives with `life` (0, 1, …), `weight` and `is_split`; looks for `believed`, with `life, weight, look_at,
        is_bad, is_known, material, band`.

    Notes
    -----
    A life that was dug out or lined before a look had failed by then. What it had failed of is not on
    record. For a single family it goes by the last look before the works that found it failed; where there
    is none it enters twice, as failed and as sound, by the share of that family among the failed pipes of
    its material and age still in the ground. Leaving such lives out would leave only the survivors.
    """
    if outcome == Outcome.ANY.value:
        lives = looked.with_columns(weight=pl.lit(1.0), is_split=pl.lit(False)).with_row_index("life")
        entered = looks.join(lives.select("life_id", "life", "weight"), on="life_id")
    else:
        lives, entered = _split_ended(exposure, outcome, looked, looks, detections)
    return lives, celled(entered, exposure.lives)


def _split_ended(
    exposure: Exposure,
    outcome: str,
    looked: pl.DataFrame,
    looks: pl.DataFrame,
    detections: Mapping[str, Detection],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    ended = exposure.looks.filter((pl.col("basis") == ENDED) & ~pl.col("is_selected"))
    split = (
        exposure.lives.join(ended.select("life_id", "age"), on="life_id")
        .with_columns(band=_band(pl.col("age")))
        .join(_family_shares(exposure, outcome, detections), on=["material", "band"], how="left")
        .drop("age", "band")
        .join(_last_seen(exposure, outcome), on="life_id", how="left")
        .with_columns(share=pl.coalesce("seen_share", "share", pl.lit(1 / 3)))
        .drop("seen_share")
    )
    whole = looked.join(split.select("life_id"), on="life_id", how="anti").with_columns(
        weight=pl.lit(1.0), is_split=pl.lit(False), is_failed=pl.lit(None, dtype=pl.Boolean)
    )
    failed = split.with_columns(weight="share", is_split=pl.lit(True), is_failed=pl.lit(True))
    sound = failed.with_columns(weight=1 - pl.col("share"), is_failed=pl.lit(False))
    names = whole.columns
    lives = pl.concat([whole, failed.select(names), sound.select(names)]).filter(pl.col("weight") > 0)
    lives = lives.sort("life_id", "is_failed").with_row_index("life")
    own = looks.join(lives.select("life_id", "life", "weight"), on="life_id")
    known = ended.join(
        lives.filter("is_split").select("life_id", "life", "weight", is_bad="is_failed"), on="life_id"
    ).with_columns(is_known=pl.lit(True))
    columns = ["life_id", "life", "weight", "age", "look_at", "is_bad", "is_known"]
    return lives, pl.concat([own.select(columns), known.select(columns)])


def believed(looks: pl.DataFrame, detection: Detection) -> pl.DataFrame:
    """Say how far each look is to be believed: see `models.bias.known_failure_sensitivity`.

    Parameters
    ----------
    looks : DataFrame
        From `enter_lives`.
    detection : Detection
        Of the camera, for the outcome that is fitted.

    Returns
    -------
    DataFrame
        `life, look_at, is_bad, sensitivity`.
    """
    cells = dug_out(looks, detection)
    sensitivity = known_failure_sensitivity(cells["dug_out"].to_numpy(), detection)
    of_cell = cells.with_columns(sensitivity=pl.Series(sensitivity))
    return looks.join(of_cell, on=["material", "band"]).select("life", "look_at", "is_bad", "sensitivity")


def dug_out(looks: pl.DataFrame, detection: Detection) -> pl.DataFrame:
    """Share of failed pipe that had been dug out: `material, band, dug_out`; see `models.bias.dug_out_share`.

    Parameters
    ----------
    looks : DataFrame
        From `enter_lives`.
    detection : Detection
        Of the camera, for the outcome that is fitted.
    """
    weight, is_known = pl.col("weight"), pl.col("is_known")
    cells = (
        looks.group_by("material", "band")
        .agg(
            n_ended=weight.filter(is_known & pl.col("is_bad")).sum(),
            n_standing=weight.filter(~is_known).sum(),
            n_bad=weight.filter(~is_known & pl.col("is_bad")).sum(),
        )
        .sort("material", "band")
    )
    share = dug_out_share(
        cells["n_ended"].to_numpy(),
        cells["n_standing"].to_numpy(),
        cells["n_bad"].to_numpy(),
        cells["material"].rle_id().to_numpy(),
        detection,
    )
    return cells.select("material", "band").with_columns(dug_out=pl.Series(share))


def celled(looks: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Add to looks the `material` and the age `band` that they are counted in."""
    return looks.join(lives.select("life_id", "material"), on="life_id").with_columns(
        band=_band(pl.col("age"))
    )


def _band(age: pl.Expr) -> pl.Expr:
    return (age.clip(0) / BAND_YEARS).floor()


def _last_seen(exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Say of each life what its last look with a repair-grade finding showed of one family: 1 or 0."""
    found = exposure.looks.filter((pl.col("basis") == "findings") & (pl.col("any_outcome") == 1))
    newest = found.sort("life_id", "look_at", "inspection_id").unique(
        "life_id", keep="last", maintain_order=True
    )
    return newest.select(
        "life_id", seen_share=(pl.col(OUTCOME_COLUMNS[outcome]) == 1).fill_null(False).cast(pl.Float64)
    )


def _family_shares(exposure: Exposure, outcome: str, detections: Mapping[str, Detection]) -> pl.DataFrame:
    """Share of one family among failed pipes in the ground, by material and age.

    Age decides with the material: roots and bellies come early, broken pipe late. A cell is drawn towards
    its age band over all materials, and that towards all ages.

    Notes
    -----
    Counts are of pipes failed, not of pipes called failed: of young pipe most calls are wrong, and those
    speak of any family. By moments: failed = (called - (1 - Sp) looks) / (Se + Sp - 1), not below 0.
    """
    looks = outcome_looks(exposure, Outcome.ANY.value).filter(pl.col("basis") == "findings")
    family = outcome_looks(exposure, outcome).filter(pl.col("basis") == "findings")
    seen = celled(
        looks.join(
            family.select("life_id", "inspection_id", is_own="is_bad"), on=["life_id", "inspection_id"]
        ),
        exposure.lives,
    )
    failed = (
        _failed("is_bad", detections[Outcome.ANY.value]).alias("n"),
        _failed("is_own", detections[outcome]).alias("n_own"),
    )
    overall = seen.select(failed)
    base = float(overall["n_own"][0] / overall["n"][0]) if overall["n"][0] > 0 else 1 / 3
    bands = seen.group_by("band").agg(failed).select("band", band_share=_drawn_to(pl.lit(min(base, 1.0))))
    cells = seen.group_by("material", "band").agg(failed)
    every = exposure.lives.select("material").unique().join(bands, how="cross")
    return (
        every.join(cells, on=["material", "band"], how="left")
        .with_columns(pl.col("n", "n_own").fill_null(0.0))
        .select("material", "band", share=_drawn_to(pl.col("band_share")))
    )


def _failed(called: str, detection: Detection) -> pl.Expr:
    """Failed pipes among looks of which some were called failed, by moments."""
    false = 1.0 - detection.specificity
    gain = detection.sensitivity - false
    return ((pl.col(called).sum() - false * pl.len()) / gain).clip(0.0)


def _drawn_to(share: pl.Expr) -> pl.Expr:
    return ((pl.col("n_own") + POOLED_LOOKS * share) / (pl.col("n") + POOLED_LOOKS)).clip(0.0, 1.0)

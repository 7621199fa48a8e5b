"""Looks kept from fits that are to foretell them: the later ones, or those of areas or lots left out in turn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from models.backtest import dealt_folds
from models.looks import IntArray
from pipeline.steps.fit_input import Exposure, outcome_looks

LATER, ELSEWHERE, OTHERS = "later_looks", "other_subdivisions", "other_lots"
#: Share of looks, the latest ones, that are foretold from the others.
LATER_SHARE = 0.3
#: Parts of the subdivisions, or of the lots, that are left out in turn: halves, since each costs a fit.
FOLDS = 2
#: Fewer looks, failed or sound ones among them, or areas than this tell nothing.
LEAST_LOOKS, LEAST_OF_EACH, LEAST_AREAS = 200, 30, 6
#: Of a larger town so many looks are used, of whole areas: the errors are small by then, and fits are not.
MOST_LOOKS = 30_000

Fold = tuple[IntArray, IntArray]


def camera_looks(exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Return unselected looks at which a camera judged an outcome, with what the models may know of the pipe.

    What works tell (a pipe was dug out) is no look that could be foretold. Looks of one `group` resemble each
    other: those of an area or, where none is on record, of a lot.
    """
    lives = exposure.lives.select(
        "life_id",
        "lot_id",
        "material",
        "era",
        "depth_ft",
        "diameter_in",
        "length_ft",
        "expansive",
        "tree",
        "install_source",
        area=pl.coalesce("subdivision", "block", pl.lit("")),
        install_width=pl.col("install_to") - pl.col("install_from"),
    ).with_columns(group=pl.when(pl.col("area") != "").then("area").otherwise(pl.format("lot {}", "lot_id")))
    looks = outcome_looks(exposure, outcome).filter(~pl.col("is_known"))
    return (
        looks.join(lives.drop("lot_id"), on="life_id")
        .sort("look_at", "inspection_id", "life_id")
        .with_row_index("row")
    )


def part_of(exposure: Exposure, outcome: str, seed: int) -> tuple[Exposure, bool]:
    """Keep whole areas of a large town, chosen at random, until they hold MOST_LOOKS; and say whether it was so.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks.
    outcome : str
        Outcome code.
    seed : int
        Decides which.
    """
    counts = (
        camera_looks(exposure, outcome)
        .group_by("group")
        .agg(pl.len(), pl.col("life_id").unique())
        .sort("group")
        .sample(fraction=1.0, shuffle=True, seed=seed)
    )
    kept = counts.filter(pl.col("len").cum_sum() <= MOST_LOOKS)
    # Where one area holds most looks, nothing can be left away.
    if kept.height == counts.height or kept["len"].sum() < MOST_LOOKS / 2:
        return exposure, False
    own = exposure.lives.join(kept.select(pl.col("life_id").explode()), on="life_id", how="semi")
    # Lines are kept whole: looks at all of a line speak of each of its lives.
    lives = exposure.lives.join(own.select("lot_id").unique(), on="lot_id", how="semi")
    looks, lines = (
        seen.join(lives.select("life_id"), on="life_id", how="semi")
        for seen in (exposure.looks, exposure.line_looks)
    )
    return replace(exposure, lives=lives, looks=looks, line_looks=lines), True


def later_fold(rows: pl.DataFrame) -> tuple[str, list[Fold]]:
    """Split looks at a date, or say why that cannot be."""
    if rows.is_empty():
        return too_few(rows, np.arange(0)), []
    dated = rows.filter(pl.col("install_source") != "age_only")
    if dated.height < rows.height / 2:
        return "The records keep ages and no dates: nothing is later than anything else.", []
    cut = float(np.quantile(dated["look_at"].to_numpy(), 1.0 - LATER_SHARE))
    out = rows.filter(pl.col("look_at") > cut)["row"].to_numpy()
    rest = rows.filter(pl.col("look_at") <= cut)["row"].to_numpy()
    return too_few(rows, out), [(rest.astype(np.int64), out.astype(np.int64))]


def area_folds(rows: pl.DataFrame) -> tuple[str, list[Fold]]:
    """Leave out subdivisions in turn, or say why that cannot be."""
    placed = rows.filter(pl.col("area") != "")
    if placed["area"].n_unique() < LEAST_AREAS:
        return f"Too few subdivisions or blocks are on record: this needs {LEAST_AREAS}.", []
    position = placed["row"].to_numpy().astype(np.int64)
    pairs = [(position[rest], position[out]) for rest, out in dealt_folds(placed["area"].to_numpy(), FOLDS)]
    return too_few(rows, position), pairs


def lot_folds(rows: pl.DataFrame) -> tuple[str, list[Fold]]:
    """Leave out half of the lots in turn: what can be asked where no areas are on record."""
    objection = too_few(rows, np.arange(rows.height))
    if objection or rows["lot_id"].n_unique() < FOLDS:
        return objection or "All looks are at one lot.", []
    return "", [(rest, out) for rest, out in dealt_folds(rows["lot_id"].to_numpy(), FOLDS)]


def too_few(rows: pl.DataFrame, out: IntArray) -> str:
    """Say why looks left out are too few to tell anything; empty where they are not."""
    bad = rows["is_bad"].to_numpy()[out]
    n, n_bad = len(bad), int(bad.sum())
    if n < LEAST_LOOKS or min(n_bad, n - n_bad) < LEAST_OF_EACH:
        return (
            f"Too few looks to foretell: {n:,}, {n_bad:,} of them bad; this needs {LEAST_LOOKS} with "
            f"{LEAST_OF_EACH} of either kind."
        )
    return ""


def without(exposure: Exposure, asked: pl.DataFrame, question: str) -> Exposure:
    """Keep from a fit what would give the asked looks away: all that lies later, or all of their areas or lots."""
    if question == LATER:
        first = asked["look_at"].min()
        return replace(
            exposure,
            looks=exposure.looks.filter(pl.col("look_at") < first),
            line_looks=exposure.line_looks.filter(pl.col("look_at") < first),
        )
    key = "area" if question == ELSEWHERE else "lot_id"
    lives = exposure.lives.select("life_id", "lot_id", area=pl.coalesce("subdivision", "block", pl.lit("")))
    hidden = lives.join(asked.select(key).unique(), on=key, how="semi")
    return replace(
        exposure,
        looks=exposure.looks.join(hidden, on="life_id", how="anti"),
        line_looks=exposure.line_looks.join(hidden, on="life_id", how="anti"),
    )

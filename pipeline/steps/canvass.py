"""Areas ranked by failures that nobody has seen yet, per door; made so that no household's result shows.

What is guaranteed of every number here:
- A line that a camera has been in adds nothing to any of them: its own result cannot be read off them,
  nor off any sum or difference of them.
- Areas are disjoint, and each holds at least so many seen and unseen lines; smaller blocks are put together within
  their subdivision, and what stays too small is held back. No totals are given.
- Chances of unseen lines come from estimates fitted to all records; that far, and no further, results enter.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.disclosure import merge_small_cells
from models.looks import FloatArray
from pipeline.published import contract
from pipeline.settings import Settings
from pipeline.steps.fit_scores import SCORE_LEVEL, Scores

#: Unseen lines that an area must hold, so that its number is not one house's; judgement.
LEAST_UNSEEN = 5
#: The number of seen lines is told in steps of this many, so that it does not tell of one more inspection.
STEP_SEEN = 5
TAIL = (1 - SCORE_LEVEL) / 2
NO_NAME = "not recorded"


def canvass_areas(
    lots: pl.DataFrame, scores: Scores | None, do_not_contact: frozenset[str], settings: Settings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make the published `canvass_areas` and `canvass_lots`.

    Parameters
    ----------
    lots : DataFrame
        `lot_id, block, subdivision, n_inspections, x_ft, y_ft, lon, lat` of every lot.
    scores : Scores or None
        None where the fit did not come about: then no area is ranked.
    do_not_contact : frozenset of str
        Lots that are no doors.
    settings : Settings
        `min_area_inspections` is the least number of seen lines.

    Returns
    -------
    tuple of DataFrame
        Areas, best first; and the area of each door, whether or not a camera has been in its line.
    """
    placed = lots.with_columns(
        subdivision=pl.col("subdivision").fill_null(NO_NAME),
        block=pl.col("block").fill_null(NO_NAME),
        is_seen=pl.col("n_inspections") > 0,
        is_door=~pl.col("lot_id").is_in(do_not_contact),
    ).join(_columns(scores), on="lot_id", how="left")
    placed = placed.with_columns(
        is_counted=~pl.col("is_seen") & pl.col("is_door") & pl.col("column").is_not_null()
    )
    cells = (
        placed.group_by("subdivision", "block")
        .agg(
            n_seen=pl.col("is_seen").sum().cast(pl.Int64), n_unseen=pl.col("is_counted").sum().cast(pl.Int64)
        )
        .sort("subdivision", "block")
    )
    cell = merge_small_cells(
        cells.select(pl.col("subdivision").rle_id()).to_series().to_numpy().astype(np.int64),
        cells.select("n_seen", "n_unseen").to_numpy(),
        np.array([settings.min_area_inspections, LEAST_UNSEEN]),
    )
    cells = cells.with_columns(area=pl.Series(cell))
    placed = placed.join(cells.select("subdivision", "block", "area"), on=["subdivision", "block"])
    areas = _described(placed, cells)
    counted = placed.filter(pl.col("is_counted") & (pl.col("area") >= 0))
    areas = areas.join(_expected(counted, scores), on="area", how="left")
    areas = _ranked(areas, scores, settings)
    doors = placed.filter(pl.col("is_door") & (pl.col("area") >= 0)).select("lot_id", "area")
    doors = doors.join(areas.select("area", "area_id"), on="area").select("lot_id", "area_id").sort("lot_id")
    return areas.select(contract.CANVASS_AREAS.names), doors


def _columns(scores: Scores | None) -> pl.DataFrame:
    if scores is None:
        return pl.DataFrame(schema={"lot_id": pl.String, "column": pl.Int64})
    return scores.lots.select("lot_id", "column")


def _described(placed: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Name and count areas; blocks that are held back are one row per subdivision, without numbers."""
    keys = ["area", "subdivision"]
    names = cells.group_by(keys).agg(blocks=pl.col("block").sort().str.join(", "), n_blocks=pl.len())
    counts = placed.group_by(keys).agg(
        pl.col("x_ft", "y_ft", "lon", "lat").mean(),
        n_lots=pl.len(),
        n_doors=pl.col("is_door").sum(),
        n_seen_about=pl.col("is_seen").sum() // STEP_SEEN * STEP_SEEN,
    )
    return names.join(counts, on=keys)


def _expected(counted: pl.DataFrame, scores: Scores | None) -> pl.DataFrame:
    """Expected failures among unseen lines of each area, with the range over the draws."""
    schema = {
        "area": pl.Int64,
        "expected_unseen": pl.Float64,
        "expected_unseen_lower": pl.Float64,
        "expected_unseen_upper": pl.Float64,
    }
    if scores is None or counted.is_empty():
        return pl.DataFrame(schema=schema)
    ordered = counted.sort("area", "lot_id")
    area = ordered["area"].to_numpy()
    first = np.flatnonzero(np.diff(area, prepend=-1))
    column = ordered["column"].to_numpy()
    # One draw at a time: a million lots in two hundred draws would be a gigabyte more.
    sums: FloatArray = np.stack([np.add.reduceat(row[column], first, dtype=np.float64) for row in scores.now])
    lower, upper = np.quantile(sums, [TAIL, 1 - TAIL], axis=0)
    point = sums.mean(axis=0)
    return pl.DataFrame(
        {
            "area": area[first],
            "expected_unseen": point,
            "expected_unseen_lower": np.minimum(lower, point),
            "expected_unseen_upper": np.maximum(upper, point),
        },
        schema=schema,
    )


def _ranked(areas: pl.DataFrame, scores: Scores | None, settings: Settings) -> pl.DataFrame:
    is_ok = (pl.col("area") >= 0) & pl.col("expected_unseen").is_not_null()
    per_door = [
        pl.when(is_ok).then(pl.col(f"expected_unseen{end}") / pl.col("n_doors")).alias(f"per_door{end}")
        for end in ("", "_lower", "_upper")
    ]
    held_back = f"Held back: fewer than {settings.min_area_inspections} lines seen, or fewer than {LEAST_UNSEEN} unseen with an estimate."
    several = pl.format("{} smaller blocks of {}", "n_blocks", "subdivision")
    return (
        areas.with_columns(
            *per_door,
            name=pl.when((pl.col("area") >= 0) & (pl.col("n_blocks") == 1)).then("blocks").otherwise(several),
            status=pl.when(is_ok)
            .then(pl.lit(contract.STATUS_OK))
            .otherwise(pl.lit(contract.STATUS_NOT_FITTED if scores is None else contract.STATUS_TOO_FEW)),
            sentence=pl.when(is_ok)
            .then(
                pl.lit(
                    "An estimate for the area, from lines like those in it; it says nothing about any one house."
                )
            )
            .otherwise(pl.lit("No estimate: the records do not carry one." if scores is None else held_back)),
        )
        .with_columns(
            # What is held back tells how many lots it is, and nothing else.
            pl.when(pl.col("status") == contract.STATUS_OK).then(pl.col(name)).alias(name)
            for name in (
                "n_doors",
                "n_seen_about",
                "expected_unseen",
                "expected_unseen_lower",
                "expected_unseen_upper",
            )
        )
        .sort("per_door", "subdivision", "blocks", descending=[True, False, False], nulls_last=True)
        .with_row_index("area_id", 1)
        .with_columns(
            rank=pl.when(pl.col("status") == contract.STATUS_OK).then(
                pl.col("per_door").rank("min", descending=True)
            )
        )
    )

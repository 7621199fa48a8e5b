"""Which piece of a pipe that crosses the property line had failed, as the footages of findings tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.looks import FloatArray, IntArray
from models.series import series_chances
from models.sides import Located, Scatter, scatter_of, split_by_looks
from pipeline.steps.connections_property_line import Crossing, Segments
from pipeline.steps.fit_design import life_looks, rounded
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.staging import COUNTER_SLIP_FT
from pipeline.vocabulary import FindingFamily, Outcome
from pipeline.warehouse import Warehouse

#: Segments whose looks are weighed at once: each run looks through all rows of the fit's design.
CALLED_AT_ONCE = 20_000
#: Families whose repair-grade findings make each outcome.
FAMILIES = {
    Outcome.ANY.value: (
        FindingFamily.STRUCTURAL.value,
        FindingFamily.ROOTS_JOINTS.value,
        FindingFamily.GRADE.value,
    )
}
#: Looks that found a segment bad and say where: so many tell how failures lie, and no more are needed.
LEAST_TO_TELL, MOST_TO_TELL = 100, 4_000


@dataclass(frozen=True, slots=True)
class Told:
    """Which piece of segments had failed, if the segment had.

    Attributes
    ----------
    split : ndarray of int, shape (n_segments,)
        Row of `of_failed` that tells of the segment; -1 where only its length does.
    of_failed : pair of ndarray of float32, shape (n_split, n_draws)
        Chance that the upper, and the lower, piece has failed.
    """

    split: IntArray
    of_failed: tuple[NDArray[Any], NDArray[Any]]


def how_failures_lie(
    fit: OutcomeFit, segments: Segments, looks: pl.DataFrame, stations: pl.DataFrame
) -> tuple[Scatter, int]:
    """How failures lie along segments, from the footages in those found bad and seen whole; and how many there are."""
    at = segments.lives.select("life", "life_id").with_columns(
        row=pl.int_range(pl.len()), length_ft=pl.Series(segments.to_ft - segments.from_ft)
    )
    told = (
        looks.filter("is_bad")
        .join(at, on="life")
        .join(stations, on=("life_id", "look_at"))
        .filter(pl.col("saw_all") & pl.col("low_ft").is_not_null() & (pl.col("length_ft") > 0))
        .sort("row", "look_at")
    )
    # Evenly over the town where there are more than are needed.
    told = told.gather_every(1 + told.height // MOST_TO_TELL)
    law = _law_at(fit, segments.lives[told["row"].to_numpy()], told["look_at"].to_numpy())
    span = ((told["high_ft"] - told["low_ft"]) / told["length_ft"]).clip(0.0, 1.0)
    return scatter_of(span.to_numpy(), law.mean(axis=1), least=LEAST_TO_TELL), told.height


def told_by_findings(
    fit: OutcomeFit,
    segments: Segments,
    looks: pl.DataFrame,
    stations: pl.DataFrame,
    crossing: Crossing,
    scatter: Scatter,
) -> Told:
    """For segments that cross the property line and were called bad: which piece it was."""
    split = np.full(len(segments.line), -1, dtype=np.int64)
    at = segments.lives.select("life", "life_id").with_row_index("segment")
    seen = looks.join(at, on="life").sort("segment", "look_at", "is_bad")
    called = seen.filter("is_bad")["segment"].unique().sort().to_numpy().astype(np.int64)
    crosses = [
        ((share > 0.0) & (share < 1.0)).any(axis=1)
        for share in (crossing.shares(segments, these) for these in _in_blocks(called))
    ]
    called = called[np.concatenate(crosses)] if crosses else called
    split[called] = np.arange(len(called))
    seen = seen.filter(pl.col("segment").is_in(called)).join(
        stations, on=("life_id", "look_at"), how="left", maintain_order="left"
    )
    upper, lower = (np.empty((len(called), len(fit.draws)), dtype=np.float32) for _ in range(2))
    number = seen["segment"].to_numpy()
    done = 0
    for these in _in_blocks(called):
        own = seen[np.searchsorted(number, these[0]) : np.searchsorted(number, these[-1], side="right")]
        rows = slice(done, done + len(these))
        upper[rows], lower[rows] = _split_pieces(fit, segments, these, own, crossing, scatter)
        done += len(these)
    return Told(split, (upper, lower))


def _in_blocks(segments: IntArray) -> list[IntArray]:
    return [segments[a : a + CALLED_AT_ONCE] for a in range(0, len(segments), CALLED_AT_ONCE)]


def _split_pieces(
    fit: OutcomeFit,
    segments: Segments,
    called: IntArray,
    seen: pl.DataFrame,
    crossing: Crossing,
    scatter: Scatter,
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Which piece it was, of some segments in order and the looks at them, with their footages."""
    located = Located(
        first_look=np.searchsorted(seen["segment"].to_numpy(), np.append(called, np.iinfo(np.int64).max)),
        is_bad=seen["is_bad"].to_numpy().astype(bool),
        low_ft=seen["low_ft"].fill_null(float("nan")).to_numpy(),
        high_ft=seen["high_ft"].fill_null(float("nan")).to_numpy(),
        saw_all=seen["saw_all"].fill_null(value=False).to_numpy().astype(bool),
        sensitivity=np.full(seen.height, fit.fitted.detection.sensitivity),
    )
    # Each segment at each of its looks, then now.
    times = pl.concat(
        [
            seen.select("segment", "look_at"),
            pl.DataFrame({"segment": called, "look_at": np.zeros(len(called))}, schema_overrides={"segment": pl.UInt32}),
        ]
    ).sort("segment", "look_at", maintain_order=True)  # fmt: skip
    return split_by_looks(
        _law_at(fit, segments.lives[times["segment"].to_numpy()], times["look_at"].to_numpy()),
        crossing.shares(segments, called),
        crossing.feet(segments.line[called]),
        located,
        scatter=scatter,
        specificity=fit.fitted.detection.specificity,
        slip_ft=COUNTER_SLIP_FT,
    )


def bad_stations(warehouse: Warehouse, exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Where bad findings lay, and whether the look judged the whole segment, by `life_id` and `look_at`."""
    places = warehouse.frame(
        "SELECT inspection_id, life_id, family, low_ft, high_ft FROM exposure.bad_stations"
    )
    own = places.filter(pl.col("family").is_in(FAMILIES.get(outcome, (outcome,))))
    found = own.group_by("inspection_id", "life_id").agg(pl.col("low_ft").min(), pl.col("high_ft").max())
    judged = exposure.looks.select(
        "inspection_id",
        "life_id",
        "look_at",
        saw_all=pl.col("structural").is_not_null() & pl.col("roots_joints").is_not_null(),
    )
    return (
        judged.join(found, on=("inspection_id", "life_id"), how="left")
        .group_by("life_id", "look_at")
        .agg(pl.col("low_ft").min(), pl.col("high_ft").max(), pl.col("saw_all").all())
    )


def _law_at(fit: OutcomeFit, lives: pl.DataFrame, at: FloatArray) -> NDArray[Any]:
    """Survival of each pipe at a time, as if nobody had looked, shape (len(at), n_draws)."""
    return 1.0 - without_verdicts(fit, lives, None, rounded(at))


def without_verdicts(
    fit: OutcomeFit, lives: pl.DataFrame, looks: pl.DataFrame | None, now: FloatArray | float
) -> NDArray[Any]:
    """Chance of each life, each a line of its own, to have failed by `now`, shape (n_lives, n_draws)."""
    alone = lives.drop("life").with_row_index("life")
    if looks is None:
        looks = pl.DataFrame(schema={"life": pl.UInt32, "look_at": pl.Float64, "is_bad": pl.Boolean})
    if alone.is_empty():
        return np.empty((0, len(fit.draws)), dtype=np.float32)
    chances = series_chances(
        fit.fitted,
        fit.design.X,
        fit.design.Z,
        life_looks(
            fit.design, alone, looks.with_columns(sensitivity=pl.lit(fit.fitted.detection.sensitivity))
        ),
        np.arange(alone.height),
        W=fit.design.W,
        group=fit.design.group if fit.design.areas else None,
        now=now,
        horizon=0.0,
        draws=fit.draws,
        keep_draws=True,
    )
    return chances.line_draws_now.T

"""Upper and lower laterals: the chances of the two sides of each line, by draw."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.compiled import n_threads
from models.looks import BoolArray, FloatArray, IntArray
from models.money import pert_quantile
from models.series import series_chances
from models.sides import (
    ALL_SCATTERED,
    Located,
    Scatter,
    Sides,
    scatter_of,
    side_chances,
    split_by_looks,
    under_a_verdict,
    upper_shares,
)
from pipeline.steps.connections_property_line import extents
from pipeline.steps.connections_rules import Consequences
from pipeline.steps.fit_design import life_looks, rounded
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import Scores, has_company, lines_to_score
from pipeline.steps.staging import COUNTER_SLIP_FT
from pipeline.vocabulary import FindingFamily, LateralPart, Outcome
from pipeline.warehouse import Warehouse

#: Lines whose draws are worked at once.
LINES_AT_ONCE = 5_000
#: Segments whose looks are weighed at once: each run looks through all rows of the fit's design.
CALLED_AT_ONCE = 40_000
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
class _Segments:
    """Segments of the ranked lines, from the building on, line by line."""

    lives: pl.DataFrame
    first: IntArray
    line: IntArray
    from_ft: FloatArray
    to_ft: FloatArray
    #: Column of the line's draws, and of the segment's own; -1 where it is alone in its line.
    column: IntArray
    member: IntArray

    @property
    def n_lines(self) -> int:
        return len(self.first) - 1


@dataclass(frozen=True, slots=True)
class DrawnPart:
    """Chances of one part of the ranked lines.

    Attributes
    ----------
    n_draws : int
    of : callable
        Takes a run of draws and returns their chances, shape (draws of the run, n_lines).
    """

    n_draws: int
    of: Callable[[slice], NDArray[Any]]


@dataclass(frozen=True, slots=True)
class PartDraws:
    """Chances of parts of the ranked lines, by draw.

    Attributes
    ----------
    upper, lower : ndarray of float32, shape (n_lines, n_draws)
        Of the two sides of the property line.
    scores : Scores
        With the draws of whole lines and of segments.
    segments : _Segments
        Segments of the lines.
    column : ndarray of int, shape (n_lines,)
        Columns of the lines in the scores.
    scatter : Scatter
        How failures lie along segments.
    n_located : int
        Looks whose footages say so.
    """

    upper: NDArray[Any]
    lower: NDArray[Any]
    scores: Scores
    segments: _Segments
    column: IntArray
    scatter: Scatter
    n_located: int

    def of(self, part: str) -> DrawnPart:
        """Chances of a part by runs of draws, made when asked for: of a million lines all draws are a gigabyte."""

        def drawn(run: slice) -> NDArray[Any]:
            match part:
                case LateralPart.WHOLE.value:
                    return self.scores.now[run, self.column]
                case LateralPart.TIE_IN.value:
                    last = self.segments.first[1:] - 1
                    return 1.0 - _sound(self.scores, self.segments, last, run).T
                case LateralPart.UPPER.value:
                    return self.upper[:, run].T
                case _:
                    return self.lower[:, run].T

        return DrawnPart(len(self.scores.now), drawn)

    def assumption(self) -> dict[str, str]:
        """How failures lie along segments, as a row of the published assumptions."""
        name = "failures of a segment that crosses the property line"
        if self.scatter is ALL_SCATTERED:
            value = f"lie scattered along it: too few looks ({self.n_located:,}) have footages to tell"
            return {"name": name, "value": value, "source": "judgement"}
        low, high = self.scatter.share.min(), self.scatter.share.max()
        shares = f"{low:.0%}" if low == high else f"{low:.0%} to {high:.0%}"
        value = f"lie scattered in {shares} of segments, by how much has failed, at one spot in the others"
        return {"name": name, "value": value, "source": f"footages of {self.n_located:,} looks on record"}


def part_draws(
    warehouse: Warehouse,
    fit: OutcomeFit,
    exposure: Exposure,
    scores: Scores,
    ranked: pl.DataFrame,
    rules: Consequences,
    rng: np.random.Generator,
) -> PartDraws:
    """Split each ranked line at its property line, draw by draw.

    Parameters
    ----------
    warehouse : Warehouse
        With `exposure.bad_stations`: footages of repair-grade findings.
    fit : OutcomeFit
        Behind the scores.
    exposure : Exposure
        As given to `score_lines`.
    scores : Scores
        With the draws of segments.
    ranked : DataFrame
        Lines by `lot_id`, rising, with `column` of the scores and what `property_lines` adds.
    rules : Consequences
        Lengths of lower laterals, as ranges; all lines share one quantile per draw, since what is not known is
        how streets were laid out.
    rng : numpy.random.Generator
        For those quantiles.

    Returns
    -------
    PartDraws
    """
    lives, looks, verdicts, _ = lines_to_score(exposure, fit.outcome)
    segments = _segments(lives, ranked)
    n_draws = len(scores.now)
    quantile = (rng.permutation(n_draws) + 0.5) / n_draws
    assumed = np.stack(
        [pert_quantile(r.length_ft.low, r.length_ft.likely, r.length_ft.high, quantile) for r in rules.lower_laterals]
    )  # fmt: skip
    place = _Place(
        ranked["known_property_ft"].fill_null(float("nan")).to_numpy(),
        ranked["line_ft"].to_numpy(),
        assumed,
        ranked["lower_row"].to_numpy(),
    )
    stations = _stations(warehouse, exposure, fit.outcome)
    scatter, n_located = _scatter(fit, segments, looks, stations)
    split, of_failed = _told_by_findings(fit, segments, looks, stations, place, scatter)
    n = segments.n_lines
    upper, lower = (np.empty((n, n_draws), dtype=np.float32) for _ in range(2))
    column = ranked["column"].to_numpy()
    made = PartDraws(upper, lower, scores, segments, column, scatter, n_located)

    def work(a: int) -> None:
        b = min(a + LINES_AT_ONCE, n)
        these = np.arange(segments.first[a], segments.first[b])
        sound = _sound(scores, segments, these)
        sides = side_chances(
            sound,
            segments.first[a : b + 1] - segments.first[a],
            place.shares(segments, these),
            scatter=scatter,
            split=split[these],
            of_failed=of_failed,
        )
        # Verdicts on a whole line tie its segments, so that their product may pass the line's own chance a little.
        whole = scores.now[:, column[a:b]].T
        upper[a:b] = np.minimum(sides.upper, whole)
        lower[a:b] = np.minimum(sides.lower, whole)

    with ThreadPoolExecutor(n_threads()) as threads:
        # Taken one by one, so that what goes wrong in a block is raised.
        for _ in threads.map(work, range(0, n, LINES_AT_ONCE)):
            pass
    _spread_verdicts(made, fit, segments, looks, verdicts, place, split, of_failed)
    return made


def _segments(lives: pl.DataFrame, ranked: pl.DataFrame) -> _Segments:
    company = has_company(lives)
    numbered = lives.with_columns(member=pl.Series(np.where(company, np.cumsum(company) - 1, -1)))
    own = numbered.join(
        ranked.select("lot_id", "column").with_row_index("ranked_line"),
        on="lot_id",
        maintain_order="left",
    )
    line = own["ranked_line"].to_numpy().astype(np.int64)
    from_ft, to_ft = extents(own, ranked)
    return _Segments(
        lives=own,
        first=np.searchsorted(line, np.arange(ranked.height + 1)).astype(np.int64),
        line=line,
        from_ft=from_ft,
        to_ft=to_ft,
        column=own["column"].to_numpy().astype(np.int64),
        member=own["member"].to_numpy().astype(np.int64),
    )


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the property line is, by draw."""

    known_ft: FloatArray
    line_ft: FloatArray
    assumed_lower_ft: FloatArray
    lower_row: IntArray

    def feet(self, line: IntArray) -> FloatArray:
        """Footage from the building, shape (len(line), n_draws)."""
        known = self.known_ft[line][:, None]
        assumed = np.maximum(self.line_ft[line][:, None] - self.assumed_lower_ft[self.lower_row[line]], 0.0)
        return np.where(np.isnan(known), assumed, known)

    def shares(self, segments: _Segments, these: IntArray) -> NDArray[Any]:
        """Share of each segment before the property line, shape (len(these), n_draws)."""
        return upper_shares(
            segments.from_ft[these][:, None], segments.to_ft[these][:, None], self.feet(segments.line[these])
        ).astype(np.float32)


def _sound(scores: Scores, segments: _Segments, these: IntArray, run: slice = slice(None)) -> NDArray[Any]:
    """Chance of segments to be sound in a run of draws, shape (len(these), n_draws)."""
    is_member = segments.member[these] >= 0
    now = scores.now[run]
    sound = np.empty((len(these), len(now)), dtype=np.float32)
    sound[is_member] = 1.0 - scores.members[run, segments.member[these[is_member]]].T
    sound[~is_member] = 1.0 - now[:, segments.column[these[~is_member]]].T
    return sound


# -- what findings tell --------------------------------------------------------------------------------------


def _scatter(
    fit: OutcomeFit, segments: _Segments, looks: pl.DataFrame, stations: pl.DataFrame
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


def _told_by_findings(
    fit: OutcomeFit,
    segments: _Segments,
    looks: pl.DataFrame,
    stations: pl.DataFrame,
    place: _Place,
    scatter: Scatter,
) -> tuple[IntArray, tuple[NDArray[Any], NDArray[Any]]]:
    """For segments that cross the property line and were called bad: which piece it was."""
    split = np.full(len(segments.line), -1, dtype=np.int64)
    at = segments.lives.select("life", "life_id").with_row_index("segment")
    seen = looks.join(at, on="life").sort("segment", "look_at", "is_bad")
    called = seen.filter("is_bad")["segment"].unique().sort().to_numpy().astype(np.int64)
    crosses = [
        ((share > 0.0) & (share < 1.0)).any(axis=1)
        for share in (place.shares(segments, these) for these in _in_blocks(called))
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
        upper[rows], lower[rows] = _split_pieces(fit, segments, these, own, place, scatter)
        done += len(these)
    return split, (upper, lower)


def _in_blocks(segments: IntArray) -> list[IntArray]:
    return [segments[a : a + CALLED_AT_ONCE] for a in range(0, len(segments), CALLED_AT_ONCE)]


def _split_pieces(
    fit: OutcomeFit,
    segments: _Segments,
    called: IntArray,
    seen: pl.DataFrame,
    place: _Place,
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
        place.shares(segments, called),
        place.feet(segments.line[called]),
        located,
        scatter=scatter,
        specificity=fit.fitted.detection.specificity,
        slip_ft=COUNTER_SLIP_FT,
    )


def _stations(warehouse: Warehouse, exposure: Exposure, outcome: str) -> pl.DataFrame:
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
    return 1.0 - _without_verdicts(fit, lives, None, rounded(at))


def _without_verdicts(
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


def _spread_verdicts(
    made: PartDraws,
    fit: OutcomeFit,
    segments: _Segments,
    looks: pl.DataFrame,
    verdicts: pl.DataFrame,
    place: _Place,
    split: IntArray,
    of_failed: tuple[NDArray[Any], NDArray[Any]],
) -> None:
    """Lines of which a camera only said that something in them was bad: share that out between their sides."""
    bad = verdicts.filter("is_bad").select("life").unique()
    is_under: BoolArray = segments.lives["life"].is_in(bad["life"].implode()).to_numpy()
    line = np.unique(segments.line[is_under])
    if len(line) == 0:
        return
    of_line = np.flatnonzero(np.isin(segments.line, line))
    lives = segments.lives[of_line].with_row_index("place")
    own = looks.join(lives.select("life", "place"), on="life").drop("life").rename({"place": "life"})
    sound = 1.0 - _without_verdicts(fit, lives.drop("place"), own, 0.0)
    first = np.append(np.searchsorted(segments.line[of_line], line), len(of_line)).astype(np.int64)
    sides = side_chances(
        sound,
        first,
        place.shares(segments, of_line),
        scatter=made.scatter,
        split=split[of_line],
        of_failed=of_failed,
    )
    spread: Sides = under_a_verdict(sides, sound, first, made.scores.now[:, made.column[line]].T)
    made.upper[line], made.lower[line] = spread.upper, spread.lower

"""Upper and lower laterals: the chances of the two sides of each line, by draw."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.compiled import n_threads
from models.looks import BoolArray, IntArray
from models.money import pert_quantile
from models.sides import ALL_SCATTERED, Scatter, Sides, side_chances, under_a_verdict
from pipeline.steps.connections_findings import (
    Told,
    bad_stations,
    how_failures_lie,
    told_by_findings,
    without_verdicts,
)
from pipeline.steps.connections_property_line import LINES_AT_ONCE, Crossing, Segments, segments_of
from pipeline.steps.connections_rules import Consequences
from pipeline.steps.fit_candidates import ROW_KEYS
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import Scores, has_company, lines_to_score
from pipeline.vocabulary import LateralPart
from pipeline.warehouse import Warehouse

#: All that is asked of lives here: of a large town every column less is tens of megabytes.
LIFE_COLUMNS = (
    *("life_id", "lot_id", "sequence", "ended_year", "repaired_year", "now", "length_ft"),
    *("install_from", "install_to", "latest", "house_share"),
    *ROW_KEYS,
)


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
    """Chances of parts of the ranked lines, by draw, made when a part is asked for.

    Attributes
    ----------
    scores : Scores
        With the draws of whole lines and of segments.
    column : ndarray of int, shape (n_lines,)
        Columns of the lines in the scores.
    segments : Segments
        Segments of the lines.
    crossing : Crossing
        Where each line crosses the property line.
    scatter : Scatter
        How failures lie along segments.
    n_located : int
        Looks whose footages say so.
    told : Told
        Which piece of a segment had failed, where a look says so.
    under_verdict : tuple of ndarray of int and Sides
        Lines of which a camera only said that something in them was bad, and their sides.
    """

    scores: Scores
    column: IntArray
    segments: Segments
    crossing: Crossing
    scatter: Scatter
    n_located: int
    told: Told
    under_verdict: tuple[IntArray, Sides]

    def of(self, part: str) -> DrawnPart:
        """Chances of a part by runs of draws. A side is worked out for it: of a million lines it takes 0.8 GB."""
        n_draws = len(self.scores.now)
        match part:
            case LateralPart.WHOLE.value:
                return DrawnPart(n_draws, lambda run: self.scores.now[run, self.column])
            case LateralPart.TIE_IN.value:
                last = self.segments.first[1:] - 1
                return DrawnPart(n_draws, lambda run: 1.0 - _sound(self.scores, self.segments, last, run).T)
            case _:
                drawn = self._side("upper" if part == LateralPart.UPPER.value else "lower")
                return DrawnPart(n_draws, lambda run: drawn[:, run].T)

    def _side(self, side: str) -> NDArray[Any]:
        """Chance by draw that a side of each line has failed, shape (n_lines, n_draws)."""
        segments, n = self.segments, self.segments.n_lines
        drawn = np.empty((n, len(self.scores.now)), dtype=np.float32)

        def work(a: int) -> None:
            b = min(a + LINES_AT_ONCE, n)
            these = np.arange(segments.first[a], segments.first[b])
            sides = side_chances(
                _sound(self.scores, segments, these),
                segments.first[a : b + 1] - segments.first[a],
                self.crossing.shares(segments, these),
                scatter=self.scatter,
                split=self.told.split[these],
                of_failed=self.told.of_failed,
            )
            # Verdicts on a whole line tie its segments, so that their product may pass the line's own chance a little.
            drawn[a:b] = np.minimum(getattr(sides, side), self.scores.now[:, self.column[a:b]].T)

        with ThreadPoolExecutor(n_threads()) as threads:
            # Taken one by one, so that what goes wrong in a block is raised.
            for _ in threads.map(work, range(0, n, LINES_AT_ONCE)):
                pass
        line, spread = self.under_verdict
        drawn[line] = getattr(spread, side)
        return drawn

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
    """Find out how to split each ranked line at its property line, draw by draw.

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
    segments, looks, verdicts = _records(exposure, fit.outcome, ranked)
    n_draws = len(scores.now)
    quantile = (rng.permutation(n_draws) + 0.5) / n_draws
    assumed = np.stack(
        [pert_quantile(r.length_ft.low, r.length_ft.likely, r.length_ft.high, quantile) for r in rules.lower_laterals]
    )  # fmt: skip
    crossing = Crossing(
        ranked["known_property_ft"].fill_null(float("nan")).to_numpy(),
        ranked["line_ft"].to_numpy(),
        assumed,
        ranked["lower_row"].to_numpy(),
    )
    stations = bad_stations(warehouse, exposure, fit.outcome)
    scatter, n_located = how_failures_lie(fit, segments, looks, stations)
    told = told_by_findings(fit, segments, looks, stations, crossing, scatter)
    column = ranked["column"].to_numpy()
    spread = _spread_verdicts(fit, scores, column, segments, looks, verdicts, crossing, scatter, told)
    return PartDraws(scores, column, segments, crossing, scatter, n_located, told, spread)


def _records(
    exposure: Exposure, outcome: str, ranked: pl.DataFrame
) -> tuple[Segments, pl.DataFrame, pl.DataFrame]:
    """Segments of the ranked lines, looks at them, and verdicts on whole lines."""
    needed = replace(exposure, lives=exposure.lives.select(LIFE_COLUMNS))
    lives, looks, verdicts, _ = lines_to_score(needed, outcome)
    return segments_of(lives, has_company(lives), ranked), looks, verdicts


def _sound(scores: Scores, segments: Segments, these: IntArray, run: slice = slice(None)) -> NDArray[Any]:
    """Chance of segments to be sound in a run of draws, shape (len(these), n_draws)."""
    is_member = segments.member[these] >= 0
    now = scores.now[run]
    sound = np.empty((len(these), len(now)), dtype=np.float32)
    sound[is_member] = 1.0 - scores.members[run, segments.member[these[is_member]]].T
    sound[~is_member] = 1.0 - now[:, segments.column[these[~is_member]]].T
    return sound


def _spread_verdicts(
    fit: OutcomeFit,
    scores: Scores,
    column: IntArray,
    segments: Segments,
    looks: pl.DataFrame,
    verdicts: pl.DataFrame,
    crossing: Crossing,
    scatter: Scatter,
    told: Told,
) -> tuple[IntArray, Sides]:
    """Lines of which a camera only said that something in them was bad: share that out between their sides."""
    bad = verdicts.filter("is_bad").select("life").unique()
    is_under: BoolArray = segments.lives["life"].is_in(bad["life"].implode()).to_numpy()
    line = np.unique(segments.line[is_under])
    of_line = np.flatnonzero(np.isin(segments.line, line))
    lives = segments.lives[of_line].with_row_index("place")
    own = looks.join(lives.select("life", "place"), on="life").drop("life").rename({"place": "life"})
    sound = 1.0 - without_verdicts(fit, lives.drop("place"), own, 0.0)
    first = np.append(np.searchsorted(segments.line[of_line], line), len(of_line)).astype(np.int64)
    sides = side_chances(
        sound,
        first,
        crossing.shares(segments, of_line),
        scatter=scatter,
        split=told.split[of_line],
        of_failed=told.of_failed,
    )
    return line, under_a_verdict(sides, sound, first, scores.now[:, column[line]].T)

"""Blocks and subdivisions: what was seen against what their pipes lead to expect, and their scores."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.area_hazards import CallBounds
from models.atoms import Predictors
from models.counts import count_range, count_ranges, mixed_count_pmf
from models.looks import FloatArray, IntArray
from models.patterns import kinds_of_rows
from pipeline.published import contract
from pipeline.settings import Settings
from pipeline.steps.fit_candidates import ROW_KEYS, candidates
from pipeline.steps.fit_input import ENDED, Exposure, outcome_line_looks, outcome_looks
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import SCORE_LEVEL, Scores
from pipeline.steps.look_beliefs import believed_looks

THRESHOLD_PROBABILITY = 0.5
#: Draws used for the distribution of a subdivision's count; the whole number of them adds no digit.
COUNT_DRAWS = 50
#: Up to so many lots the chance of at least k is told for every k.
MOST_TOLD = 200
#: Chances below this, and above one minus it, need no finer telling.
NEXT_TO_NOTHING = 0.001
#: Age at which pipe has failed only if it was bad from the start [years].
JUST_LAID = 1e-9
#: Nodes and weights that average over the install range (three-point Gauss-Legendre on 0 to 1).
NODES = np.polynomial.legendre.leggauss(3)[0] / 2 + 0.5
NODE_WEIGHTS = np.polynomial.legendre.leggauss(3)[1] / 2


def newest_looks(fit: OutcomeFit, exposure: Exposure) -> pl.DataFrame:
    """Say for each lot what its newest unselected look showed, and what was to be expected.

    Returns
    -------
    DataFrame
        `lot_id, is_bad, expected`: whether a repair-grade finding was called on any part of the line, or an
        earlier pipe had failed by then; and the chance of that at these ages from material, era, depth, soil
        and tree alone.
    """
    parts = expected_parts(fit, exposure, chosen_looks(fit, exposure))
    return parts.lots.with_columns(expected=pl.Series(parts.expected(None), dtype=pl.Float64))


def chosen_looks(fit: OutcomeFit, exposure: Exposure, *, with_selected: bool = False) -> pl.DataFrame:
    """Return the looks at each lot's newest unselected inspection, and those at pipe that ended before.

    Parameters
    ----------
    fit : OutcomeFit
    exposure : Exposure
    with_selected : bool
        Take the newest inspection whatever it was made for.

    Returns
    -------
    DataFrame
        `lot_id, inspection_id, life_id, look_at, is_bad, basis, is_line`, sorted by lot, life and inspection.
    """
    looks, lines = fit.looks, outcome_line_looks(exposure, fit.outcome)
    if with_selected:
        # All count as unselected for once.
        alike = replace(
            exposure,
            looks=exposure.looks.with_columns(is_selected=pl.lit(False)),
            line_looks=exposure.line_looks.with_columns(is_selected=pl.lit(False)),
        )
        looks, lines = outcome_looks(alike, fit.outcome), outcome_line_looks(alike, fit.outcome)
    columns = ["lot_id", "inspection_id", "life_id", "look_at", "is_bad", "basis"]
    own = looks.select(columns).with_columns(is_line=pl.lit(False))
    whole = lines.with_columns(basis=pl.lit("overall")).select(columns).with_columns(is_line=pl.lit(True))
    every = pl.concat([own, whole])
    newest = (
        every.filter(pl.col("basis") != ENDED)
        .sort("lot_id", "look_at", "inspection_id", descending=[False, True, True])
        .unique("lot_id", keep="first", maintain_order=True)
        .select("lot_id", newest="inspection_id")
    )
    ended = every.filter(pl.col("basis") == ENDED).unique("life_id", keep="any")
    return pl.concat(
        [
            every.filter(pl.col("basis") != ENDED)
            .join(newest, on="lot_id")
            .filter(pl.col("inspection_id") == pl.col("newest"))
            .drop("newest"),
            ended,
        ]
    ).sort("lot_id", "life_id", "inspection_id")


@dataclass(frozen=True, slots=True)
class ExpectedParts:
    """What the chance that a lot's look is bad is made of.

    Attributes
    ----------
    lots : DataFrame
        `lot_id, is_bad`, one row per lot in order.
    """

    lots: pl.DataFrame
    _fit: OutcomeFit
    _possible: _Possible
    _n_looks: int
    _order: IntArray
    _counts: FloatArray
    _gain: FloatArray
    _call_start: IntArray
    _lot_start: IntArray

    def expected(self, draw: FloatArray | None) -> FloatArray:
        """Chance by lot, for one parameter draw or (None) the mode."""
        return self._bad(_failure_probability(self._fit, self._possible, self._n_looks, draw))

    def bounds(self) -> CallBounds:
        """Chance by lot were nothing to fail with age, and were all to fail at once."""
        laid = _failure_probability(self._fit, self._possible, self._n_looks, None, age=JUST_LAID)
        return CallBounds(lowest=self._bad(laid), highest=self._bad(np.ones(self._n_looks)))

    def _bad(self, failed: FloatArray) -> FloatArray:
        if not self._n_looks:
            return np.empty(0)
        false_alarm = 1 - self._fit.fitted.detection.specificity
        in_order = failed[self._order] * self._counts
        says = np.maximum.reduceat(self._counts, self._call_start)
        called = says * (
            false_alarm + self._gain * (1 - np.multiply.reduceat(1 - in_order, self._call_start))
        )
        chance: FloatArray = 1 - np.multiply.reduceat(1 - called, self._lot_start)
        return chance


def expected_parts(fit: OutcomeFit, exposure: Exposure, chosen: pl.DataFrame) -> ExpectedParts:
    """Prepare the chances of `chosen_looks`, so that many parameter draws share the work."""
    # A camera that is asked for the whole line looks at each of its pipes, and may overlook each by itself.
    ordered = (
        believed_looks(fit, exposure, chosen)
        .with_row_index("look")
        .sort("lot_id", "inspection_id", "life_id", "look")
    )
    call = ordered.select(pl.struct("lot_id", "inspection_id", "life_id").rle_id()).to_series().to_numpy()
    call_start = np.flatnonzero(np.diff(call, prepend=-1))
    lot = ordered.select(pl.col("lot_id").rle_id()).to_series().to_numpy()[call_start]
    lots = ordered.group_by("lot_id", maintain_order=True).agg(pl.col("is_bad").any())
    return ExpectedParts(
        lots=lots,
        _fit=fit,
        _possible=_possible_lives(fit, exposure, chosen),
        _n_looks=chosen.height,
        _order=ordered["look"].to_numpy().astype(np.int64),
        _counts=ordered["counts"].cast(pl.Float64).to_numpy(),
        _gain=ordered["sensitivity"].to_numpy()[call_start] + fit.fitted.detection.specificity - 1,
        _call_start=call_start,
        _lot_start=np.flatnonzero(np.diff(lot.astype(np.int64), prepend=-1)),
    )


@dataclass(frozen=True, slots=True)
class _Possible:
    """What the pipe of each chosen look may be: entries of one age each, and the covariates that they share.

    Attributes
    ----------
    look, kind : ndarray of int, shape (n_entries,)
        Look of each entry, and its row of the covariates.
    age, weight : ndarray, shape (n_entries,)
        Age at the look [years], and the chance of the entry; weights of a look add up to 1.
    X, Z, W : ndarray, shape (n_kinds, …)
        Distinct rows of the design.
    """

    look: IntArray
    kind: IntArray
    age: FloatArray
    weight: FloatArray
    X: FloatArray
    Z: FloatArray
    W: FloatArray | None


def _possible_lives(fit: OutcomeFit, exposure: Exposure, chosen: pl.DataFrame) -> _Possible:
    """What the pipe of each chosen look may be, averaged over the install range and over the material."""
    lives = exposure.lives.drop("lot_id")
    numbered = chosen.select("life_id", "look_at").with_row_index("life").join(lives, on="life_id")
    possible = candidates(numbered, fit.design.shares).join(
        fit.design.rows, on=list(ROW_KEYS), nulls_equal=True
    )
    possible = possible.join(numbered.select("life", "look_at"), on="life").sort(
        "life", "row", "install_from"
    )
    youngest = (possible["look_at"] - possible["install_to"]).to_numpy()
    width = (possible["install_to"] - possible["install_from"]).to_numpy()
    # A range without width has one age.
    n_nodes = np.where(width > 0, len(NODES), 1)
    entry = np.repeat(np.arange(possible.height), n_nodes)
    node = np.arange(len(entry)) - np.repeat(np.cumsum(n_nodes) - n_nodes, n_nodes)
    share = np.where(n_nodes[entry] > 1, NODE_WEIGHTS[node], 1.0)
    rows, row_of_entry = np.unique(possible["row"].to_numpy(), return_inverse=True)
    X, Z, W = fit.design.X[rows], fit.design.Z[rows], fit.design.start_of(rows)
    first, kind = kinds_of_rows([part for part in (X, Z, W) if part is not None])
    return _Possible(
        look=possible["life"].to_numpy().astype(np.int64)[entry],
        kind=kind[row_of_entry][entry],
        age=np.maximum(youngest[entry] + NODES[node] * width[entry], 0.0),
        weight=share * possible["probability"].to_numpy()[entry],
        X=X[first],
        Z=Z[first],
        W=None if W is None else W[first],
    )


def _failure_probability(
    fit: OutcomeFit,
    possible: _Possible,
    n_looks: int,
    draw: FloatArray | None,
    *,
    age: float | None = None,
) -> FloatArray:
    """F at each chosen look, averaged over what its pipe may be; or at one age."""
    at = fit.fitted.predictors(possible.X, possible.Z, possible.W, fit.fitted.mode if draw is None else draw)
    kind = possible.kind
    of_entry = Predictors(
        at.log_hazard[kind], at.log_shape[kind], None if at.start is None else at.start[kind]
    )
    chance = possible.weight * fit.fitted.chance_at(possible.age if age is None else age, of_entry)
    summed: FloatArray = np.bincount(possible.look, weights=chance, minlength=n_looks).astype(float)
    return summed


def observed_and_expected(
    area: str, lots: pl.DataFrame, newest: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Count what was seen and what was to be expected in each area.

    Parameters
    ----------
    area : str
        'block' or 'subdivision'.
    lots : DataFrame
        `lot_id` and the area's column.
    newest : DataFrame
        From `newest_looks`.
    settings : Settings
        Least numbers of inspections and of findings.

    Returns
    -------
    DataFrame
        The area's column and the observed and expected columns of the contract.
    """
    named = lots.filter(pl.col(area).is_not_null()).select("lot_id", area)
    areas = named.group_by(area).agg(n_lots=pl.len()).sort(area).with_row_index("number")
    seen = (
        named.join(newest, on="lot_id").join(areas.select(area, "number"), on=area).sort("number", "lot_id")
    )
    lower, upper = count_ranges(
        seen["expected"].to_numpy(), seen["number"].to_numpy().astype(np.int64), areas.height, SCORE_LEVEL
    )
    sums = seen.group_by("number").agg(
        n_inspected=pl.len(), n_observed=pl.col("is_bad").sum(), expected=pl.col("expected").sum()
    )
    counted = areas.join(sums, on="number", how="left", maintain_order="left").with_columns(
        pl.col("n_inspected", "n_observed").fill_null(0),
        pl.col("expected").fill_null(0.0),
        expected_lower=pl.Series(lower),
        expected_upper=pl.Series(upper),
    )
    n_inspected, n_observed = pl.col("n_inspected"), pl.col("n_observed")
    few = (n_inspected < settings.min_area_inspections) | (n_observed < settings.min_area_events)
    counted_words = pl.format(
        "{} of {} lots inspected, {} with a repair-grade finding", n_inspected, "n_lots", n_observed
    )
    return counted.with_columns(
        coverage_share=n_inspected / pl.col("n_lots"),
        observed_share=pl.when(n_inspected > 0).then(n_observed / n_inspected),
        ratio=pl.when(pl.col("expected") > 0).then(n_observed / pl.col("expected")),
        status=pl.when(few).then(pl.lit(contract.STATUS_TOO_FEW)).otherwise(pl.lit(contract.STATUS_OK)),
        sentence=pl.when(few)
        .then(
            pl.format(
                "Too few records: {}; a comparison needs {} inspections and {} findings.",
                counted_words,
                pl.lit(settings.min_area_inspections),
                pl.lit(settings.min_area_events),
            )
        )
        .otherwise(
            pl.format(
                "{}; material, age and depth lead to expect {} (chance alone: {} to {}).",
                counted_words,
                pl.col("expected").round(1),
                pl.col("expected_lower").cast(pl.Int64),
                pl.col("expected_upper").cast(pl.Int64),
            )
        ),
    ).drop("number")


def subdivision_scores(scores: Scores | None, lots: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Count the lots of each subdivision that may have a finding now.

    Parameters
    ----------
    scores : Scores or None
        With every lot that can be scored; None where there are no scores.
    lots : DataFrame
        `lot_id, subdivision`.

    Returns
    -------
    tuple of DataFrame
        One row for each subdivision with its expected number and share above the threshold; and the
        published `subdivision_counts`.
    """
    if scores is None:
        return pl.DataFrame(schema=_SUMMARY_SCHEMA), pl.DataFrame(schema=_TAIL_SCHEMA)
    placed = (
        lots.filter(pl.col("subdivision").is_not_null())
        .select("lot_id", "subdivision")
        .join(scores.lots.select("lot_id", "column"), on="lot_id")
        .sort("subdivision", "lot_id")
    )
    step = max(len(scores.now) // COUNT_DRAWS, 1)
    summaries: list[dict[str, object]] = []
    tails = [pl.DataFrame(schema=_TAIL_SCHEMA)]
    for (name,), members in placed.group_by("subdivision", maintain_order=True):
        columns = members["column"].to_numpy()
        drawn = scores.now[::step, columns].astype(float)
        pmf = mixed_count_pmf(drawn)
        lower, upper = count_range(pmf, SCORE_LEVEL)
        chance = scores.now[:, columns].mean(axis=0)
        summaries.append(
            {
                "subdivision": name,
                "n_scored": len(columns),
                "expected_failed_now": float(chance.sum()),
                "expected_failed_now_lower": float(lower),
                "expected_failed_now_upper": float(upper),
                "threshold_probability": THRESHOLD_PROBABILITY,
                "above_threshold_share": float((chance > THRESHOLD_PROBABILITY).mean()),
            }
        )
        tails.append(_tail(str(name), pmf))
    return pl.DataFrame(summaries, schema=_SUMMARY_SCHEMA), pl.concat(tails)


def _tail(name: str, pmf: FloatArray) -> pl.DataFrame:
    """Return the chance of at least k, for every k of a usual subdivision and a grid of k of a large one."""
    at_least = np.clip(np.cumsum(pmf[::-1])[::-1], 0.0, 1.0)
    k = _told_numbers(at_least)
    return pl.DataFrame(
        {"subdivision": name, "k": k, "probability_at_least": at_least[k]}, schema=_TAIL_SCHEMA
    )


def _told_numbers(at_least: FloatArray) -> IntArray:
    """Numbers k for which the chance of at least k is published.

    Parameters
    ----------
    at_least : ndarray, shape (n + 1,)
        Chance of at least 0, 1, … n.

    Returns
    -------
    ndarray of int, rising
        1 … n where n is at most `MOST_TOLD`. Else 1, n, and `MOST_TOLD` numbers spread over those whose chance
        is neither next to sure nor next to nothing, with one beyond them on either side; so a number between
        two of these has a chance between theirs.
    """
    n = len(at_least) - 1
    if n <= MOST_TOLD:
        return np.arange(1, n + 1)
    first = max(int(np.searchsorted(-at_least, -(1 - NEXT_TO_NOTHING))) - 1, 1)
    last = min(int(np.searchsorted(-at_least, -NEXT_TO_NOTHING)), n)
    between = np.linspace(first, last, MOST_TOLD).round().astype(np.int64)
    return np.unique(np.concatenate(([1], between, [n])))


_TAIL_SCHEMA = {"subdivision": pl.String, "k": pl.Int64, "probability_at_least": pl.Float64}
_SUMMARY_SCHEMA = {
    "subdivision": pl.String,
    "n_scored": pl.Int64,
    "expected_failed_now": pl.Float64,
    "expected_failed_now_lower": pl.Float64,
    "expected_failed_now_upper": pl.Float64,
    "threshold_probability": pl.Float64,
    "above_threshold_share": pl.Float64,
}

"""One part of the ranked connections: what its failure means, what it costs, and the order to spend money in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import reduce
from operator import mul

import numpy as np
import polars as pl

from models.looks import FloatArray, IntArray
from models.ranking import Jobs, best_sequence, top_share
from pipeline.steps.connections_rules import (
    FACTORS,
    LEAST_PER_PLACE,
    Consequences,
    Weight,
)
from pipeline.steps.connections_sides import DrawnPart
from pipeline.steps.fit_scores import SCORE_LEVEL
from pipeline.vocabulary import LateralPart

#: Points kept of the cumulative benefit curve.
MOST_POINTS = 300
#: Draws that are fetched together: a cache line of them.
DRAWS_AT_ONCE = 16
TAIL = (1 - SCORE_LEVEL) / 2
ENDS = ("low", "likely", "high")
BOUNDS = ("", "_lower", "_upper")
#: Pipe that each part renews [ft]; the tie-in alone is a job on the connection, without pipe.
FEET = {
    LateralPart.LOWER.value: "lower_length_ft",
    LateralPart.UPPER.value: "upper_length_ft",
    LateralPart.WHOLE.value: "line_ft",
}
#: Facts that may be missing, in words.
NOT_ON_RECORD = {
    "main_depth_ft": "depth of the main",
    "street_class": "class of the street",
    "near_water": "nearness of water",
    "infiltration": "whether ground water comes in",
}


def rank_part(
    part: str, ranked: pl.DataFrame, drawn: DrawnPart, rules: Consequences
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rank connections by one part of their laterals.

    Parameters
    ----------
    part : str
        Code of a `LateralPart`.
    ranked : DataFrame
        Connections with their facts, chances, lengths and `bundle` (from 1).
    drawn : DrawnPart
        Chance of that part by draw, in the order of `ranked`.
    rules : Consequences
        Weights and prices.

    Returns
    -------
    tuple of DataFrame
        Rows of the published `connection_parts` and `connection_curve`.
    """
    known = _with_costs(_with_consequence(ranked, part, rules), part, rules)
    consequence = known["consequence"].to_numpy()
    # The consequence is one number for a connection, so the bounds of its risk are those of the chance, times it.
    risk = {
        f"risk_points{end}": known[f"{part}_failure_probability{end}"].to_numpy() * consequence
        for end in BOUNDS
    }
    bundle = known["bundle"].to_numpy() - 1
    jobs = Jobs(
        benefit=risk["risk_points"],
        cost=known["cost_likely_usd"].to_numpy(),
        bundle=bundle,
        setup=np.full(int(bundle.max()) + 1, rules.mobilisation.likely),
    )
    order = best_sequence(jobs)
    position = np.full(known.height, -1, dtype=np.int64)
    package = np.full(known.height, -1, dtype=np.int64)
    position[order.job] = np.arange(1, len(order.job) + 1)
    package[order.job] = order.package + 1
    rows = known.with_columns(
        *(pl.Series(name, values) for name, values in risk.items()),
        part=pl.lit(part),
        risk_rank=pl.Series(_ranks(jobs.benefit)),
        in_list_probability=pl.Series(top_share(_risks(drawn, consequence), _places(rules, known.height))),
        spending_order=pl.Series(position).replace(-1, None),
        package=pl.Series(package).replace(-1, None),
    )
    curve = _curve(order.job, order.package, jobs, _risks(drawn, consequence))
    return rows, curve.with_columns(part=pl.lit(part), is_shown_first=pl.lit(part == rules.part))


# -- what a failure means ------------------------------------------------------------------------------------


def _with_consequence(facts: pl.DataFrame, part: str, rules: Consequences) -> pl.DataFrame:
    """Multiply the weights that apply; say which, and what is not on record."""
    weights = tuple(weight for weight in rules.weights if part in weight.parts)
    applied = [_weight_of(factor, weights) for factor in FACTORS]
    missing = [
        pl.when(pl.col(factor).is_null()).then(pl.lit(name))
        for factor, name in NOT_ON_RECORD.items()
        if any(weight.factor == factor for weight in weights)
    ]
    return facts.with_columns(
        consequence=reduce(mul, (times for times, _ in applied)),
        consequence_reasons=_joined([words for _, words in applied], "; "),
        not_on_record=_joined(missing, ", "),
    )


def _joined(parts: Sequence[pl.Expr], separator: str) -> pl.Expr:
    if not parts:
        return pl.lit(None, dtype=pl.String)
    return pl.concat_str(parts, separator=separator, ignore_nulls=True).replace("", None)


def _weight_of(factor: str, weights: tuple[Weight, ...]) -> tuple[pl.Expr, pl.Expr]:
    """Number and words of the one weight of this factor that applies; 1 and NULL where none does."""
    times, words = pl.lit(1.0), pl.lit(None, dtype=pl.String)
    own = sorted((w for w in weights if w.factor == factor), key=lambda w: w.at_least or 0.0)
    for weight in own:
        # Later ones stand outside, so that the greatest number that is reached decides.
        applies = (
            pl.col(factor) >= weight.at_least
            if FACTORS[factor]
            else pl.col(factor).cast(pl.String) == weight.is_value
        )
        times = pl.when(applies).then(pl.lit(weight.times)).otherwise(times)
        words = pl.when(applies).then(pl.lit(f"{weight.because} (× {weight.times:g})")).otherwise(words)
    return times, words


# -- what it costs -------------------------------------------------------------------------------------------


def _with_costs(known: pl.DataFrame, part: str, rules: Consequences) -> pl.DataFrame:
    """Own cost: the connection, but of the upper lateral, and each foot of pipe."""
    feet = pl.col(FEET[part]) if part in FEET else pl.lit(0.0)
    for end in ENDS:
        each = pl.lit(0.0)
        if part != LateralPart.UPPER.value:
            each = pl.lit(getattr(rules.costs[0].each, end))
            for band in rules.costs[1:]:
                is_deep = pl.col("main_depth_ft") >= band.at_least_ft
                each = pl.when(is_deep).then(pl.lit(getattr(band.each, end))).otherwise(each)
        # A side without any pipe has no chance either; what costs nothing would be renewed all the same.
        cost = pl.max_horizontal(each + feet * getattr(rules.per_foot, end), pl.lit(rules.costs[0].each.low))
        known = known.with_columns(cost.alias(f"cost_{end}_usd"))
    return known


# -- the order -----------------------------------------------------------------------------------------------


def _risks(drawn: DrawnPart, consequence: FloatArray) -> Iterator[FloatArray]:
    """Chance times consequence of all connections, one draw after the other."""
    for first in range(0, drawn.n_draws, DRAWS_AT_ONCE):
        # A line's draws lie side by side: to fetch them one by one would read all lines for each.
        for row in np.ascontiguousarray(drawn.of(slice(first, first + DRAWS_AT_ONCE))):
            yield row * consequence


def _places(rules: Consequences, n: int) -> int:
    """Places of the list: being on a list of nearly all would tell nothing."""
    return max(1, min(rules.list_length, n // LEAST_PER_PLACE))


def _ranks(benefit: FloatArray) -> IntArray:
    """1 for the greatest; equal ones share the better rank."""
    return pl.Series(benefit).rank("min", descending=True).cast(pl.Int64).to_numpy()


def _curve(job: IntArray, package: IntArray, jobs: Jobs, risks: Iterator[FloatArray]) -> pl.DataFrame:
    """Cost and benefit as money is spent in order, at up to `MOST_POINTS` ends of packages."""
    if len(job) == 0:
        return pl.DataFrame()
    is_end = np.append(np.diff(package) != 0, True)
    is_first = np.zeros(len(job), dtype=np.bool_)
    is_first[np.unique(jobs.bundle[job], return_index=True)[1]] = True
    cost = np.cumsum(jobs.cost[job] + np.where(is_first, jobs.setup[jobs.bundle[job]], 0.0))
    ends = np.flatnonzero(is_end)
    kept = ends[np.unique(np.linspace(0, len(ends) - 1, MOST_POINTS).round().astype(np.int64))]
    drawn = np.stack([np.cumsum(row[job], dtype=np.float64)[kept] for row in risks])
    point = np.cumsum(jobs.benefit[job])[kept]
    lower, upper = np.quantile(drawn, [TAIL, 1 - TAIL], axis=0)
    return pl.DataFrame(
        {
            "n_connections": kept + 1,
            "cost_usd": cost[kept],
            "risk_points": point,
            "risk_points_lower": np.minimum(lower, point),
            "risk_points_upper": np.maximum(upper, point),
            "share_of_risk": point / max(float(jobs.benefit.sum()), 1e-300),
        }
    ).with_columns(pl.col("n_connections").cast(pl.Int64))

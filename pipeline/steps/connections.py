"""Connections ranked for a utility: chance of failure times consequence, cost, and the order to spend money in.

Runs within a build, on the draws behind the scores; `connections_choice` answers for a budget later.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import mul

import numpy as np
import polars as pl

from models.looks import FloatArray, IntArray
from models.ranking import Jobs, best_sequence, bundle_neighbours, top_share
from pipeline.published import contract
from pipeline.steps.connections_places import tie_in_points
from pipeline.steps.connections_rules import FACTORS, LEAST_PER_PLACE, WHOLE_LINE, Consequences, Weight
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_scores import SCORE_LEVEL, Scores
from pipeline.warehouse import Warehouse, sql_text

#: Points kept of the cumulative benefit curve.
MOST_POINTS = 300
TAIL = (1 - SCORE_LEVEL) / 2
ENDS = ("low", "likely", "high")
#: Facts that may be missing, in words.
NOT_ON_RECORD = {
    "main_depth_ft": "depth of the main",
    "street_class": "class of the street",
    "near_water": "nearness of water",
    "infiltration": "whether ground water comes in",
}


def has_connections(warehouse: Warehouse) -> bool:
    """Tell whether any connection is on record."""
    return bool(warehouse.frame("SELECT count(*) AS n FROM core.connections")["n"][0] > 0)


def rank_connections(
    warehouse: Warehouse,
    exposure: Exposure,
    scores: Scores | None,
    lots: pl.DataFrame,
    rules: Consequences,
) -> dict[str, pl.DataFrame]:
    """Make the published `connections`, `connection_curve` and `connection_assumptions`.

    Parameters
    ----------
    warehouse : Warehouse
        Exposed and open.
    exposure : Exposure
        For the segment that meets the main.
    scores : Scores or None
        With the draws of the tie-ins. None where the fit did not come about: then nothing is ranked, and each
        row says so.
    lots : DataFrame
        Published `lots`: the chance of each whole line.
    rules : Consequences
        Weights and prices.

    Returns
    -------
    dict of str to DataFrame
        Empty where no connection is on record.
    """
    facts = warehouse.frame(sql_text("connections/connection_facts"))
    if facts.is_empty():
        return {}
    known = (
        _with_consequence(facts, rules)
        .join(tie_in_points(facts), on="lot_id", how="left")
        .join(_lines(exposure), on="lot_id", how="left")
    )
    known = _with_chances(_with_costs(known, rules), scores, lots)
    frames = {"connection_assumptions": rules.assumptions()}
    ranked = known.filter(pl.col("column").is_not_null()).sort("lot_id")
    if scores is not None and ranked.height:
        added, curve = _ranked(ranked, scores, rules)
        frames |= {"connection_curve": curve} if curve.height else {}
        known = known.join(added, on="lot_id", how="left")
    return frames | {"connections": _as_published(known, scores, rules)}


# -- what a failure means ------------------------------------------------------------------------------------


def _with_consequence(facts: pl.DataFrame, rules: Consequences) -> pl.DataFrame:
    """Multiply the weights that apply; say which, and what is not on record."""
    applied = {factor: _weight_of(factor, rules.weights) for factor in FACTORS}
    missing = [
        pl.when(pl.col(factor).is_null()).then(pl.lit(name))
        for factor, name in NOT_ON_RECORD.items()
        if any(weight.factor == factor for weight in rules.weights)
    ]
    return facts.with_columns(
        consequence=reduce(mul, (times for times, _ in applied.values())),
        consequence_reasons=_joined([words for _, words in applied.values()], "; "),
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


# -- the pipe, and what it costs -----------------------------------------------------------------------------


def _lines(exposure: Exposure) -> pl.DataFrame:
    """Length of each line, and the segment that meets the main: the last one."""
    current = exposure.lives.filter(pl.col("ended_year").is_null()).sort("lot_id", "sequence", "life_id")
    return current.group_by("lot_id", maintain_order=True).agg(
        n_segments=pl.len(),
        length_ft=pl.when(pl.col("length_ft").is_finite().all()).then(pl.col("length_ft").sum()),
        life_id=pl.col("life_id").last(),
        tie_in_material=pl.col("material").last(),
        tie_in_install_year_min=pl.col("install_year_min").last(),
        tie_in_install_year_max=pl.col("install_year_max").last(),
    )


def _with_costs(known: pl.DataFrame, rules: Consequences) -> pl.DataFrame:
    length = pl.col("length_ft").fill_null(rules.unknown_length_ft)
    for end in ENDS:
        each = pl.lit(getattr(rules.costs[0].each, end))
        for band in rules.costs[1:]:
            each = (
                pl.when(pl.col("main_depth_ft") >= band.at_least_ft)
                .then(pl.lit(getattr(band.each, end)))
                .otherwise(each)
            )
        feet = length * getattr(rules.per_foot, end) if rules.part == WHOLE_LINE else pl.lit(0.0)
        known = known.with_columns(
            (each + feet).alias(f"cost_{end}_usd"),
            pl.lit(getattr(rules.mobilisation, end)).alias(f"mobilisation_{end}_usd"),
        )
    return known


def _with_chances(known: pl.DataFrame, scores: Scores | None, lots: pl.DataFrame) -> pl.DataFrame:
    """Add the chances of the last segment and of the line, and the `column` of their draws."""
    names = [f"failure_probability{end}" for end in ("", "_lower", "_upper")]
    lines = lots.select("lot_id", *(pl.col(name).alias(f"line_{name}") for name in names))
    known = known.join(lines, on="lot_id", how="left")
    if scores is None:
        nothing = pl.lit(None, dtype=pl.Float64)
        return known.with_columns(
            *(nothing.alias(f"tie_in_{name}") for name in names), column=pl.lit(None, dtype=pl.Int64)
        )
    segments = scores.lives.select("life_id", *(pl.col(name).alias(f"tie_in_{name}") for name in names))
    # Lots scored by the lines of similar houses have no segment of their own to rank.
    own = scores.lots.filter(pl.col("n_similar").is_null()).select("lot_id", "column")
    return known.join(segments, on="life_id", how="left").join(own, on="lot_id", how="left")


# -- the ranking ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Draws:
    """Chances of ranked connections under one draw after the other: a million of them are never held at once."""

    scores: Scores
    column: IntArray
    consequence: FloatArray
    is_whole_line: bool

    def risks(self) -> Iterator[FloatArray]:
        """Chance of the ranked part times consequence."""
        part = self.scores.now if self.is_whole_line else self.scores.tie_ins
        for row in part:
            yield row[self.column] * self.consequence

    def rest(self) -> FloatArray:
        """Mean chance of the rest of the line: what the line's survival has beyond that of the last segment."""
        total = np.zeros(len(self.column))
        for line, tie_in in zip(self.scores.now, self.scores.tie_ins, strict=True):
            sound = np.maximum(1.0 - tie_in[self.column].astype(np.float64), 1e-9)
            total += np.clip(1.0 - (1.0 - line[self.column]) / sound, 0.0, 1.0)
        return total / len(self.scores.now)


def _ranked(ranked: pl.DataFrame, scores: Scores, rules: Consequences) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rank connections whose line is on record.

    Returns
    -------
    tuple of DataFrame
        Columns to add, by lot; and the published `connection_curve`.
    """
    is_whole_line = rules.part == WHOLE_LINE
    part = "line" if is_whole_line else "tie_in"
    consequence = ranked["consequence"].to_numpy()
    draws = _Draws(scores, ranked["column"].to_numpy(), consequence, is_whole_line)
    # The consequence is one number for a connection, so the bounds of its risk are those of the chance, times it.
    risk = {
        f"risk_points{end}": ranked[f"{part}_failure_probability{end}"].to_numpy() * consequence
        for end in ("", "_lower", "_upper")
    }
    bundle = _bundles(ranked, rules)
    jobs = Jobs(
        benefit=risk["risk_points"],
        cost=ranked["cost_likely_usd"].to_numpy(),
        bundle=bundle,
        setup=np.full(int(bundle.max()) + 1, rules.mobilisation.likely),
    )
    order = best_sequence(jobs)
    position = np.full(ranked.height, -1, dtype=np.int64)
    package = np.full(ranked.height, -1, dtype=np.int64)
    position[order.job] = np.arange(1, len(order.job) + 1)
    package[order.job] = order.package + 1
    added = pl.DataFrame(
        {
            "lot_id": ranked["lot_id"],
            "rest_failure_probability": draws.rest(),
            **risk,
            "risk_rank": _ranks(jobs.benefit),
            "in_list_probability": top_share(draws.risks(), _places(rules, ranked.height)),
            "bundle": bundle + 1,
            "spending_order": position,
            "package": package,
        }
    ).with_columns(pl.col("spending_order", "package").replace(-1, None))
    return added, _curve(order.job, order.package, jobs, draws)


def _places(rules: Consequences, n: int) -> int:
    """Places of the list: being on a list of nearly all would tell nothing."""
    return max(1, min(rules.list_length, n // LEAST_PER_PLACE))


def _bundles(ranked: pl.DataFrame, rules: Consequences) -> IntArray:
    """Number the openings; a lateral that ends in a manhole shares it, a lone one is a bundle of its own."""
    place = ranked.select(
        place=pl.coalesce(
            pl.format("manhole {}", "manhole_id"),
            pl.format("main {}", "main_id"),
            pl.format("lot {}", "lot_id"),
        ),
        station=pl.when(pl.col("manhole_id").is_not_null()).then(pl.lit(0.0)).otherwise("station_ft"),
    )
    main = place.select(pl.col("place").rank("dense")).to_series().to_numpy() - 1
    station = place["station"].fill_null(float("nan")).to_numpy()
    return bundle_neighbours(main, station, rules.share_within_ft)


def _ranks(benefit: FloatArray) -> IntArray:
    """1 for the greatest; equal ones share the better rank."""
    return pl.Series(benefit).rank("min", descending=True).cast(pl.Int64).to_numpy()


def _curve(job: IntArray, package: IntArray, jobs: Jobs, draws: _Draws) -> pl.DataFrame:
    """Cost and benefit as money is spent in order, at up to `MOST_POINTS` ends of packages."""
    if len(job) == 0:
        return pl.DataFrame()
    is_end = np.append(np.diff(package) != 0, True)
    is_first = np.zeros(len(job), dtype=np.bool_)
    is_first[np.unique(jobs.bundle[job], return_index=True)[1]] = True
    cost = np.cumsum(jobs.cost[job] + np.where(is_first, jobs.setup[jobs.bundle[job]], 0.0))
    ends = np.flatnonzero(is_end)
    kept = ends[np.unique(np.linspace(0, len(ends) - 1, MOST_POINTS).round().astype(np.int64))]
    drawn = np.stack([np.cumsum(row[job], dtype=np.float64)[kept] for row in draws.risks()])
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


def _as_published(known: pl.DataFrame, scores: Scores | None, rules: Consequences) -> pl.DataFrame:
    if "risk_points" not in known.columns:
        added = set(contract.CONNECTIONS.names) - set(known.columns)
        known = known.with_columns(pl.lit(None).alias(name) for name in added)
    part = "line" if rules.part == WHOLE_LINE else "last segment"
    is_ok = pl.col("risk_points").is_not_null()
    nothing = contract.STATUS_NOT_FITTED if scores is None else contract.STATUS_TOO_LITTLE_KNOWN
    return known.with_columns(
        rest_failure_probability=pl.when(pl.col("n_segments") > 1).then("rest_failure_probability"),
        status=pl.when(is_ok).then(pl.lit(contract.STATUS_OK)).otherwise(pl.lit(nothing)),
        sentence=pl.when(is_ok)
        .then(
            pl.lit(
                f"Ranked by the chance that a repair-grade finding is in the {part} now, times what it would mean there."
            )
        )
        .otherwise(
            pl.lit(
                "Not ranked: the records carry no estimate."
                if scores is None
                else "Not ranked: the line of this lot is not on record."
            )
        ),
    ).select(contract.CONNECTIONS.names)

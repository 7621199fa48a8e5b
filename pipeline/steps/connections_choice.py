"""Which of the ranked connections to renew with a given sum, from what was published."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.best_set import choose_best
from models.errors import ModelInputError
from models.ranking import Choice, Jobs, choose_in_sequence
from pipeline.errors import FitError, SettingsError
from pipeline.published import contract
from pipeline.published.read import PublishedReader
from pipeline.solver_output import solver_output_aside
from pipeline.vocabulary import LateralPart

ENDS = ("low", "likely", "high")


@dataclass(frozen=True, slots=True)
class ConnectionPlan:
    """What to renew under a budget.

    Attributes
    ----------
    connections : DataFrame
        Published rows with `is_chosen`; those in the plan first, in spending order. Lines in which a foreign line
        was seen are in no plan.
    budget_usd : float
        The sum [US dollars].
    cost_usd : dict of str to float
        Cost of the plan, low, likely and high [US dollars]; the one it was made at is within the budget.
    risk_points, bound : float
        Risk taken away, and what no plan of this sum can exceed.
    risk_points_lower, risk_points_upper : float
        Sums of the single bounds: the widest that the range can be.
    total_risk_points : float
        Of all ranked connections.
    is_best : bool
        Proven to be the best plan.
    n_bundles : int
        Mobilisations paid for.
    priced_at : str
        'low', 'likely' or 'high'.
    """

    connections: pl.DataFrame
    budget_usd: float
    cost_usd: dict[str, float]
    risk_points: float
    bound: float
    risk_points_lower: float
    risk_points_upper: float
    total_risk_points: float
    is_best: bool
    n_bundles: int
    priced_at: str


def shown_first(reader: PublishedReader) -> str:
    """Return the part that the file of assumptions names."""
    named = reader.query("SELECT DISTINCT part FROM connection_curve WHERE is_shown_first")
    return str(named["part"][0]) if named.height else LateralPart.LOWER.value


def ranked_connections(reader: PublishedReader, part: str) -> pl.DataFrame:
    """Return the connections with the ranks of one part of their laterals, riskiest first.

    Parameters
    ----------
    reader : PublishedReader
        Of a generation.
    part : str
        Code of a `LateralPart`.

    Raises
    ------
    FitError
        None is on record, or none could be ranked.
    """
    found = reader.query(
        "SELECT c.*, p.* EXCLUDE (lot_id) FROM connections AS c "
        "LEFT JOIN connection_parts AS p ON p.lot_id = c.lot_id AND p.part = ? "
        "ORDER BY p.risk_rank NULLS LAST, p.spending_order NULLS LAST, c.lot_id",
        [part],
    )
    if found.is_empty():
        raise FitError(
            "No connection is on record. Load a file of mains and one of connections (lot_id, main_id, station_ft), "
            "then run `underlot build`."
        )
    if found.filter(pl.col("status") == contract.STATUS_OK).is_empty():
        raise FitError(f"No connection could be ranked. {found['sentence'][0]}")
    return found


def plan_under_budget(
    ranked: pl.DataFrame,
    budget_usd: float,
    *,
    priced_at: str = "likely",
    in_order: bool = False,
    seconds: float = 20.0,
) -> ConnectionPlan:
    """Choose what to renew.

    Parameters
    ----------
    ranked : DataFrame
        From `ranked_connections`.
    budget_usd : float
        The sum to spend [US dollars].
    priced_at : str
        Which end of the prices must fit the budget.
    in_order : bool
        Follow the spending order until the next package is too dear, instead of looking for the best set.
    seconds : float
        Time for the search [s].

    Returns
    -------
    ConnectionPlan

    Raises
    ------
    SettingsError
        The budget is no sum above 0, or buys nothing.
    FitError
        A foreign line was seen in every ranked line.
    """
    # A foreign line stops all work there until its owner has been.
    known = ranked.filter((pl.col("status") == contract.STATUS_OK) & ~pl.col("has_foreign_line"))
    if known.is_empty():
        raise FitError(
            "No connection can be planned: a foreign line was seen in every ranked line. Stop work."
        )
    _, bundle = np.unique(known["bundle"].to_numpy(), return_inverse=True)
    jobs = _jobs(known, bundle, priced_at)
    try:
        with solver_output_aside():
            choice = (
                choose_in_sequence(jobs, budget_usd)
                if in_order
                else choose_best(jobs, budget_usd, seconds=seconds)
            )
    except ModelInputError as exc:
        raise SettingsError(f"--budget {budget_usd:g}: give a sum above 0, in US dollars.") from exc
    if not choice.chosen.any():
        cheapest = float((jobs.cost + jobs.setup[jobs.bundle]).min())
        raise SettingsError(
            f"--budget {budget_usd:,.0f}: buys nothing; the cheapest connection costs {cheapest:,.0f} US dollars with its mobilisation."
        )
    return _as_plan(ranked, known, bundle, choice, budget_usd, priced_at)


def _jobs(known: pl.DataFrame, bundle: np.ndarray, end: str) -> Jobs:
    setup = np.zeros(int(bundle.max()) + 1)
    setup[bundle] = known[f"mobilisation_{end}_usd"].to_numpy()
    return Jobs(
        benefit=known["risk_points"].to_numpy(),
        cost=known[f"cost_{end}_usd"].to_numpy(),
        bundle=bundle.astype(np.int64),
        setup=setup,
    )


def _as_plan(
    ranked: pl.DataFrame,
    known: pl.DataFrame,
    bundle: np.ndarray,
    choice: Choice,
    budget: float,
    priced_at: str,
) -> ConnectionPlan:
    marked = known.select("lot_id", is_chosen=pl.Series(choice.chosen))
    rows = ranked.join(marked, on="lot_id", how="left", maintain_order="left").with_columns(
        pl.col("is_chosen").fill_null(False)
    )
    taken = known.filter(pl.Series(choice.chosen))
    return ConnectionPlan(
        connections=rows.sort("is_chosen", "spending_order", descending=[True, False], nulls_last=True),
        budget_usd=budget,
        cost_usd={end: _jobs(known, bundle, end).spent(choice.chosen) for end in ENDS},
        risk_points=choice.benefit,
        bound=choice.bound,
        risk_points_lower=float(taken["risk_points_lower"].sum()),
        risk_points_upper=float(taken["risk_points_upper"].sum()),
        total_risk_points=float(known["risk_points"].sum()),
        is_best=choice.is_best,
        n_bundles=taken["bundle"].n_unique(),
        priced_at=priced_at,
    )

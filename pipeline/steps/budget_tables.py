"""The tables of a budget, from what was simulated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from models.information import Information
from models.looks import FloatArray
from models.money import (
    balances,
    chance_above,
    fair_contribution,
    least_contribution,
    least_opening,
    present_value,
)
from models.programme import Programme
from models.renewal import Simulation
from models.renewal_stock import Future, Works, Worth
from pipeline.assumed import Assumptions, UnitCost
from pipeline.errors import SettingsError
from pipeline.steps.budget_costs import CostTable
from pipeline.steps.budget_policies import PolicyCode
from pipeline.steps.budget_portfolio import Portfolio

QUANTILES = (0.1, 0.5, 0.9)
MEANINGS = {code.value: code.meaning for code in PolicyCode}


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a generation says of itself, as far as budgets need it.

    Attributes
    ----------
    as_of_year : float or None
    seed : int
    least_similar : int
        Similar houses that may speak for a line not on record.
    sensitivity, specificity : float
        Of a camera.
    """

    as_of_year: float | None
    seed: int
    least_similar: int
    sensitivity: float
    specificity: float


@dataclass(frozen=True, kw_only=True)
class Budget:
    """A budget, as tables.

    Attributes
    ----------
    policies : DataFrame
        As published `budgets`, without the group.
    years : DataFrame
        As published `budget_years`, without the group.
    lots : DataFrame
        Every lot: `lot_id, address, is_borrowed, wait_present_value, share_of_total, emergency_probability,
        camera_value, camera_rank`, and `pv_<policy>` for each policy; dearest first.
    reserve : DataFrame
        Schedule of the reserve policy: `year, calendar_year, contribution_usd, spent_p10_usd, …, balance_p10_usd,
        …, dry_probability`.
    programme : DataFrame
        Works within the cap: `year, calendar_year, lot_id, address, sequence, material, price_usd, benefit_usd`.
    left_out : DataFrame
        `lot_id, address` of lots of which too little is known.
    assumptions : DataFrame
        `position, name, value, source`.
    facts : dict
        Single numbers: see `_facts`.
    """

    policies: pl.DataFrame
    years: pl.DataFrame
    lots: pl.DataFrame
    reserve: pl.DataFrame
    programme: pl.DataFrame
    left_out: pl.DataFrame
    assumptions: pl.DataFrame
    facts: dict[str, Any]


Futures = dict[str, Future]


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """All that a budget's tables are made from.

    Attributes
    ----------
    portfolio, simulation, assumptions, run, prices
        What was simulated.
    works : dict of str to Works
        By section of the assumptions.
    futures : dict of str to Future
        By policy.
    worth, programme, cap, information
        What pieces are worth, the choice under the cap [dollars of each year], and the worth of looking.
    """

    portfolio: Portfolio
    simulation: Simulation
    assumptions: Assumptions
    run: Run
    prices: CostTable
    works: dict[str, Works]
    futures: Futures
    worth: Worth
    programme: Programme
    cap: FloatArray
    information: Information


def budget_tables(made: Simulated, reserve_policy: str | None) -> Budget:
    """Make the tables; the reserve is for that policy, or for the one with the least mean present value.

    Raises
    ------
    SettingsError
        There is no such policy.
    """
    rates = {name: made.assumptions.number("prices", f"{name}_rate") for name in ("interest", "escalation")}
    plans = {
        code: _reserve_plan(future.total, made.assumptions, rates) for code, future in made.futures.items()
    }
    policies = _policies(made.futures, plans, made.portfolio, made.assumptions)
    chosen = reserve_policy or str(policies.sort("present_value")["policy"][0])
    if chosen not in made.futures:
        raise SettingsError(f"Policy '{chosen}' is unknown. Use one of: {', '.join(PolicyCode.codes())}.")
    lots = _lots(made.portfolio, made.simulation, made.futures, made.information)
    first_year = None if made.run.as_of_year is None else int(made.run.as_of_year)
    facts = {
        "reserve_policy": chosen,
        "reserve_is_given": made.assumptions.reserve_usd is not None,
        "opening_balance_usd": plans[chosen][0],
        "first_contribution_usd": plans[chosen][1],
        "reserve_confidence": made.assumptions.number("reserve", "confidence"),
        "chance_above_reserve": {
            code: chance_above(present_value(future.total, rates["interest"]), plans[code][0])
            for code, future in made.futures.items()
        },
        "cap_usd": float(made.cap[0] / made.simulation.growth[0]),
        "cap_benefit_usd": made.programme.benefit,
        "cap_bound_usd": made.programme.bound,
        "cap_gap": made.programme.gap,
        **_saved(made.futures),
        "n_cameras_first": int(lots["camera_rank"].count()),
        "cameras_value_usd": float(lots.filter(pl.col("camera_rank").is_not_null())["camera_value"].sum()),
        "perfect_information_usd": float(made.information.perfect.sum()),
        "n_lots": made.portfolio.lots.height,
        "n_borrowed": int(made.portfolio.lots["is_borrowed"].sum()),
        "n_left_out": made.portfolio.left_out.height,
        "n_pipes": made.portfolio.pieces["sequence"].count(),
        "horizon_years": made.simulation.n_years,
        "n_draws": made.simulation.n_draws,
        "base_years": sorted({cost.base_year for cost in made.prices.costs}),
    }
    return Budget(
        policies=policies,
        years=pl.concat([_years(code, future, first_year) for code, future in made.futures.items()]),
        lots=lots,
        reserve=_reserve(made.futures[chosen], plans[chosen], rates, first_year),
        programme=_programme(made.portfolio, made.worth, made.programme, first_year),
        left_out=made.portfolio.left_out,
        assumptions=made.assumptions.table(_used(made)),
        facts=facts,
    )


def _saved(futures: Futures) -> dict[str, float]:
    """What the programme under the cap saves over waiting, on the same possible futures."""
    saved = futures[PolicyCode.WAIT.value].present_value - futures[PolicyCode.CAP.value].present_value
    low, high = np.quantile(saved, (QUANTILES[0], QUANTILES[-1]))
    return {"cap_saved_p10_usd": float(low), "cap_saved_p90_usd": float(high)}


def _reserve_plan(
    costs: FloatArray, assumptions: Assumptions, rates: dict[str, float]
) -> tuple[float, float]:
    """Opening balance and first contribution with which a reserve lasts in the wanted share of futures."""
    confidence, opening = assumptions.number("reserve", "confidence"), assumptions.reserve_usd
    interest, growth = rates["interest"], rates["escalation"]
    if opening is not None:
        needed = least_contribution(costs, opening=opening, interest=interest, growth=growth)
        return opening, float(np.quantile(needed, confidence))
    contribution = fair_contribution(costs, interest=interest, growth=growth)
    least = least_opening(costs, contribution=contribution, interest=interest, growth=growth)
    return float(np.quantile(least, confidence)), contribution


def _used(made: Simulated) -> tuple[UnitCost, ...]:
    """Prices that apply to some pipe."""
    in_use = [*made.works.values(), made.simulation.spots]
    rows = np.unique(np.concatenate([works.row for works in in_use if works is not None]))
    return tuple(made.prices.costs[row] for row in rows if row >= 0)


def _policies(
    futures: Futures, plans: dict[str, tuple[float, float]], portfolio: Portfolio, assumptions: Assumptions
) -> pl.DataFrame:
    rows = []
    for position, (code, future) in enumerate(futures.items(), start=1):
        worth = future.present_value
        low, middle, high = np.quantile(worth, QUANTILES)
        rows.append(
            {
                "policy": code,
                "policy_label": MEANINGS[code],
                "position": position,
                "n_lots": portfolio.lots.height,
                "n_borrowed": int(portfolio.lots["is_borrowed"].sum()),
                "n_left_out": portfolio.left_out.height,
                "horizon_years": assumptions.horizon_years,
                "present_value": float(worth.mean()),
                "present_value_p10": float(low),
                "present_value_p50": float(middle),
                "present_value_p90": float(high),
                "emergency_present_value": float((future.emergency @ future.discount).mean()),
                "expected_emergencies": float(future.n_emergencies.sum(axis=1).mean()),
                "expected_planned": float(future.n_planned.sum(axis=1).mean()),
                "expected_spot_repairs": float(future.n_spots.sum(axis=1).mean()),
                "opening_balance_usd": plans[code][0],
                "first_contribution_usd": plans[code][1],
            }
        )
    return pl.DataFrame(rows)


def _years(code: str, future: Future, first_year: int | None) -> pl.DataFrame:
    total = future.total
    year = np.arange(1, total.shape[1] + 1)
    columns: dict[str, Any] = {
        "policy": [code] * len(year),
        "year": year,
        "calendar_year": pl.Series(
            [None if first_year is None else first_year + int(y) - 1 for y in year], dtype=pl.Int64
        ),
        "mean_usd": total.mean(axis=0),
    }
    for name, quantile in zip(("p10", "p50", "p90"), np.quantile(total, QUANTILES, axis=0), strict=True):
        columns[f"{name}_usd"] = quantile
    for name, part in (
        ("planned", future.planned),
        ("emergency", future.emergency),
        ("camera", future.camera),
    ):
        columns[f"{name}_usd"] = part.mean(axis=0)
    so_far = np.quantile(np.cumsum(total, axis=1), QUANTILES, axis=0)
    for name, quantile in zip(("p10", "p50", "p90"), so_far, strict=True):
        columns[f"cumulative_{name}_usd"] = quantile
    return pl.DataFrame(columns)


def _lots(
    portfolio: Portfolio, simulation: Simulation, futures: Futures, information: Information
) -> pl.DataFrame:
    waiting = futures[PolicyCode.WAIT.value]
    lot = portfolio.pieces["lot"].to_numpy()
    camera_price = float(simulation.prices.camera.mean() * simulation.growth[0] * simulation.discount[0])
    net = np.bincount(lot, weights=information.camera, minlength=portfolio.lots.height) - camera_price
    total = waiting.lot_present_value.sum()
    frame = portfolio.lots.select("lot_id", "address", "is_borrowed").with_columns(
        wait_present_value=pl.Series(waiting.lot_present_value),
        share_of_total=pl.Series(waiting.lot_present_value / total if total > 0 else np.zeros(len(net))),
        emergency_probability=pl.Series(waiting.lot_emergency_chance),
        camera_value=pl.Series(net),
        **{f"pv_{code}": pl.Series(future.lot_present_value) for code, future in futures.items()},
    )
    rank = pl.when(pl.col("camera_value") > 0).then(pl.col("camera_value")).rank("ordinal", descending=True)
    return frame.with_columns(camera_rank=rank.cast(pl.Int64)).sort(
        "wait_present_value", "lot_id", descending=[True, False]
    )


def _reserve(
    future: Future, plan: tuple[float, float], rates: dict[str, float], first_year: int | None
) -> pl.DataFrame:
    opening, contribution = plan
    total = future.total
    year = np.arange(1, total.shape[1] + 1)
    left = balances(
        total,
        opening=opening,
        contribution=contribution,
        interest=rates["interest"],
        growth=rates["escalation"],
    )
    columns: dict[str, Any] = {
        "year": year,
        "calendar_year": pl.Series(
            [None if first_year is None else first_year + int(y) - 1 for y in year], dtype=pl.Int64
        ),
        "contribution_usd": contribution * (1 + rates["escalation"]) ** (year - 1),
    }
    for what, values in (("spent", total), ("balance", left)):
        for name, quantile in zip(("p10", "p50", "p90"), np.quantile(values, QUANTILES, axis=0), strict=True):
            columns[f"{what}_{name}_usd"] = quantile
    # Rounding of a balance that is nought on paper is no shortfall.
    columns["dry_probability"] = (np.minimum.accumulate(left, axis=1) < -0.005).mean(axis=0)
    return pl.DataFrame(columns)


def _programme(
    portfolio: Portfolio, worth: Worth, programme: Programme, first_year: int | None
) -> pl.DataFrame:
    chosen = programme.order
    year = programme.year[chosen]
    address = portfolio.lots.select("lot_id", "address")
    frame = (
        portfolio.pieces[chosen]
        .select("lot_id", "sequence", "material")
        .with_columns(
            year=pl.Series(year),
            calendar_year=pl.Series(year, dtype=pl.Int64) + (first_year - 1 if first_year is not None else 0),
            price_usd=pl.Series(worth.price[chosen, year - 1]),
            benefit_usd=pl.Series(worth.leave[chosen] - worth.renew[chosen, year - 1]),
        )
    )
    if first_year is None:
        frame = frame.with_columns(calendar_year=pl.lit(None, pl.Int64))
    return frame.join(address, on="lot_id", how="left", maintain_order="left").select(
        "year", "calendar_year", "lot_id", "address", "sequence", "material", "price_usd", "benefit_usd"
    )

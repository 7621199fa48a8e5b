"""Replacement budgets of chosen lots: policies beside each other on the same possible futures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from models.information import Information, value_of_looking
from models.looks import FloatArray
from models.money import (
    balances,
    chance_above,
    discount_factors,
    fair_contribution,
    growth_factors,
    least_contribution,
    least_opening,
    present_value,
)
from models.programme import Effort, Programme, carry_out, choose
from models.renewal import Future, Policy, Simulation, Works, Worth
from pipeline.assumptions import Assumptions, UnitCost
from pipeline.errors import SettingsError
from pipeline.progress import Progress, silent
from pipeline.solver_output import solver_output_aside
from pipeline.steps.budget_costs import CostTable, draw_prices, works_by
from pipeline.steps.budget_policies import (
    Pieces,
    PolicyCode,
    age_plan,
    camera_years,
    no_plan,
    reline_plan,
)
from pipeline.steps.budget_portfolio import Portfolio, Town, make_portfolio

QUANTILES = (0.1, 0.5, 0.9)
#: Of a year's average cost of waiting: the cap where none is given.
USUAL_CAP_SHARE = 0.5
STREAM = 6
MEANINGS = {code.value: code.meaning for code in PolicyCode}
NEEDED_METHODS = ("trouble", "inspect_then_act", "replace_by_age", "reline_ahead", "within_a_cap")


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


def make_budget(
    town: Town,
    lot_ids: Sequence[str],
    assumptions: Assumptions,
    run: Run,
    costs: tuple[UnitCost, ...],
    *,
    reserve_policy: str | None = None,
    effort: Effort | None = None,
    progress: Progress = silent,
) -> Budget:
    """Simulate policies for chosen lots.

    Parameters
    ----------
    town : Town
        From `read_town`.
    lot_ids : sequence of str
        Lots on record.
    assumptions : Assumptions
    run : Run
    costs : tuple of UnitCost
        Loaded ones; the assumptions' own apply where there are none.
    reserve_policy : str, optional
        Policy that the reserve is to pay for; default the one with the least mean present value.
    effort : Effort, optional
        For the programme under the cap.
    progress : callable
        Told one short sentence at the start of each stage.

    Returns
    -------
    Budget

    Raises
    ------
    SettingsError
        An assumption is impossible or names what there is not, or no lot was chosen.
    FitError
        Nothing is known of the lots.
    """
    if not lot_ids:
        raise SettingsError("No lot was chosen, so there is nothing to budget. Name lots that are on record.")
    methods = {section: assumptions.method(section) for section in NEEDED_METHODS}
    prices = draw_prices(
        assumptions,
        costs or assumptions.costs,
        list(methods.values()),
        as_of_year=_today(assumptions, run),
        rng=np.random.default_rng([run.seed, STREAM]),
    )
    portfolio = make_portfolio(
        town,
        lot_ids,
        assumptions,
        new_materials=sorted({method.material for method in methods.values()}),
        least_similar=run.least_similar,
    )
    # An emergency finds a way where a planned method would not fit: every pipe has a price.
    methods["trouble"] = replace(methods["trouble"], not_for=())
    works = {
        section: works_by(
            method, prices, portfolio.pipes, portfolio.laws_of_new(method.material), assumptions
        )
        for section, method in methods.items()
    }
    simulation = _simulation(portfolio, assumptions, run, prices, works["trouble"])
    futures, worth, programme, cap = _futures(
        simulation, portfolio, assumptions, run, works, effort, progress
    )
    information = value_of_looking(worth, sensitivity=run.sensitivity, specificity=run.specificity)
    return _tables(
        portfolio,
        simulation,
        assumptions,
        run,
        prices,
        works,
        futures,
        worth,
        programme,
        cap,
        information,
        reserve_policy,
    )


def _today(assumptions: Assumptions, run: Run) -> float:
    """Records of ages have no calendar: prices are then those of their base year."""
    return run.as_of_year if run.as_of_year is not None else assumptions.number("prices", "base_year")


def _simulation(
    portfolio: Portfolio, assumptions: Assumptions, run: Run, prices: CostTable, emergency: Works
) -> Simulation:
    years = assumptions.horizon_years
    return Simulation(
        laws=portfolio.laws,
        stock=portfolio.stock,
        emergency=emergency,
        prices=prices.others,
        growth=growth_factors(years, assumptions.number("prices", "escalation_rate")),
        discount=discount_factors(years, assumptions.number("prices", "discount_rate")),
        sensitivity=run.sensitivity,
        specificity=run.specificity,
        seed=run.seed,
        new_work_is_checked=bool(assumptions.values["new_pipe"]["is_checked_at_handover"]),
    )


Futures = dict[str, Future]


def _futures(
    simulation: Simulation,
    portfolio: Portfolio,
    assumptions: Assumptions,
    run: Run,
    works: dict[str, Works],
    effort: Effort | None,
    progress: Progress,
) -> tuple[Futures, Worth, Programme, FloatArray]:
    n_lots, n_years = portfolio.lots.height, simulation.n_years
    progress("Weighing what each pipe costs if left, and if renewed in each year")
    worth = simulation.worth(works["within_a_cap"])
    pieces = _pieces(portfolio, worth, run)
    nothing, no_camera = no_plan(simulation.stock.n_pieces), np.zeros(n_lots, dtype=np.int64)
    relining = assumptions.method("reline_ahead").not_for
    cycle = assumptions.whole("inspect_then_act", "cycle_years")
    plans = {
        PolicyCode.WAIT: Policy(planned_year=nothing, planned=works["trouble"], camera_first=no_camera),
        PolicyCode.INSPECT: Policy(
            planned_year=nothing,
            planned=works["inspect_then_act"],
            camera_first=camera_years(pieces, n_lots, cycle),
            camera_every=cycle,
            is_confirmed=bool(assumptions.values["inspect_then_act"]["is_confirmed"]),
        ),
        PolicyCode.AGE: Policy(
            planned_year=age_plan(pieces, assumptions, n_years),
            planned=works["replace_by_age"],
            camera_first=no_camera,
        ),
        PolicyCode.RELINE: Policy(
            planned_year=reline_plan(pieces, assumptions, relining, n_years),
            planned=works["reline_ahead"],
            camera_first=no_camera,
            cannot_be_planned_share=assumptions.number("reline_ahead", "cannot_be_lined_share"),
        ),
    }
    futures: Futures = {}
    for code, policy in plans.items():
        progress(f"Simulating: {code.label}")
        futures[code.value] = simulation.run(policy)
    progress("Choosing what to renew within the yearly cap")
    cap = _cap(assumptions, futures[PolicyCode.WAIT.value], simulation.growth)
    with solver_output_aside():
        programme = choose(worth.leave[:, None] - worth.renew, worth.price, cap, effort)
    carried = carry_out(simulation, programme, works["within_a_cap"], cap)
    futures[PolicyCode.CAP.value] = simulation.run(
        Policy(planned_year=carried, planned=works["within_a_cap"], camera_first=no_camera)
    )
    return futures, worth, programme, cap


def _pieces(portfolio: Portfolio, worth: Worth, run: Run) -> Pieces:
    frame = portfolio.pieces
    age = frame["age"].cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()
    lot = frame["lot"].to_numpy().astype(np.int64)
    if run.as_of_year is not None:
        built = portfolio.lots["year_built"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        # A line that is not on record counts as old as its house.
        age = np.where(np.isnan(age), run.as_of_year - built[lot], age)
    return Pieces(material=frame["material"].to_numpy(), age=age, lot=lot, failed_share=worth.failed_share)


def _cap(assumptions: Assumptions, waiting: Future, growth: FloatArray) -> FloatArray:
    in_todays = assumptions.cap_usd
    if in_todays is None:
        in_todays = USUAL_CAP_SHARE * float((waiting.total / growth).mean())
    cap: FloatArray = in_todays * growth
    return cap


# -- tables ------------------------------------------------------------------------------------------------


def _tables(
    portfolio: Portfolio,
    simulation: Simulation,
    assumptions: Assumptions,
    run: Run,
    prices: CostTable,
    works: dict[str, Works],
    futures: Futures,
    worth: Worth,
    programme: Programme,
    cap: FloatArray,
    information: Information,
    reserve_policy: str | None,
) -> Budget:
    rates = {name: assumptions.number("prices", f"{name}_rate") for name in ("interest", "escalation")}
    plans = {code: _reserve_plan(future.total, assumptions, rates) for code, future in futures.items()}
    policies = _policies(futures, plans, portfolio, assumptions)
    chosen = reserve_policy or str(policies.sort("present_value")["policy"][0])
    if chosen not in futures:
        raise SettingsError(f"Policy '{chosen}' is unknown. Use one of: {', '.join(PolicyCode.codes())}.")
    lots = _lots(portfolio, simulation, futures, information)
    first_year = None if run.as_of_year is None else int(run.as_of_year)
    facts = {
        "reserve_policy": chosen,
        "reserve_is_given": assumptions.reserve_usd is not None,
        "opening_balance_usd": plans[chosen][0],
        "first_contribution_usd": plans[chosen][1],
        "reserve_confidence": assumptions.number("reserve", "confidence"),
        "chance_above_reserve": {
            code: chance_above(present_value(future.total, rates["interest"]), plans[code][0])
            for code, future in futures.items()
        },
        "cap_usd": float(cap[0] / simulation.growth[0]),
        "cap_benefit_usd": programme.benefit,
        "cap_bound_usd": programme.bound,
        "cap_gap": programme.gap,
        "n_cameras_first": int(lots["camera_rank"].count()),
        "cameras_value_usd": float(lots.filter(pl.col("camera_rank").is_not_null())["camera_value"].sum()),
        "perfect_information_usd": float(information.perfect.sum()),
        "n_lots": portfolio.lots.height,
        "n_borrowed": int(portfolio.lots["is_borrowed"].sum()),
        "n_left_out": portfolio.left_out.height,
        "n_pipes": portfolio.pieces["sequence"].count(),
        "horizon_years": simulation.n_years,
        "n_draws": simulation.n_draws,
        "base_years": sorted({cost.base_year for cost in prices.costs}),
    }
    return Budget(
        policies=policies,
        years=pl.concat([_years(code, future, first_year) for code, future in futures.items()]),
        lots=lots,
        reserve=_reserve(futures[chosen], plans[chosen], rates, first_year),
        programme=_programme(portfolio, worth, programme, first_year),
        left_out=portfolio.left_out,
        assumptions=assumptions.table(_used(prices, works)),
        facts=facts,
    )


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


def _used(prices: CostTable, works: dict[str, Works]) -> tuple[UnitCost, ...]:
    """Prices that apply to some pipe."""
    rows = np.unique(np.concatenate([work.row for work in works.values()]))
    return tuple(prices.costs[row] for row in rows if row >= 0)


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

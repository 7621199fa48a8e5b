"""Replacement budgets of chosen lots: policies beside each other on the same possible futures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from models.information import value_of_looking
from models.looks import FloatArray
from models.money import discount_factors, growth_factors
from models.programme import Effort, Programme, carry_out, choose
from models.renewal import Simulation
from models.renewal_stock import Future, Policy, Works, Worth
from pipeline.assumed import Assumptions, UnitCost
from pipeline.errors import SettingsError
from pipeline.progress import Progress, silent
from pipeline.solver_output import solver_output_aside
from pipeline.steps.budget_costs import CostTable, draw_prices, spot_repairs, works_by
from pipeline.steps.budget_policies import (
    Pieces,
    PolicyCode,
    age_plan,
    camera_years,
    no_plan,
    reline_plan,
)
from pipeline.steps.budget_portfolio import Portfolio, make_portfolio
from pipeline.steps.budget_tables import Budget, Futures, Run, Simulated, budget_tables
from pipeline.steps.budget_town import Town

#: Of a year's average cost of waiting: the cap where none is given.
USUAL_CAP_SHARE = 0.5
STREAM = 6
NEEDED_METHODS = ("trouble", "inspect_then_act", "replace_by_age", "reline_ahead", "within_a_cap")


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
    made = Simulated(
        portfolio=portfolio,
        simulation=simulation,
        assumptions=assumptions,
        run=run,
        prices=prices,
        works=works,
        futures=futures,
        worth=worth,
        programme=programme,
        cap=cap,
        information=value_of_looking(worth, sensitivity=run.sensitivity, specificity=run.specificity),
    )
    return budget_tables(made, reserve_policy)


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
        spots=spot_repairs(prices, portfolio.pipes, assumptions),
        sensitivity=run.sensitivity,
        specificity=run.specificity,
        seed=run.seed,
        new_work_is_checked=bool(assumptions.values["new_pipe"]["is_checked_at_handover"]),
    )


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

"""Budgets that a build makes ahead for pages: one for each portfolio and subdivision."""

from __future__ import annotations

import polars as pl

from models.programme import Effort
from pipeline.assumed import Assumptions
from pipeline.errors import FitError
from pipeline.progress import Progress, silent
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.budget import make_budget
from pipeline.steps.budget_costs import loaded_costs
from pipeline.steps.budget_laws import budget_laws
from pipeline.steps.budget_tables import Budget, Run
from pipeline.steps.budget_town import Town, read_town
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit

#: A page needs fewer futures than a report; `underlot budget` simulates all that the assumptions ask for.
DRAWS = 400
#: A page shows no programme, only what it comes to.
EFFORT = Effort(relative_gap=0.05, seconds=1.0)
#: Lots counted in all budgets of a build together, and groups; more take too long to make ahead.
MOST_LOTS = 100_000
MOST_GROUPS = 150
#: Lots of each group that are published: the dearest, and those where a camera is worth most.
SHOWN_LOTS = 50
KINDS = ("portfolio", "subdivision")
TABLES = ("budgets", "budget_years", "budget_lots", "budget_assumptions")

Frames = dict[str, pl.DataFrame]
#: Kind, name and lots of what is budgeted together.
Group = tuple[str, str, list[str]]


def run_of(run: pl.DataFrame, outcomes: pl.DataFrame) -> Run:
    """Return what a generation says of itself."""
    row = run.row(0, named=True)
    settings = Settings.from_toml(row["settings_toml"])
    outcome = outcomes.filter(pl.col("outcome") == row["default_outcome"]).row(0, named=True)
    return Run(
        as_of_year=row["as_of_year"],
        seed=row["seed"],
        least_similar=settings.min_area_inspections,
        sensitivity=outcome["sensitivity"],
        specificity=outcome["specificity"],
    )


def publish_budgets(
    fit: OutcomeFit,
    exposure: Exposure,
    settings: Settings,
    assumptions: Assumptions,
    frames: Frames,
    *,
    progress: Progress = silent,
) -> Frames:
    """Make the published tables that budgets are made from, and those of the budgets made ahead.

    Parameters
    ----------
    fit : OutcomeFit
    exposure : Exposure
    settings : Settings
    assumptions : Assumptions
    frames : dict of str to DataFrame
        Published tables that are made already, `unit_costs` among them.
    progress : callable

    Returns
    -------
    dict of str to DataFrame
        Empty tables where there is no fit.
    """
    if not fit.is_ok or frames["lot_segments"].is_empty():
        return {}
    laws = budget_laws(fit, exposure, settings)
    groups = _groups(frames["lots"])
    tables = {**frames, **laws}
    tables |= _rows_needed(tables, {lot_id for _, _, lot_ids in groups for lot_id in lot_ids})
    town = read_town(lambda name: tables[name])
    run = Run(
        as_of_year=exposure.as_of.year,
        seed=settings.seed,
        least_similar=settings.min_area_inspections,
        sensitivity=fit.fitted.detection.sensitivity,
        specificity=fit.fitted.detection.specificity,
    )
    draws = min(DRAWS, assumptions.whole("look_ahead", "draws"))
    return laws | _budgets(
        town, groups, assumptions.changed(draws=draws), run, frames["unit_costs"], progress
    )


def _rows_needed(tables: Frames, asked: set[str]) -> Frames:
    """Rows of the chosen lots and, where some of these have no line on record, of all that a camera has seen."""
    entries = tables["pipe_entries"]
    needed = pl.DataFrame({"lot_id": sorted(asked)}, schema={"lot_id": pl.String})
    if needed.join(entries, on="lot_id", how="anti").height:
        needed = pl.concat([needed, tables["lot_inspections"].select("lot_id")]).unique()
    kept = {
        name: tables[name].join(needed, on="lot_id", how="semi", maintain_order="left")
        for name in ("pipe_entries", "lot_segments", "lot_inspections")
    }
    states = tables["pipe_states"].join(kept["pipe_entries"], on="state", how="semi", maintain_order="left")
    return kept | {"pipe_states": states}


def _budgets(
    town: Town,
    groups: list[Group],
    assumptions: Assumptions,
    run: Run,
    unit_costs: pl.DataFrame,
    progress: Progress,
) -> Frames:
    costs = loaded_costs(unit_costs)
    made: dict[str, list[pl.DataFrame]] = {name: [empty(contract.TABLES[name])] for name in TABLES}
    for place, (kind, name, lot_ids) in enumerate(groups, start=1):
        if place % 10 == 1:
            progress(f"Budgets: {place} of {len(groups)}")
        keys = {"group_kind": pl.lit(kind), "group_name": pl.lit(name)}
        try:
            budget = make_budget(town, lot_ids, assumptions, run, costs, effort=EFFORT)
        except FitError as fault:
            made["budgets"].append(_refused(kind, name, len(lot_ids), assumptions, str(fault)))
            continue
        made["budgets"].append(_policies(budget).with_columns(**keys))
        made["budget_years"].append(budget.years.with_columns(**keys))
        made["budget_lots"].append(_shown_lots(budget.lots).with_columns(**keys))
        if len(made["budget_assumptions"]) == 1:
            made["budget_assumptions"].append(budget.assumptions)
    return {
        name: pl.concat([part.select(contract.TABLES[name].names) for part in parts], how="vertical_relaxed")
        for name, parts in made.items()
    }


def _groups(lots: pl.DataFrame) -> list[Group]:
    """Portfolios, then subdivisions, as far as the time of a build goes."""
    found: list[Group] = []
    n_lots = 0
    for kind in KINDS:
        grouped = (
            lots.filter(pl.col(kind).is_not_null()).group_by(kind).agg(pl.col("lot_id").sort()).sort(kind)
        )
        for name, lot_ids in grouped.iter_rows():
            n_lots += len(lot_ids)
            if n_lots > MOST_LOTS or len(found) >= MOST_GROUPS:
                return found
            found.append((kind, name, lot_ids))
    return found


def _policies(budget: Budget) -> pl.DataFrame:
    facts = budget.facts
    sentence = (
        f"{facts['n_lots']:,} lots, {facts['horizon_years']} years, {facts['n_draws']:,} simulated futures; prices of "
        f"{', '.join(str(year) for year in facts['base_years'])}."
    )
    if facts["n_borrowed"]:
        sentence += f" {facts['n_borrowed']:,} lots have no line on record and count as similar houses do."
    if facts["n_left_out"]:
        sentence += f" {facts['n_left_out']:,} lots are left out: too little is known of them."
    return budget.policies.with_columns(status=pl.lit(contract.STATUS_OK), sentence=pl.lit(sentence))


def _refused(kind: str, name: str, n_lots: int, assumptions: Assumptions, sentence: str) -> pl.DataFrame:
    row = {
        "group_kind": kind,
        "group_name": name,
        "policy": "none",
        "policy_label": "no budget",
        "position": 1,
        "n_lots": 0,
        "n_borrowed": 0,
        "n_left_out": n_lots,
        "horizon_years": assumptions.horizon_years,
        "status": contract.STATUS_TOO_LITTLE_KNOWN,
        "sentence": sentence,
    }
    return pl.concat([empty(contract.BUDGETS), pl.DataFrame([row])], how="diagonal_relaxed")


def _shown_lots(lots: pl.DataFrame) -> pl.DataFrame:
    dearest = pl.col("wait_present_value").rank("ordinal", descending=True) <= SHOWN_LOTS
    return lots.filter(dearest | (pl.col("camera_rank") <= SHOWN_LOTS).fill_null(False))

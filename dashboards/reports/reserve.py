"""The reserve plan of a portfolio as a page: what to set aside, what policies cost, and what to do first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards import theme, wording
from dashboards.charts import money
from dashboards.parts import Shown
from dashboards.reports.document import (
    Block,
    Bullets,
    Document,
    Picture,
    Section,
    Table,
    Text,
    document,
)
from dashboards.table_columns import ASSUMED

MOST_LOTS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ReservePlan:
    """What `underlot budget` worked out, as it may leave.

    Attributes
    ----------
    run : mapping
        The published `run`.
    title, line : str
        What it is about, and where it comes from.
    sentences, method : sequence of str
        What it comes to, and how it was made.
    policies, years, reserve, lots, programme, assumptions : DataFrame
        As of a budget; `years` of the policy that the reserve pays for.
    reserve_policy : str
        That policy, in words.
    dollars : callable
        Writes a sum for people.
    """

    run: Mapping[str, Any]
    title: str
    line: str
    sentences: Sequence[str]
    method: Sequence[str]
    policies: pl.DataFrame
    years: pl.DataFrame
    reserve: pl.DataFrame
    lots: pl.DataFrame
    programme: pl.DataFrame
    assumptions: pl.DataFrame
    reserve_policy: str
    dollars: Callable[[float], str]


def report(plan: ReservePlan) -> Document:
    """Make the report."""
    sections = [
        Section("What it comes to", (Bullets(tuple(plan.sentences)),)),
        Section("Policies on the same possible futures", (_policies(plan),)),
        Section(f"Reserve schedule: {plan.reserve_policy}", (_schedule(plan), *_spending(plan))),
        Section("What each building contributes", (_lots(plan),)),
        *_first(plan),
        *_programme(plan),
        Section("What it assumes", (Table("Assumptions", plan.assumptions, ASSUMED),)),
    ]
    return document(plan.run, plan.title, plan.line, sections, list(plan.method))


def _money(plan: ReservePlan, label: str, *columns: str) -> Shown:
    return Shown(label, lambda r: " to ".join(plan.dollars(r[column]) for column in columns), is_number=True)


def _policies(plan: ReservePlan) -> Block:
    columns = (
        Shown("policy", lambda r: f"{r['policy'].replace('_', ' ')}: {r['policy_label']}"),
        _money(plan, "present value, mean", "present_value"),
        _money(plan, "8 of 10 futures", "present_value_p10", "present_value_p90"),
        _money(plan, "of it trouble", "emergency_present_value"),
        _money(plan, "balance now", "opening_balance_usd"),
        _money(plan, "first contribution", "first_contribution_usd"),
    )
    return Table("Policies", plan.policies, columns)


def _schedule(plan: ReservePlan) -> Block:
    columns = (
        Shown("year", lambda r: str(r["calendar_year"] or r["year"])),
        _money(plan, "contribution", "contribution_usd"),
        _money(plan, "spent, P50", "spent_p50_usd"),
        _money(plan, "spent, P10 to P90", "spent_p10_usd", "spent_p90_usd"),
        _money(plan, "balance, P50", "balance_p50_usd"),
        _money(plan, "balance, P10 to P90", "balance_p10_usd", "balance_p90_usd"),
        Shown("dry by then", lambda r: wording.chance(r["dry_probability"]), is_number=True),
    )
    return Table("Contributions grow with prices; sums are in each year's money", plan.reserve, columns)


def _spending(plan: ReservePlan) -> list[Block]:
    years = plan.years.with_columns(shown=pl.coalesce("calendar_year", "year").cast(pl.String))
    says = "What each year costs. Bars: parts of the mean. Lines: the range of 8 in 10 futures of that year."
    return [Picture(theme.dress(money.spending(years)), says, 260)]


def _name(row: Mapping[str, Any]) -> str:
    return f"{row['address']} ({row['lot_id']})" if row["address"] else str(row["lot_id"])


def _lots(plan: ReservePlan) -> Block:
    if plan.lots.is_empty():
        return Text("No lot may be named: their clients do not allow it.")
    shown = plan.lots.head(MOST_LOTS)
    columns = (
        Shown("lot", _name),
        _money(plan, "present value if all waits for trouble", "wait_present_value"),
        Shown("share", lambda r: f"{r['share_of_total']:.1%}", is_number=True),
        Shown("chance of trouble", lambda r: wording.chance(r["emergency_probability"]), is_number=True),
    )
    return Table(
        f"The dearest {shown.height} of the {plan.lots.height} lots that may be named", shown, columns
    )


def _first(plan: ReservePlan) -> list[Section]:
    first = plan.lots.filter(pl.col("camera_rank").is_not_null()).sort("camera_rank").head(MOST_LOTS)
    if first.is_empty():
        return []
    columns = (
        Shown("order", lambda r: wording.number(r["camera_rank"]), is_number=True),
        Shown("lot", _name),
        _money(plan, "worth more than its price", "camera_value"),
    )
    return [Section("Put a camera in these first", (Table("Where looking before deciding saves most", first, columns),))]  # fmt: skip


def _programme(plan: ReservePlan) -> list[Section]:
    if plan.programme.is_empty():
        return []
    columns = (
        Shown("year", lambda r: str(r["calendar_year"] or r["year"])),
        Shown("lot", _name),
        Shown("pipe", _pipe),
        _money(plan, "price", "price_usd"),
        _money(plan, "saves on average", "benefit_usd"),
    )
    shown = plan.programme.head(MOST_LOTS)
    return [Section("Programme within the cap", (Table(f"{shown.height} of {plan.programme.height} works", shown, columns),))]  # fmt: skip


def _pipe(row: Mapping[str, Any]) -> str:
    return (
        "whole line" if row["sequence"] is None else f"{row['sequence']}: {wording.material(row['material'])}"
    )

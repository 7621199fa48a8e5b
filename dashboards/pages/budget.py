"""Replacement budget: what policies cost a portfolio or a subdivision, and what to do first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import money
from dashboards.data import Records
from dashboards.parts import Shown
from dashboards.table_columns import ASSUMED

MOST_LOTS = 15
TITLE = "Replacement budget"
LEAD = (
    "What the laterals of a portfolio or subdivision may cost in the years to come, under policies that meet the same "
    "possible futures, and where a camera comes first."
)
NONE = "No budget could be made"
NONE_TODO = "Budgets need lots with a portfolio or a subdivision, and enough inspections for an estimate. Load more with `underlot load FILE`, then run `underlot build`."
TOLD = (
    "Each possible future has one set of the fit's parameters and one level of prices for all pipes, and every pipe has "
    "chance events of its own; all policies meet the same futures. What inspections showed is counted in."
)
CAMERAS = (
    "Worth: what deciding after a look saves on average, against deciding now whether to renew or to leave, with the "
    "camera's price taken off. A camera may err, and that is counted in."
)
NO_CAMERA = "Before deciding to renew now or to leave, a camera is worth its price at none of these lots."
REPORT = (
    "For other lots, years, caps or a reserve, with a schedule in Excel and PDF: `underlot budget --help`."
)
BARS = "Bars: parts of the mean. Lines: the range of 8 in 10 possible futures of that year."


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page: a choice of lots, policies beside each other, one policy's years, and what to do first."""
    top = pn.Column(
        parts.title(TITLE, LEAD), parts.note(wording.SCREENING), sizing_mode="stretch_width", margin=0
    )
    names = {f"{kind} {name}": (kind, name) for kind, name in records.money.groups}
    if not names:
        return pn.Column(top, parts.empty(NONE, NONE_TODO), sizing_mode="stretch_width")
    chosen = pn.widgets.Select(
        name="Portfolio or subdivision",
        options=list(names),
        value=parts.from_address("group", names) or _shared(names) or next(iter(names)),
        width=320,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(chosen, "group")
    return pn.Column(
        top,
        parts.card(chosen),
        parts.live(lambda shown: _group(records, *names[shown]), chosen),
        sizing_mode="stretch_width",
    )


def _shared(names: Mapping[str, tuple[str, str]]) -> str | None:
    """The portfolio or subdivision that the reader brings along from another page."""
    asked = {kind: parts.from_address(kind) for kind in ("portfolio", "subdivision")}
    return next((shown for shown, (kind, name) in names.items() if name == asked[kind]), None)


def _group(records: Records, kind: str, name: str) -> pn.viewable.Viewable:
    rows = records.money.policies(kind, name)
    first = rows.row(0, named=True)
    if first["status"] != "ok":
        return parts.card(parts.heading(f"{kind} {name}"), parts.note(first["sentence"]))
    rows = rows.with_columns(shown=pl.col("policy").str.replace_all("_", " ", literal=True))
    policy = pn.widgets.Select(
        name="Policy",
        options=dict(zip(rows["shown"], rows["policy"], strict=True)),
        value=parts.from_address("policy", rows["policy"]) or rows.sort("present_value")["policy"][0],
        width=260,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(policy, "policy")
    return pn.Column(
        parts.card(*_policies(rows, first)),
        parts.card(policy, parts.live(lambda code: _years(records, kind, name, code), policy)),
        parts.side_by_side(_cameras(records, kind, name), _dearest(records, kind, name), least_px=420),
        parts.card(*_assumptions(records)),
        sizing_mode="stretch_width",
    )


def dollars(value: float | None) -> str:
    """Write a sum to three figures, as much as an estimate deserves."""
    if value is None:
        return "–"
    digits = max(len(str(int(abs(value)))) - 3, 0)
    return f"${round(value / 10**digits) * 10**digits:,.0f}"


def _money(label: str, column: str) -> Shown:
    return Shown(label, lambda row: dollars(row[column]), is_number=True)


def _policies(rows: pl.DataFrame, first: Mapping[str, Any]) -> list[pn.viewable.Viewable]:
    return [
        parts.heading("Policies on the same possible futures"),
        parts.paragraph(first["sentence"]),
        parts.chart(
            money.policies(rows),
            height=240,
            data=rows,
            name="budget policies",
            says=f"Present value of all that is spent in {first['horizon_years']:g} years: mean, and the range of 8 in 10 possible futures.",
        ),
        parts.table(
            rows,
            [
                Shown("policy", lambda row: row["shown"]),
                _money("present value, mean", "present_value"),
                _money("of it trouble", "emergency_present_value"),
                Shown(
                    "works as planned",
                    lambda row: wording.number(row["expected_planned"], 1),
                    is_number=True,
                ),
                Shown(
                    "because of trouble",
                    lambda row: wording.number(row["expected_emergencies"], 1),
                    is_number=True,
                ),
                Shown(
                    "of both, at one spot",
                    lambda row: wording.number(row["expected_spot_repairs"], 1),
                    is_number=True,
                ),
                _money("balance needed now", "opening_balance_usd"),
                _money("first yearly contribution", "first_contribution_usd"),
            ],
            caption="Policies, and the balance and yearly contributions (growing with prices) with which a reserve lasts in most futures",
        ),
        parts.bullets(f"{row['shown']}: {row['policy_label']}" for row in rows.iter_rows(named=True)),
        parts.paragraph(TOLD, small=True),
        parts.text_with_commands(REPORT),
    ]


def _years(records: Records, kind: str, name: str, policy: str) -> pn.viewable.Viewable:
    years = records.money.years(kind, name, policy).with_columns(
        shown=pl.coalesce("calendar_year", "year").cast(pl.String)
    )
    return pn.Column(
        parts.chart(money.spending(years), height=330, data=years, name=f"budget years {policy}", says=BARS),
        parts.folded(
            "The years as a table",
            parts.table(
                years,
                [
                    Shown("year", lambda row: row["shown"]),
                    _money("P10", "p10_usd"),
                    _money("P50", "p50_usd"),
                    _money("P90", "p90_usd"),
                    _money("mean", "mean_usd"),
                    _money("so far, P50", "cumulative_p50_usd"),
                    _money("so far, P90", "cumulative_p90_usd"),
                ],
                caption="Spent by year, in that year's dollars",
            ),
        ),
        sizing_mode="stretch_width",
    )


def _lot(row: Mapping[str, Any]) -> str:
    return str(row["address"] or row["lot_id"])


def _cameras(records: Records, kind: str, name: str) -> pn.Column:
    rows = records.money.cameras_first(kind, name, MOST_LOTS)
    head = parts.heading("Put a camera in these first")
    if rows.is_empty():
        return parts.card(head, parts.note(NO_CAMERA))
    return parts.card(
        head,
        parts.table(
            rows,
            [
                Shown("order", lambda row: wording.number(row["camera_rank"]), is_number=True),
                Shown("lot", _lot),
                _money("worth", "camera_value"),
            ],
            caption="Where looking before deciding saves most",
        ),
        parts.paragraph(CAMERAS, small=True),
    )


def _dearest(records: Records, kind: str, name: str) -> pn.Column:
    return parts.card(
        parts.heading("What each building contributes"),
        parts.table(
            records.money.dearest(kind, name, MOST_LOTS),
            [
                Shown("lot", _lot),
                _money("present value", "wait_present_value"),
                Shown("share", lambda row: f"{row['share_of_total']:.1%}", is_number=True),
                Shown(
                    "chance of trouble",
                    lambda row: wording.chance(row["emergency_probability"]),
                    is_number=True,
                ),
            ],
            caption="The dearest lots, if everything waits for trouble",
        ),
    )


def _assumptions(records: Records) -> list[pn.viewable.Viewable]:
    return [
        parts.folded(
            "What it assumes",
            parts.table(
                records.money.assumptions,
                ASSUMED,
                caption="Every assumption, from assumptions.toml in the workspace",
            ),
        ),
    ]

"""Which connections first: chance times consequence, and what a sum of money buys."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from urllib.parse import quote

import panel as pn
import polars as pl
from markupsafe import Markup

from dashboards import parts, theme, wording
from dashboards.charts import utility
from dashboards.data import Records
from dashboards.filters import Filters, View
from dashboards.parts import Shown
from dashboards.table_columns import ASSUMED, chance_of, of_connections, property_line
from pipeline.vocabulary import LateralPart

LONGEST_TABLE = 25
NAMES = ("subdivision", "portfolio", "material", "era", "purpose", "years")
ORDERS = {"riskiest first": "risk", "where money buys most first": "spending"}

TITLE = "Which connections first"
BOUGHT = "What a sum of money takes away"
LEAD = (
    "Connections to the public sewer by the chance that a part of the lateral has a repair-grade finding now, times what a "
    "failure means there."
)
NONE = "No connection is on record"
NONE_TODO = "Load a file of mains and one of connections (lot_id, main_id, station_ft) with `underlot load`, then run `underlot build`."
NOT_RANKED = "No connection could be ranked"
NOT_RANKED_TODO = "The records carry no estimate yet. Load more inspections with `underlot load`, then run `underlot build`."
CURVE = (
    "Money is spent where it takes away most risk first; neighbours on one stretch of main share one mobilisation, which is "
    "paid for once. The band is the range of the estimate."
)
AMONG_FIRST = (
    "Among the first: how often a connection is on the list of the riskiest when the estimate varies within its uncertainty. "
    "Near 100 % its place is firm; in between, others may as well stand there. A plan under a budget: `underlot connections --budget 250000`."
)
OWNERS = (
    "Who owns which part of a lateral is a local rule: choose the part that yours makes yours. A segment that crosses the "
    "property line is split by length, and by the footage of what a camera found in it."
)
RANK = Shown("rank", lambda r: wording.number(r["risk_rank"]), is_number=True)
#: Columns of a second table: beside the others they would stand out of sight.
PLACES = frozenset({"main or manhole", "station [ft]", "bundle"})
PARTS = {part.label: part for part in LateralPart}


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    top = parts.title(TITLE, LEAD)
    n, n_ranked = records.utility.n_connections
    if n == 0:
        return pn.Column(top, parts.empty(NONE, NONE_TODO))
    if n_ranked == 0:
        return pn.Column(top, parts.empty(NOT_RANKED, NOT_RANKED_TODO))
    shown = records.utility.part_shown_first.label
    part = _choice("Part of the lateral", list(PARTS), "part", shown)
    order = _choice("Order of the table", list(ORDERS), "order", next(iter(ORDERS)))
    filters = Filters(records.options, NAMES)
    return pn.Column(
        top,
        pn.FlexBox(part, order),
        parts.live(lambda name: _counts(records, PARTS[name], n, n_ranked), part),
        parts.card(parts.live(lambda name: pn.Column(*_curve(records, PARTS[name])), part)),
        filters.panel("Connections of the table (the money above is that of all)"),
        parts.card(parts.live(lambda *asked: _table(records, *asked), part, order, filters)),
        parts.card(*_assumptions(records)),
        sizing_mode="stretch_width",
    )


def _choice(name: str, options: list[str], key: str, first: str) -> pn.widgets.Select:
    chosen = pn.widgets.Select(
        name=name,
        options=options,
        value=parts.from_address(key, options) or first,
        width=260,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(chosen, key)
    return chosen


def _counts(records: Records, part: LateralPart, n: int, n_ranked: int) -> pn.viewable.Viewable:
    whole = records.utility.curve(part).tail(1)["cost_usd"].to_list()
    return parts.figures(
        [
            (wording.number(n), "connections on record"),
            (wording.number(n_ranked), "ranked"),
            (
                wording.number(records.utility.n_property_lines),
                "property lines on record; the others are assumed",
            ),
            *((f"${wording.number(cost)}", f"to renew every {part.label}, likely prices") for cost in whole),
        ]
    )


def _curve(records: Records, part: LateralPart) -> list[pn.viewable.Viewable]:
    curve = records.utility.curve(part)
    if curve.is_empty():
        return [
            parts.heading(BOUGHT),
            parts.paragraph("No such part of any lateral has a chance of failure above nil."),
        ]
    return [
        parts.heading(BOUGHT),
        parts.chart(
            utility.bought(curve), height=300, says=CURVE, data=curve, name=f"connections_{part.value}"
        ),
    ]


def _table(records: Records, name: str, by: str, view: View) -> pn.viewable.Viewable:
    part, asked = PARTS[name], parts.from_address("lot")
    shown = records.utility.connections(part, ORDERS[by], view, asked, LONGEST_TABLE)
    n_ranked = wording.number(records.utility.n_ranked(view))
    caption = f"Connections by the {part.label}, {by} ({wording.number(shown.height)} of {n_ranked})"
    if asked is not None and asked in shown["lot_id"]:
        caption += f"; lot {asked}, which was asked for, comes first"
    crossed = shown.filter(pl.col("has_foreign_line"))["lot_id"].to_list()
    stop = (
        [parts.caution(wording.STOP_WORK, [f"Lots {', '.join(crossed)}.", *wording.STOP_WORK_STEPS])]
        if crossed
        else []
    )
    return pn.Column(
        *stop,
        parts.table(
            shown,
            [
                RANK,
                Shown("lot", _lot),
                *(column for column in of_connections(part) if column.label not in PLACES),
                Shown("times, because", lambda r: r["consequence_reasons"] or "nothing raises it"),
            ],
            caption=caption,
        ),
        parts.text_with_commands(AMONG_FIRST),
        parts.table(
            shown,
            [
                RANK,
                Shown("lot", lambda r: r["lot_id"]),
                *(column for column in of_connections(part) if column.label in PLACES),
                Shown("property line [ft from the building]", property_line, is_number=True),
                Shown("last segment", _segment),
                *(replace(chance_of(other), is_number=False) for other in LateralPart if other is not part),
                Shown("not on record", lambda r: r["not_on_record"] or "–"),
            ],
            caption="The same connections: where they are, and the other parts of their laterals",
        ),
        parts.paragraph(OWNERS, wording.SCREENING, small=True),
        sizing_mode="stretch_width",
    )


def _lot(row: Mapping[str, Any]) -> Markup:
    """The lot, and the way to its place on the map."""
    return Markup('{} <a href="?page=map&amp;lot={}" aria-label="Lot {} on the map">map</a>').format(
        row["lot_id"], quote(row["lot_id"]), row["lot_id"]
    )


def _segment(row: Mapping[str, Any]) -> str:
    laid = wording.years(row["tie_in_install_year_min"], row["tie_in_install_year_max"])
    return f"{wording.material(row['tie_in_material'])}, laid {laid}"


def _assumptions(records: Records) -> list[pn.viewable.Viewable]:
    return [
        parts.heading("What it assumes"),
        parts.table(
            records.utility.assumptions,
            ASSUMED,
            caption="Weights and prices; change them in consequences.toml",
        ),
    ]

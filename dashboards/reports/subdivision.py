"""The report on a subdivision: how many of its lines have a finding now, and which lots to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboards import theme, wording
from dashboards.charts import sale
from dashboards.data import Records
from dashboards.pages import tract
from dashboards.parts import Shown
from dashboards.reports.document import (
    Block,
    Bullets,
    Document,
    Figures,
    Picture,
    Section,
    Table,
    Text,
    document,
)

#: Lots that are named.
MOST_LOTS = 30
WITHHELD = "Where looks are withheld, their client has not agreed that the result be told with the address: the chance is that of lines like it."


def report(records: Records, name: str) -> Document:
    """Make the report.

    Parameters
    ----------
    records : Records
        One published generation.
    name : str
        A subdivision of it.
    """
    run, row = records.run, records.subdivision(name)
    sections = [
        Section("Estimate", tuple(_estimate(records, row))),
        Section("Lots to look at first", tuple(_lots(records, name))),
    ]
    method = [
        "The number of lots is that of lines with a repair-grade finding now, were every line inspected; uncertain curves are shared by all lots, so the range is wider than that of independent lots."
    ]
    return document(run, name, "Sewer laterals of a subdivision: a screening estimate", sections, method)


def _estimate(records: Records, row: Mapping[str, Any]) -> list[Block]:
    counts = records.at_least(row["subdivision"])
    drawn: list[Block] = []
    if counts.height:
        says = "The chance that k lots or more have a repair-grade finding now."
        drawn = [Picture(theme.dress(sale.at_least(counts)), says, 200)]
    told: list[Block] = [] if row["status"] == "ok" else [Text(row["sentence"] or "")]
    figures = tract.expected_figures(records.run, row)
    return [
        *([Figures(tuple(figures))] if figures else []),
        *told,
        Bullets(tuple(tract.counts_in_words(row))),
        *drawn,
    ]


def _lots(records: Records, name: str) -> list[Block]:
    lots = records.lots_to_hand_on(name, MOST_LOTS)
    if lots.is_empty():
        return [Text("No lot of this subdivision has an estimate that may be told.")]
    withheld = [Text(WITHHELD)] if lots["is_withheld"].any() else []
    return [
        Text("By chance of a repair-grade finding now. A lot that no camera has seen has an estimate, not a condition."),
        *withheld,
        Table(f"The {lots.height} lots with the highest chance", lots, LOT_COLUMNS),
    ]  # fmt: skip


LOT_COLUMNS = (
    Shown("lot", lambda r: r["address"] or r["lot_id"]),
    Shown("built", lambda r: str(r["year_built"] or "–"), is_number=True),
    Shown("line", lambda r: r["line_summary"] or "not described"),
    Shown(
        "looks",
        lambda r: "withheld" if r["is_withheld"] else wording.number(r["n_inspections"]),
        is_number=True,
    ),
    Shown(
        "chance now",
        lambda r: wording.estimate(
            r["failure_probability"], r["failure_probability_lower"], r["failure_probability_upper"]
        ),
        is_number=True,
    ),
)

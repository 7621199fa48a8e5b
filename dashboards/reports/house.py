"""The pre-sale report on one house's line, on one or two pages."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboards import wording
from dashboards.charts import sale
from dashboards.data import Records
from dashboards.pages import house
from dashboards.reports.document import (
    Block,
    Bullets,
    Caution,
    Document,
    Figures,
    Picture,
    Section,
    Table,
    Text,
    document,
)
from pipeline.vocabulary import FindingKind

#: Camera runs that are listed; a report is read, not searched.
MOST_RUNS = 6
WHOSE = (
    "It tells what a camera saw in this line, and the client of that look has not agreed that others be told"
)
WHOSE_STEPS = (
    "Hand it to that client only, or to whom the client names.",
    "Where the client agrees that it be told with the address, the inspection's consent is 'identified'.",
)
NEXT_STEPS = (
    "Have the whole line inspected by camera before the contract binds, from the clean-out nearest the building to the main, with the "
    "line drained before bellies are judged.",
    "Ask for the recording, the footage of each finding, and what was not reached: what a camera has not seen is not known to be sound.",
    "A finding is a reason to ask licensed people for a price, not a price.",
)


def report(records: Records, lot_id: str) -> Document:
    """Make the report.

    Parameters
    ----------
    records : Records
        One published generation.
    lot_id : str
        A lot of it.
    """
    run, lot = records.run, records.lot(lot_id)
    findings = records.lot_part("findings", lot_id)
    sections = [
        *_stop_work(findings),
        *_whose(lot),
        Section("Estimate", tuple(_estimate(run, lot))),
        Section("What this rests on", tuple(_behind(records, lot))),
        Section("What to do next", (Bullets(NEXT_STEPS),)),
        Section("The line, from the building to the main", tuple(_line(records, lot))),
        Section("Every look at this line", tuple(_looks(records, lot_id, findings))),
    ]
    return document(
        run, house.address(lot), "The sewer lateral before a sale: a screening estimate", sections, []
    )


def _stop_work(findings: pl.DataFrame) -> list[Section]:
    if findings.filter(pl.col("kind") == FindingKind.FOREIGN_LINE.value).is_empty():
        return []
    return [Section("Stop", (Caution(wording.STOP_WORK, tuple(wording.STOP_WORK_STEPS)),))]


def _whose(lot: Mapping[str, Any]) -> list[Section]:
    """Say for whom the report is, where a client has not agreed that the result be told with the address."""
    if not lot["n_inspections"] or lot["tells_own_results"]:
        return []
    return [Section("Whose report this is", (Caution(WHOSE, WHOSE_STEPS),))]


def _estimate(run: Mapping[str, Any], lot: Mapping[str, Any]) -> list[Block]:
    if lot["status"] != "ok":
        refused = wording.REFUSED.get(lot["status"], "No estimate")
        return [Text(f"{refused}: no estimate is given. {lot['sentence'] or ''}")]
    unseen: list[Block] = [] if lot["n_inspections"] else [Caution(wording.NO_CAMERA)]
    return [
        *unseen,
        Figures(tuple(house.chance_figures(run, lot))),
        Picture(sale.chances(house.chances(run, lot)), house.chances_say(run), 130),
    ]


def _behind(records: Records, lot: Mapping[str, Any]) -> list[Block]:
    reasons = records.lot_part("reasons", lot["lot_id"])
    built = f"House built {lot['year_built']}." if lot["year_built"] else "Year of the house not recorded."
    why: list[Block] = [Text("Why:"), Bullets(tuple(reasons["reason"].to_list()))] if reasons.height else []
    return [Bullets((*house.rests_on(lot), built)), *why]


def _line(records: Records, lot: Mapping[str, Any]) -> list[Block]:
    segments = records.lot_part("segments", lot["lot_id"])
    if segments.is_empty():
        return [Text("No segment of this line is on record, so its material and age are estimated.")]
    placed, _ = house.along(segments)
    asbestos: list[Block] = (
        [Caution(wording.ASBESTOS)] if house.HOLDS_ASBESTOS & set(segments["material"]) else []
    )
    return [
        Picture(sale.line(placed), lot["line_summary"] or "", 155),
        Table("Segments", placed, house.SEGMENT_COLUMNS),
        *asbestos,
    ]


def _looks(records: Records, lot_id: str, findings: pl.DataFrame) -> list[Block]:
    runs = records.lot_part("inspections", lot_id)
    if runs.is_empty():
        return [Text(wording.NO_CAMERA)]
    newest = findings.filter(pl.col("inspection_id") == runs["inspection_id"][0])
    more: list[Block] = (
        [Table("Findings of the newest run", newest, house.FINDING_COLUMNS)] if newest.height else []
    )
    return [Table("Camera runs, newest first", runs.head(MOST_RUNS), house.INSPECTION_COLUMNS), *more]

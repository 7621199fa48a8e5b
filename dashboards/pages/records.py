"""The records: what was loaded, what was turned away, and what contradicts itself."""

from __future__ import annotations

from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import intake
from dashboards.data import Records
from dashboards.pages import news
from dashboards.pages.intake import Intake, action
from dashboards.parts import Shown
from pipeline.vocabulary import CheckKind, RejectReason


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    intake_ = None if records.workspace is None else Intake(records.workspace)
    return pn.Column(
        parts.title(wording.PAGES["records"], wording.LEADS["records"]),
        *([] if intake_ is None else [parts.guarded(intake_.panel)]),
        parts.guarded(lambda: news.section(records)),
        parts.guarded(lambda: parts.card(*_coverage(records))),
        parts.guarded(lambda: parts.card(*_loads(records))),
        parts.guarded(lambda: parts.card(*_rejects(records), *_mend(records, intake_))),
        parts.guarded(lambda: parts.card(*_contradictions(records))),
        sizing_mode="stretch_width",
    )


def _coverage(records: Records) -> list[pn.viewable.Viewable]:
    run = records.run
    share = wording.share(run["n_lots_inspected"], run["n_lots"])
    return [
        parts.heading("What is on record"),
        parts.figures(
            [
                (wording.number(run["n_lots"]), "lots"),
                (wording.number(run["n_inspections"]), "inspections"),
                (
                    wording.number(run["n_lots_inspected"]),
                    f"lots with a judged look ({share})",
                ),
                (wording.number(run["n_segments"]), "segments described"),
                (wording.number(run["n_looks_selected"]), "looks made because something was wrong"),
            ]
        ),
        *([parts.paragraph(untold)] if (untold := wording.years_not_on_record(run)) else []),
        parts.table(
            records.record_counts().filter((pl.col("n_rows") > 0) | (pl.col("n_superseded") > 0)),
            [
                Shown("table", lambda r: wording.word(r["table_name"])),
                Shown("rows on record", lambda r: wording.number(r["n_rows"]), is_number=True),
                Shown("older rows kept aside", lambda r: wording.number(r["n_superseded"]), is_number=True),
            ],
            caption="Rows by table",
        ),
    ]


def _loads(records: Records) -> list[pn.viewable.Viewable]:
    loads = records.loads()
    head = parts.heading("Loads")
    if loads.is_empty():
        return [head, parts.empty("Nothing was loaded", wording.LOAD_TODO)]
    return [
        head,
        parts.key(zip(intake.COLOURS, intake.KINDS.values(), strict=True)),
        parts.chart(
            intake.accounting(loads.head(20)),
            height=60 + 26 * min(loads.height, 20),
            says="Each bar is one load, numbered as in the table below; its parts add up to all rows that were read.",
        ),
        parts.table(
            loads,
            [
                Shown("no.", lambda r: wording.number(r["load_id"]), is_number=True),
                Shown("file", lambda r: r["file_name"]),
                Shown("loaded", lambda r: wording.day(r["loaded_at"])),
                Shown("layout", lambda r: wording.word(r["layout"])),
                Shown("read", lambda r: wording.number(r["n_read"]), is_number=True),
                Shown("accepted", lambda r: wording.number(r["n_accepted"]), is_number=True),
                Shown("already there", lambda r: wording.number(r["n_unchanged"]), is_number=True),
                Shown("repeated", lambda r: wording.number(r["n_duplicate"]), is_number=True),
                Shown("rejected", lambda r: wording.number(r["n_rejected"]), is_number=True),
                Shown("replaced", lambda r: wording.number(r["n_superseded"]), is_number=True),
            ],
            caption="Read = accepted + already there + repeated + rejected",
        ),
    ]


def _rejects(records: Records) -> list[pn.viewable.Viewable]:
    counts = records.reject_counts()
    head = parts.heading("Rows that were not taken")
    if counts.is_empty():
        return [head, parts.paragraph("Every row was taken.")]
    by_reason = (
        counts.group_by("reason_code")
        .agg(pl.col("n_rejects").sum())
        .sort("n_rejects", "reason_code", descending=[True, False])
        .with_columns(reason=pl.col("reason_code").map_elements(wording.word, return_dtype=pl.String))
    )
    return [
        head,
        parts.chart(
            intake.reasons(by_reason),
            height=60 + 26 * by_reason.height,
            says="Faults by reason. A row may have more than one fault.",
        ),
        parts.table(
            by_reason,
            [
                Shown("reason", lambda r: r["reason"]),
                Shown("faults", lambda r: wording.number(r["n_rejects"]), is_number=True),
                Shown("meaning", lambda r: wording.meaning(RejectReason, r["reason_code"])),
            ],
            caption="Reasons",
        ),
        parts.table(
            records.rejects(),
            [
                Shown("file", lambda r: r["file_name"]),
                Shown("row", lambda r: wording.number(r["source_row"]), is_number=True),
                Shown("column", lambda r: r["column_name"] or "–"),
                Shown("value", lambda r: r["value"] or "(empty)"),
                Shown("what is wrong and what to do", lambda r: r["reason"]),
            ],
            caption="A few rows for each reason",
        ),
        parts.text_with_commands(wording.REJECTS_TODO),
    ]


def _mend(records: Records, intake_: Intake | None) -> list[pn.viewable.Viewable]:
    """The way to mend rows of an earlier load on the page."""
    faulty = records.loads().filter(pl.col("n_rejected") > 0)
    if intake_ is None or faulty.is_empty():
        return []
    load = pn.widgets.Select(
        name="Mend the rows of", width=340, stylesheets=[theme.WIDGET],
        options={f"load {r['load_id']}: {r['file_name']} ({wording.count(r['n_rejected'], 'row')})": r["load_id"] for r in faulty.iter_rows(named=True)},
    )  # fmt: skip

    async def mend(_event: Any) -> None:
        await intake_.mend(int(load.value))

    return [
        pn.FlexBox(load, action("Mend them here", mend), gap="8px", align_items="flex-end", sizing_mode="stretch_width"),
        parts.paragraph("The rows then stand at the top of this page, under “Bring in a file”.", small=True),
    ]  # fmt: skip


def _contradictions(records: Records) -> list[pn.viewable.Viewable]:
    found = records.contradictions()
    head = parts.heading("Where the records contradict themselves")
    if found.is_empty():
        return [head, parts.paragraph("No contradiction was found in the rows that were taken.")]
    return [
        head,
        parts.paragraph("These rows were taken as they are; nothing was mended silently."),
        parts.table(
            found,
            [
                Shown("kind", lambda r: wording.word(r["kind"])),
                Shown("records", lambda r: wording.number(r["n"]), is_number=True),
                Shown("meaning", lambda r: r["meaning"] or wording.meaning(CheckKind, r["kind"])),
                Shown("for instance", lambda r: r["example"] or ""),
            ],
            caption="Contradictions by kind",
        ),
    ]

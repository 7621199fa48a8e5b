"""A proposed column map and checked rows in plain words and numbers, for a page that cannot import the pipeline."""

from __future__ import annotations

import tomllib
from typing import Any

import polars as pl

from pipeline import quantities
from pipeline.column_map import ColumnMap
from pipeline.columns import LAYOUTS, Column
from pipeline.material_runs import MATERIAL_CODES
from pipeline.readers.raw import RawRows
from pipeline.steps.load_plan import LoadPlan
from pipeline.validate import CheckedRows
from pipeline.vocabulary import RejectReason

SAMPLES = 3
#: Faults that are shown to be mended; the numbers by reason are complete.
MOST_FAULTS = 40
MOST_WORDS = 24
WORD_REASONS = (
    RejectReason.UNKNOWN_CODE,
    RejectReason.UNKNOWN_MATERIAL,
    RejectReason.AMBIGUOUS_MATERIAL,
)
#: What cannot be read at all is the same fault in every row that says it, and may be mended in all of them at once.
SAME_IN_EVERY_ROW = (RejectReason.NOT_A_NUMBER, RejectReason.NOT_A_DATE, RejectReason.AMBIGUOUS_DATE)
DATE_FORMATS = {"mdy": "month, day, year", "dmy": "day, month, year", "ymd": "year, month, day"}


def proposal_in_words(plan: LoadPlan) -> dict[str, Any]:
    """Return what a page needs to show a proposed map and let it be changed."""
    column_map, raw = plan.column_map, plan.raw
    table = LAYOUTS[column_map.layout]
    taken = {header: name for name, rule in column_map.columns.items() for header in rule.headers}
    return {
        "file": raw.path.name,
        "n_rows": raw.n_read,
        "layout": column_map.layout,
        "layouts": [{"name": t.name, "text": t.text} for t in LAYOUTS.values()],
        "columns": [_column(column) for column in table.columns],
        "headers": [
            {"header": header, "column": taken.get(header, ""), "sample": _sample(raw, header)}
            for header in raw.headers
        ],
        "notes": [note.for_the_page() for note in plan.proposal.open_points] if plan.proposal else [],
        "sheet": raw.sheet,
        "other_sheets": list(raw.other_sheets),
        "missing": list(plan.proposal.missing) if plan.proposal else [],
        "map": tomllib.loads(column_map.to_toml()),
    }


def _column(column: Column) -> dict[str, Any]:
    forms = DATE_FORMATS if column.kind == "date" else {u: u for u in quantities.units_for(column.name)}
    return {"name": column.name, "text": column.text, "is_required": column.required, "kind": column.kind, "forms": forms}  # fmt: skip


def _sample(raw: RawRows, header: str) -> list[str]:
    values = raw.column(header).drop_nulls().str.strip_chars()
    return values.filter(values != "").unique(maintain_order=True).head(SAMPLES).to_list()


def checked_in_words(raw: RawRows, checked: CheckedRows, column_map: ColumnMap) -> dict[str, Any]:
    """Return the account of a checked file: numbers by reason, faults to mend, words to explain."""
    rejects = checked.rejects
    reasons = (
        rejects.group_by("reason_code").agg(n=pl.col("source_row").n_unique()).sort("n", descending=True)
    )
    meanings = {reason.value: reason.meaning for reason in RejectReason}
    return {
        "n_read": checked.n_read,
        "n_rejected": checked.n_rejected,
        "reasons": [
            {"code": code, "n": n, "meaning": meanings.get(code, code)} for code, n in reasons.iter_rows()
        ],
        "faults": [
            _fault(row, column_map) for row in _alike(rejects).head(MOST_FAULTS).iter_rows(named=True)
        ],
        "n_faults": rejects.height,
        "words": _words(rejects, column_map),
    }


def _alike(rejects: pl.DataFrame) -> pl.DataFrame:
    """Return the faults with their source rows, those with one unreadable text in one column together."""
    is_same = pl.col("reason_code").is_in([reason.value for reason in SAME_IN_EVERY_ROW])
    is_same &= pl.col("value").is_not_null()
    own = pl.when(is_same).then(None).otherwise(pl.int_range(pl.len()))
    together = ["table_name", "column_name", "value", "reason_code", "reason", "own"]
    return (
        rejects.with_columns(own=own)
        .group_by(together, maintain_order=True)
        .agg(rows=pl.col("source_row").unique(maintain_order=True))
    )


def _fault(row: dict[str, Any], column_map: ColumnMap) -> dict[str, Any]:
    rule = column_map.columns.get(row["column_name"] or "")
    # A cell made of several headers, or of none, can only be mended in the file.
    header = rule.headers[0] if rule is not None and len(rule.headers) == 1 else None
    return {
        "rows": row["rows"],
        "header": header,
        "column": row["column_name"],
        "value": row["value"] or "",
        "reason": _reason_on_page(row),
    }


def _reason_on_page(row: dict[str, Any]) -> str:
    if row["reason_code"] != RejectReason.AMBIGUOUS_DATE:
        return str(row["reason"])
    return (
        f"Day and month of {row['value']!r} cannot be told apart. Choose their order under “read as”, where the columns "
        "are chosen, or write the day as 2024-03-31."
    )


def _words(rejects: pl.DataFrame, column_map: ColumnMap) -> list[dict[str, Any]]:
    """Words that are in no list, with the codes that each may stand for."""
    codes = [reason.value for reason in WORD_REASONS]
    found = (
        rejects.filter(pl.col("reason_code").is_in(codes) & pl.col("value").is_not_null())
        .group_by("column_name", "value")
        .agg(n=pl.col("source_row").n_unique())
        .sort("n", "value", descending=[True, False])
        .head(MOST_WORDS)
    )
    return [
        {"column": name, "word": word, "n": n, "codes": list(_codes(column_map.table.by_name[name]))}
        for name, word, n in found.iter_rows()
        if _codes(column_map.table.by_name[name])
    ]


def _codes(column: Column) -> tuple[str, ...]:
    if column.name == "material_run":
        return MATERIAL_CODES
    return column.codes.codes() if column.codes is not None else ()

"""Rows of a sheet that are no records: a total at the bottom, headers repeated at each page, notes across the sheet."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.readers.raw import RawRows, reject_rows
from pipeline.vocabulary import RejectReason

#: A total stands among the last rows.
TAIL_ROWS = 5
#: A row whose only filled cell holds a sentence is a note, if the sheet has at least this many columns.
FEWEST_COLUMNS_BESIDE_A_NOTE = 4
_SENTENCE = r"\pL+\W+\pL+\W+\pL+"
_TOTAL = r"(?i)^\s*(grand |sub)?(totals?|sum|average|mean|count)\s*:?\s*$"


def set_aside_totals(raw: RawRows) -> RawRows:
    """Move rows that hold a total or a note, or repeat the headers, from the records to the malformed rows."""
    cells = [f"c{i}" for i in range(1, len(raw.headers) + 1)]
    first_filled = pl.coalesce(cells)
    is_tail = pl.col("position") >= raw.rows.height - TAIL_ROWS
    repeats = pl.all_horizontal(
        pl.col(c).fill_null("").str.strip_chars() == ("" if header.startswith("column ") else header)
        for c, header in zip(cells, raw.headers, strict=True)
    )
    n_filled = pl.sum_horizontal(pl.col(c).is_not_null() for c in cells)
    is_note = (
        (n_filled == 1)
        & first_filled.str.contains(_SENTENCE)
        & pl.lit(len(cells) >= FEWEST_COLUMNS_BESIDE_A_NOTE)
    )
    reason = (
        pl.when(is_tail & first_filled.str.contains(_TOTAL))
        .then(pl.lit("This is a total under the records, not a record."))
        .when(repeats)
        .then(pl.lit("This row repeats the headers."))
        .when(is_note)
        .then(pl.lit("This is a note across the sheet, not a record."))
        .alias("reason")
    )
    # Of the first three cells a note leaves at least two empty: a quick look that spares most rows the full one.
    doubtful = pl.sum_horizontal(pl.col(c).is_null() for c in cells[:3]) >= min(len(cells), 3) - 1
    aside = (
        raw.rows.with_row_index("position")
        .filter(is_tail | doubtful | (pl.col("c1") == raw.headers[0]))
        .with_columns(reason, first_filled.alias("value"))
        .filter(pl.col("reason").is_not_null())
    )
    if aside.is_empty():
        return raw
    lines = reject_rows(
        [
            (row, None, value, RejectReason.MALFORMED_ROW, text)
            for row, value, text in aside.select("source_row", "value", "reason").iter_rows()
        ]
    )
    return replace(
        raw,
        rows=raw.rows.join(aside.select("source_row"), on="source_row", how="anti", maintain_order="left"),
        malformed=pl.concat([raw.malformed, lines]).sort("source_row", maintain_order=True),
    )

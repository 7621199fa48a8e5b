"""The result of checking a file, and the walk from raw rows to it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.column_rules import ColumnMap, ColumnRule, fold, near
from pipeline.columns import Column
from pipeline.errors import ColumnError
from pipeline.readers.raw import REJECT_SCHEMA, RawRows
from pipeline.validation import jobs
from pipeline.validation.cells import FAULT_SCHEMA, FRAME_TYPES, Reading, read_column
from pipeline.validation.row_checks import RowCheck, checks_of

NO_RULE = ColumnRule()


@dataclass(frozen=True, slots=True)
class CheckedRows:
    """What one file gives.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        Canonical table name to accepted rows: `source_row`, then every column of the table in order.
        The layout "jobs" gives lots, inspections and segments; any other layout its own table.
    rejects : polars.DataFrame
        Columns of `readers.REJECT_SCHEMA`; a row with several faults has several lines.
    n_read : int
        Source rows met; each is either in `tables` or in `rejects`.
    """

    tables: dict[str, pl.DataFrame]
    rejects: pl.DataFrame
    n_read: int

    @property
    def n_rejected(self) -> int:
        """Source rows rejected, each counted once."""
        return self.rejects["source_row"].n_unique()


def check(raw: RawRows, column_map: ColumnMap, *, today: date) -> CheckedRows:
    """Type and check every row.

    Parameters
    ----------
    raw : RawRows
        Rows as read.
    column_map : ColumnMap
        What the headers and words mean.
    today : date
        Dates after it are rejected.

    Raises
    ------
    ColumnError
        The map names a header that the file does not have.
    """
    table = column_map.table
    given = given_text(raw, column_map)
    frame, faults = _typed(given, column_map, today)
    if table.name == jobs.LAYOUT:
        frame = jobs.with_lot_id(frame)
        faults.append(jobs.material_faults(given, column_map))
    faults.extend(_faults_of(row_check, frame, given) for row_check in checks_of(table, today=today))
    found = pl.concat([pl.DataFrame(schema=FAULT_SCHEMA), *faults])
    accepted = frame
    if not found.is_empty():
        faulty = found.select(pl.col("source_row").unique())
        accepted = frame.join(faulty, on="source_row", how="anti", maintain_order="left")
    tables = jobs.split(accepted, column_map) if table.name == jobs.LAYOUT else {table.name: accepted}
    return CheckedRows(tables, _rejects(raw, found, table.name), raw.n_read)


def given_text(raw: RawRows, column_map: ColumnMap) -> pl.DataFrame:
    """Lay the file's text under our column names: `source_row`, then the layout's columns; null where empty.

    Raises
    ------
    ColumnError
        The map names a header that the file does not have.
    """
    return raw.rows.select(
        "source_row",
        *(
            _given(raw, column_map.columns.get(column.name, NO_RULE)).alias(column.name)
            for column in column_map.table.columns
        ),
    )


def _given(raw: RawRows, rule: ColumnRule) -> pl.Expr:
    if rule.value is not None:
        return pl.lit(rule.value, dtype=pl.String)
    if not rule.headers:
        return pl.lit(None, dtype=pl.String)
    cells = [pl.col(_position(raw, header)) for header in rule.headers]
    if len(cells) == 1:
        return cells[0]
    joined = pl.concat_str([cell.str.strip_chars() for cell in cells], separator=" ", ignore_nulls=True)
    return pl.when(joined != "").then(joined)


def _position(raw: RawRows, header: str) -> str:
    for position, name in enumerate(raw.headers, start=1):
        if name == header or fold(name) == fold(header):
            return f"c{position}"
    raise ColumnError(
        raw.path,
        header,
        "the column map names this header, but the file does not have it.",
        near(header, raw.headers).strip() or f"Its headers are: {', '.join(raw.headers)}.",
    )


def _typed(
    given: pl.DataFrame, column_map: ColumnMap, today: date
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    columns: list[pl.Series] = [given["source_row"]]
    faults = []
    for column in column_map.table.columns:
        if column.name not in column_map.columns:
            columns.append(_empty(column, given.height))
            continue
        reading = Reading(
            column=column,
            rule=column_map.columns[column.name],
            words=column_map.values.get(column.name, {}),
            decimal=column_map.decimal,
            today=today,
        )
        typed = read_column(given[column.name], given["source_row"], reading)
        columns.append(typed.values.alias(column.name))
        faults.append(typed.faults)
    return pl.DataFrame(columns), faults


def _empty(column: Column, height: int) -> pl.Series:
    return pl.Series(column.name, [None], dtype=FRAME_TYPES[column.kind]).new_from_index(0, height)


def _faults_of(row_check: RowCheck, frame: pl.DataFrame, given: pl.DataFrame) -> pl.DataFrame:
    """Make the faults that one check finds; the value is the text as given."""
    faulty = frame.select(row_check.when.fill_null(value=False).alias("faulty"))["faulty"]
    if not faulty.any():
        return pl.DataFrame(schema=FAULT_SCHEMA)
    return (
        frame.filter(faulty)
        .select("source_row", row_check.reason.alias("reason"))
        .with_columns(
            given[row_check.column].filter(faulty).alias("value"),
            pl.lit(row_check.column).alias("column_name"),
            pl.lit(row_check.code.value).alias("reason_code"),
        )
        .select(list(FAULT_SCHEMA))
    )


def _rejects(raw: RawRows, faults: pl.DataFrame, table_name: str) -> pl.DataFrame:
    """Bring all rejects into one table, in the order of the file.

    A value that could not be read is also missing; only the first of the two is said.
    """
    unread = faults.filter(pl.col("reason_code") != "missing_value").select("source_row", "column_name")
    missing = faults.filter(pl.col("reason_code") == "missing_value").join(
        unread, on=["source_row", "column_name"], how="anti", nulls_equal=True
    )
    lines: Iterable[pl.DataFrame] = (
        raw.malformed.drop("table_name"),
        faults.filter(pl.col("reason_code") != "missing_value"),
        missing,
    )
    return (
        pl.concat(lines)
        .with_columns(pl.lit(table_name).alias("table_name"))
        .select(list(REJECT_SCHEMA))
        .sort("source_row", maintain_order=True)
    )

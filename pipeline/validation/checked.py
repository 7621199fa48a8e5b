"""The result of checking a file, and the walk from raw rows to it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.column_rules import ColumnMap
from pipeline.columns import Column, Kind
from pipeline.readers.raw import RawRows

#: Type of each kind of column in the checked frames.
FRAME_TYPES: dict[Kind, pl.DataType] = {
    "text": pl.String(),
    "code": pl.String(),
    "integer": pl.Int32(),
    "number": pl.Float64(),
    "date": pl.Date(),
    "flag": pl.Boolean(),
}


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


def frame_type(column: Column) -> pl.DataType:
    """Polars type of a column."""
    return FRAME_TYPES[column.kind]


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
    columns = []
    for column in table.columns:
        rule = column_map.columns.get(column.name)
        given = raw.column(rule.headers[0]) if rule else pl.Series([None] * raw.rows.height, dtype=pl.String)
        columns.append(given.replace("", None).cast(frame_type(column)).alias(column.name))
    frame = raw.rows.select("source_row").with_columns(columns)
    return CheckedRows({table.name: frame}, raw.malformed, raw.n_read)

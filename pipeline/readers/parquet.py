"""Parquet files. Typed columns become text again, so that one way of checking holds for every format."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.errors import InputFileError
from pipeline.readers.raw import RawRows, no_rejects, sha256_of, unique_headers

MAGIC = b"PAR1"


def read(path: Path) -> RawRows:
    """Read a Parquet file; its first row is row 2, as if the column names stood in row 1.

    Raises
    ------
    InputFileError
        No Parquet, damaged or cut off, nested columns, or no rows.
    """
    try:
        frame = pl.read_parquet(path)
    except (pl.exceptions.PolarsError, OSError) as exc:
        raise InputFileError(
            path,
            "the Parquet file is damaged or incomplete.",
            "Copy or export it again.",
        ) from exc
    for name, kind in frame.schema.items():
        if kind.is_nested() or kind in (pl.Binary, pl.Object, pl.Duration):
            raise InputFileError(
                path, f"column '{name}' holds lists, bytes or spans of time.", "Export it as plain columns."
            )
    if frame.is_empty():
        raise InputFileError(
            path, "there are columns but no rows.", "Choose the file that holds the records."
        )
    rows = as_text(frame)
    return RawRows(path, sha256_of(path), None, unique_headers(frame.columns), rows, no_rejects())


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Turn typed columns into `source_row` and `c1` … `cN`; whole numbers lose their ".0"."""
    columns = []
    for i, (name, kind) in enumerate(frame.schema.items(), start=1):
        text = pl.col(name).cast(pl.String)
        if kind.is_float():
            text = text.str.strip_suffix(".0")
        elif kind == pl.String:
            text = pl.when(text != "").then(text)
        columns.append(text.alias(f"c{i}"))
    return frame.select(columns).with_row_index("source_row", offset=2).cast({"source_row": pl.Int64})

"""Cells that a user has mended on the page, put into a file's rows before they are checked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from typing import TypedDict

import polars as pl

from pipeline.errors import ColumnError
from pipeline.readers.raw import RawRows


class Cell(TypedDict):
    """A mended cell: row as a spreadsheet numbers it, the file's header, and the new text."""

    row: int
    header: str
    text: str


def mended(raw: RawRows, cells: Sequence[Cell]) -> RawRows:
    """Return the file's rows with some cells replaced; the hash then stands for file and mends together.

    Parameters
    ----------
    raw : RawRows
        As read.
    cells : sequence of Cell
        New texts; an empty text empties the cell.

    Raises
    ------
    ColumnError
        A cell names a header that the file does not have.
    """
    if not cells:
        return raw
    rows = raw.rows
    for header in sorted({cell["header"] for cell in cells}):
        if header not in raw.headers:
            raise ColumnError(
                raw.path, header, "the file does not have this header.", "Propose the map again."
            )
        name = f"c{raw.headers.index(header) + 1}"
        texts = {cell["row"]: cell["text"].strip() or None for cell in cells if cell["header"] == header}
        new = pl.col("source_row").replace_strict(texts, default=None, return_dtype=pl.String)
        is_mended = pl.col("source_row").is_in(list(texts))
        rows = rows.with_columns(pl.when(is_mended).then(new).otherwise(pl.col(name)).alias(name))
    told = json.dumps(sorted(cells, key=lambda c: (c["row"], c["header"])), sort_keys=True)
    return replace(raw, rows=rows, sha256=hashlib.sha256(f"{raw.sha256}\n{told}".encode()).hexdigest())

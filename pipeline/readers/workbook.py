"""Excel workbooks, through calamine (fastexcel).

Cells come as text: real dates as "2024-03-31 00:00:00", whole numbers without a decimal point. Of merged cells
the first holds the value and the others are empty, as calamine gives them.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.errors import InputFileError
from pipeline.readers.headers import find_header_row, headers_at
from pipeline.readers.raw import RawRows, no_rejects, sha256_of, unique_headers, without_blank_rows

#: First bytes of the old binary format, and of a workbook that is encrypted with a password.
OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
#: Name of the stream that holds an encrypted workbook, as it stands in the container's directory.
ENCRYPTED = "EncryptedPackage".encode("utf-16-le")


def read(path: Path, *, sheet: str | None, header_row: int | None) -> RawRows:
    """Read one sheet of a workbook.

    Raises
    ------
    InputFileError
        No workbook, damaged, protected by a password, no such sheet, or no rows under the headers.
    """
    reader = _open(path)
    name, cells, others = _choose(path, reader, sheet)
    position = find_header_row(_first_rows(cells)) if header_row is None else header_row - 1
    if position >= cells.height:
        raise InputFileError(
            path, f"sheet '{name}' has no row {header_row}.", "Correct header_row in the column map."
        )
    cells = _without_empty_columns(cells, position)
    names, position = headers_at(_first_rows(cells, position + 2), position)
    headers = unique_headers(names)
    rows = without_blank_rows(
        cells.rename({old: f"c{i}" for i, old in enumerate(cells.columns, start=1)})
        .with_row_index("source_row", offset=1)
        .cast({"source_row": pl.Int64})
        .slice(position + 1)
        .with_columns(pl.exclude("source_row").replace("", None))
    )
    if rows.is_empty():
        raise InputFileError(
            path,
            f"sheet '{name}' has headers but no rows under them.",
            "Choose the sheet that holds the records.",
        )
    return RawRows(path, sha256_of(path), name, headers, rows, no_rejects(), others)


def _open(path: Path) -> fastexcel.ExcelReader:
    with path.open("rb") as file:
        start = file.read(len(OLE_MAGIC))
        if start == OLE_MAGIC and ENCRYPTED in file.read():
            raise InputFileError(
                path,
                "the workbook is protected by a password.",
                "Save a copy without a password and load that.",
            )
    try:
        return fastexcel.read_excel(path)
    except fastexcel.FastExcelError as exc:
        raise _damaged(path) from exc


def _damaged(path: Path) -> InputFileError:
    if zipfile.is_zipfile(path) and "xl/workbook.xml" not in zipfile.ZipFile(path).namelist():
        return InputFileError(
            path, "this is not an Excel workbook.", "Give the workbook, or save the table as CSV."
        )
    return InputFileError(
        path,
        "the workbook is damaged or incomplete.",
        "Open it in a spreadsheet program, save it anew and load that; or save the sheet as CSV.",
    )


def _choose(
    path: Path, reader: fastexcel.ExcelReader, sheet: str | None
) -> tuple[str, pl.DataFrame, tuple[str, ...]]:
    """Return the sheet asked for, or the first of those with most cells filled in their header row; and the others."""
    names = reader.sheet_names
    asked = None
    if sheet is not None:
        asked = next((name for name in names if name.casefold() == sheet.casefold()), None)
        if asked is None:
            raise InputFileError(
                path, f"there is no sheet '{sheet}'.", f"Its sheets are: {', '.join(names)}."
            )
    filled = {name: cells for name in names if (cells := _cells(path, reader, name)).height}
    if not filled or (asked is not None and asked not in filled):
        where = "the workbook" if asked is None else f"sheet '{asked}'"
        raise InputFileError(path, f"{where} has no filled cells.", "Choose the file that holds the records.")
    name = asked or max(filled, key=lambda name: _header_width(filled[name]))
    return name, filled[name], tuple(other for other in filled if other != name)


def _cells(path: Path, reader: fastexcel.ExcelReader, name: str) -> pl.DataFrame:
    try:
        # skip_rows=0 keeps the empty rows at the top, without which rows would not have the spreadsheet's numbers.
        cells: pl.DataFrame = reader.load_sheet(
            name, header_row=None, skip_rows=0, dtypes="string"
        ).to_polars()
        return cells
    except fastexcel.FastExcelError as exc:
        raise _damaged(path) from exc


def _first_rows(cells: pl.DataFrame, n: int = 100) -> list[list[str]]:
    return [[(cell or "").strip() for cell in row] for row in cells.head(n).rows()]


def _header_width(cells: pl.DataFrame) -> int:
    rows = _first_rows(cells)
    return sum(bool(cell) for cell in rows[find_header_row(rows)])


def _without_empty_columns(cells: pl.DataFrame, position: int) -> pl.DataFrame:
    """Drop columns that have neither a header nor a value."""
    below = cells.slice(position)
    return cells.select(
        name for name in cells.columns if (below[name].fill_null("").str.len_bytes() > 0).any()
    )

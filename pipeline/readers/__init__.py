"""Readers: one module per kind of file; all hand over `RawRows`.

`read` chooses the reader by the file's name and first bytes, and turns every fault of a library into an
`InputFileError`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.errors import InputFileError
from pipeline.formulas import as_given, is_guarded
from pipeline.readers import delimited, parquet, workbook
from pipeline.readers.raw import REJECT_SCHEMA, RawRows, no_rejects
from pipeline.readers.trimming import set_aside_totals

__all__ = ["REJECT_SCHEMA", "RawRows", "no_rejects", "read"]

WORKBOOKS = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"})
GEOGRAPHIC = frozenset({".geojson", ".gpkg", ".shp", ".json"})
TEXTS = frozenset({".csv", ".tsv", ".txt", ".tab"})
KINDS = "CSV, Excel, Parquet, GeoJSON, GeoPackage and shapefile can be read."

#: First bytes of kinds of file that are often met under a wrong name, and what they are.
MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "a workbook or another zip archive"),
    (workbook.OLE_MAGIC, "an old Excel workbook or another Office file"),
    (parquet.MAGIC, "a Parquet file"),
    (b"SQLite format 3\x00", "a GeoPackage or another SQLite file"),
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a compressed file"),
)


def read(
    path: str | Path,
    *,
    sheet: str | None = None,
    header_row: int | None = None,
    delimiter: str | None = None,
    grid: int | str | None = None,
) -> RawRows:
    """Read one file as text rows.

    Parameters
    ----------
    path : str or Path
        CSV or other delimited text, Excel workbook, Parquet, GeoJSON, GeoPackage or shapefile.
    sheet : str, optional
        Sheet of a workbook or layer of a GeoPackage; the widest sheet or the first layer where not given.
    header_row : int, optional
        Row that holds the headers, as a spreadsheet numbers it; found by itself where not given.
    delimiter : str, optional
        Character between fields of delimited text; found by itself where not given.
    grid : int or str, optional
        EPSG code of the coordinates of a geographic file that does not say it, or says it wrongly; "local" for
        feet of a grid without a code. Other kinds of files say it in a column.

    Raises
    ------
    InputFileError
        The file is missing, empty, damaged, protected, or not of a kind that can be read.
    """
    path = Path(path)
    start = _first_bytes(path)
    suffix = path.suffix.lower()
    if suffix in WORKBOOKS:
        _refuse_other(path, start, "an Excel workbook", (b"PK", workbook.OLE_MAGIC))
        raw = workbook.read(path, sheet=sheet, header_row=header_row)
    elif suffix in {".parquet", ".pq"}:
        _refuse_other(path, start, "a Parquet file", (parquet.MAGIC,))
        raw = parquet.read(path)
    elif suffix in GEOGRAPHIC:
        from pipeline.readers import geographic  # noqa: PLC0415 - half a second, for pandas, that few files need

        raw = geographic.read(path, sheet=sheet, grid=grid)
    elif suffix in TEXTS:
        _refuse_other(path, start, "a text table", ())
        raw = delimited.read(path, header_row=header_row, delimiter=delimiter)
    else:
        raise InputFileError(path, f"files ending in '{suffix}' cannot be read.", KINDS)
    return set_aside_totals(_as_given(raw) if is_guarded(raw.headers) else raw)


def _as_given(raw: RawRows) -> RawRows:
    """Undo in a file of rejected rows what kept its text from being run as formulas."""
    headers = tuple(pl.select(as_given(pl.lit(pl.Series(raw.headers)))).to_series())
    return replace(raw, headers=headers, rows=raw.rows.with_columns(as_given(pl.col(pl.String))))


def _first_bytes(path: Path) -> bytes:
    """Read the first bytes, and refuse what is no readable file."""
    try:
        with path.open("rb") as file:
            start = file.read(16)
    except FileNotFoundError as exc:
        raise InputFileError(path, "there is no such file.", "Check the path.") from exc
    except IsADirectoryError as exc:
        raise InputFileError(path, "this is a folder, not a file.", "Give one file at a time.") from exc
    except PermissionError as exc:
        raise InputFileError(
            path, "you are not allowed to read this file.", "Change its permissions, or close it elsewhere."
        ) from exc
    except OSError as exc:
        raise InputFileError(path, f"the file cannot be read ({exc.strerror}).", "Check the path.") from exc
    if not start:
        raise InputFileError(path, "the file is empty (0 bytes).", "Copy or export it again.")
    return start


def _refuse_other(path: Path, start: bytes, claimed: str, allowed: tuple[bytes, ...]) -> None:
    """Refuse a file whose first bytes say that it is something else than its name says."""
    if any(start.startswith(magic) for magic in allowed):
        return
    known = next((what for magic, what in MAGIC if start.startswith(magic)), None)
    if known is not None or allowed:
        raise InputFileError(
            path,
            f"its name says {claimed}, but it is {known or 'something else'}.",
            f"Give the file its right ending, or export it again. {KINDS}",
        )

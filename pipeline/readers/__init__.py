"""Readers: one module per kind of file; all hand over `RawRows`.

`read` chooses the reader by the file's name and first bytes, and turns every fault of a library into an
`InputFileError`.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.readers import delimited
from pipeline.readers.raw import REJECT_SCHEMA, RawRows, no_rejects

__all__ = ["REJECT_SCHEMA", "RawRows", "no_rejects", "read"]


def read(
    path: str | Path,
    *,
    sheet: str | None = None,
    header_row: int | None = None,
    delimiter: str | None = None,
) -> RawRows:
    """Read one file as text rows.

    Parameters
    ----------
    path : str or Path
        CSV or other delimited text, Excel workbook, Parquet, GeoJSON, GeoPackage or shapefile.
    sheet : str, optional
        Sheet of a workbook or layer of a GeoPackage; the first one with rows where not given.
    header_row : int, optional
        Row that holds the headers, as a spreadsheet numbers it; found by itself where not given.
    delimiter : str, optional
        Character between fields of delimited text; found by itself where not given.

    Raises
    ------
    InputFileError
        The file is missing, empty, damaged, protected, or not of a kind that can be read.
    """
    path = Path(path)
    return delimited.read(path, header_row=header_row, delimiter=delimiter)

"""What every reader hands over: the rows of one file as text, and the rows it could not read.

Nothing here knows a column's meaning; `pipeline.column_map` and `pipeline.validate` do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.vocabulary import RejectReason

#: Columns of every table of rejected rows.
REJECT_SCHEMA: dict[str, pl.DataType] = {
    "source_row": pl.Int64(),
    "table_name": pl.String(),
    "column_name": pl.String(),
    "value": pl.String(),
    "reason_code": pl.String(),
    "reason": pl.String(),
}


@dataclass(frozen=True, slots=True)
class RawRows:
    """The rows of one file (or one sheet of it), as text.

    Attributes
    ----------
    path : Path
        The file.
    sha256 : str
        Hash of the file's bytes.
    sheet : str or None
        Sheet or layer read, where the format has them.
    headers : tuple of str
        Header of each column, made unique; a column without one is called "column 5".
    rows : polars.DataFrame
        `source_row` (Int64, as a spreadsheet numbers it: the first line of the file is 1), then
        `c1` … `cN` (String), one for each header. Empty cells are null; others are as given, blanks and all.
    malformed : polars.DataFrame
        Rows that cannot be laid under the headers, with the columns of `REJECT_SCHEMA`;
        `table_name` is null, since a reader does not know the layout.
    other_sheets : tuple of str
        Sheets or layers that were not read and are not empty; what they hold is in none of the counts.
    """

    path: Path
    sha256: str
    sheet: str | None
    headers: tuple[str, ...]
    rows: pl.DataFrame
    malformed: pl.DataFrame
    other_sheets: tuple[str, ...] = ()

    @property
    def n_read(self) -> int:
        """Source rows met, readable or not."""
        return self.rows.height + self.malformed["source_row"].n_unique()

    def column(self, header: str) -> pl.Series:
        """One column by its header.

        Raises
        ------
        KeyError
            The file has no such header.
        """
        try:
            position = self.headers.index(header)
        except ValueError:
            raise KeyError(header) from None
        return self.rows[f"c{position + 1}"]


def no_rejects() -> pl.DataFrame:
    """Return an empty table of rejected rows."""
    return pl.DataFrame(schema=REJECT_SCHEMA)


def reject_rows(rows: Sequence[tuple[int, str | None, str | None, RejectReason, str]]) -> pl.DataFrame:
    """Build rejects from (source_row, column_name, value, code, sentence); the table is not yet known."""
    return pl.DataFrame(
        [(row, None, column, value, code.value, reason) for row, column, value, code, reason in rows],
        schema=REJECT_SCHEMA,
        orient="row",
    )


def unique_headers(cells: list[str]) -> tuple[str, ...]:
    """Trim headers, name the empty ones, and number those that occur twice."""
    seen: dict[str, int] = {}
    headers = []
    for position, cell in enumerate(cells, start=1):
        name = " ".join(cell.split()) or f"column {position}"
        seen[name] = seen.get(name, 0) + 1
        headers.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(headers)


def without_blank_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """Drop rows in which every cell is empty."""
    # Most rows have a first cell: looking at that one alone first is several times faster.
    doubtful = rows.filter(pl.col("c1").is_null())
    blank = doubtful.filter(pl.all_horizontal(pl.exclude("source_row").is_null()))
    if blank.is_empty():
        return rows
    return rows.join(blank.select("source_row"), on="source_row", how="anti", maintain_order="left")


def sha256_of(path: Path) -> str:
    """Hash a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

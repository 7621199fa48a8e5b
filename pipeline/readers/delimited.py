"""Delimited text: CSV and its relatives, in any usual encoding.

Parsing is pyarrow's; its handler for rows of the wrong width is what lets every such row be kept as a reject.
"""

from __future__ import annotations

import codecs
import csv
import io
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv as arrow_csv

from pipeline.errors import InputFileError
from pipeline.readers.headers import find_header_row
from pipeline.readers.raw import RawRows, no_rejects, reject_rows, sha256_of, unique_headers
from pipeline.vocabulary import RejectReason

DELIMITERS = (",", ";", "\t", "|")
#: Characters looked at to find the delimiter and the headers.
SAMPLE_CHARACTERS = 200_000
SAMPLE_ROWS = 50
#: Characters of a malformed row that are kept with its reject.
KEPT_OF_A_ROW = 500
#: pyarrow cuts the text into blocks; a block must hold the longest row [bytes].
LARGEST_BLOCK = 1 << 30

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def read(path: Path, *, header_row: int | None, delimiter: str | None) -> RawRows:
    """Read delimited text.

    Raises
    ------
    InputFileError
        The file is no text, has no rows under its headers, or no row `header_row`.
    """
    content = _as_utf8(path, path.read_bytes())
    delimiter = delimiter or find_delimiter(_sample(content))
    first = _first_records(_sample(content), delimiter)
    if not any(any(row) for row in first):
        raise InputFileError(path, "the file is empty.", "Choose the file that holds the records.")
    position = find_header_row(first) if header_row is None else header_row - 1
    if position >= len(first):
        raise InputFileError(
            path, f"there is no header row {header_row}.", "Correct header_row in the column map."
        )
    headers = unique_headers(first[position])
    rows, malformed = _parse(path, content, delimiter=delimiter, width=len(headers), header_row=position + 1)
    if rows.is_empty() and malformed.is_empty():
        raise InputFileError(
            path, "there are headers but no rows under them.", "Choose the file that holds the records."
        )
    return RawRows(path, sha256_of(path), None, headers, rows, malformed)


def _as_utf8(path: Path, content: bytes) -> bytes:
    """Return the text as UTF-8 without a byte-order mark.

    Text that is not UTF-8 is taken for Windows-1252, in which older spreadsheets write CSV.
    """
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            try:
                return content.decode(encoding).encode()
            except UnicodeDecodeError as exc:
                raise _no_text(path) from exc
    if b"\0" in content:
        raise _no_text(path)
    try:
        content.decode()
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace").encode()
    return content


def _no_text(path: Path) -> InputFileError:
    return InputFileError(
        path, "this is not a table of text.", "Give a CSV, Excel, Parquet, GeoJSON, GeoPackage or shapefile."
    )


def _sample(content: bytes) -> str:
    text = content[:SAMPLE_CHARACTERS].decode(errors="ignore")
    if len(content) > SAMPLE_CHARACTERS:
        text = text[: text.rfind("\n") + 1] or text
    return text


def _first_records(sample: str, delimiter: str) -> list[list[str]]:
    """Parse the first records; an over-long field ends the sample."""
    records: list[list[str]] = []
    try:
        for record in csv.reader(io.StringIO(sample, newline=""), delimiter=delimiter):
            records.append([cell.strip() for cell in record])
            if len(records) == SAMPLE_ROWS:
                break
    except csv.Error:
        pass
    return records


def find_delimiter(sample: str) -> str:
    """Choose the delimiter that cuts most rows into the same number of fields, more fields being better."""

    def score(delimiter: str) -> tuple[float, int]:
        widths = [len(row) for row in _first_records(sample, delimiter) if any(row)]
        usual = max(set(widths), key=lambda width: (widths.count(width), width), default=1)
        return (widths.count(usual) / len(widths) if usual > 1 else 0.0, usual)

    return max(DELIMITERS, key=score)


@dataclass(slots=True)
class _WrongWidth:
    """Collects the rows that pyarrow finds too short or too long."""

    found: list[tuple[int, int, int, str]] = field(default_factory=list)

    def __call__(self, row: arrow_csv.InvalidRow) -> str:
        self.found.append((row.number, row.expected_columns, row.actual_columns, row.text))
        return "skip"


def _parse(
    path: Path, content: bytes, *, delimiter: str, width: int, header_row: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Cut the text into rows under the headers and rows of the wrong width."""
    names = [f"c{i + 1}" for i in range(width)]
    wrong = _WrongWidth()
    if not content.endswith(b"\n"):
        content += b"\n"
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(content),
            # One thread: only then does the handler learn the row's number.
            read_options=arrow_csv.ReadOptions(
                use_threads=False, column_names=names, block_size=min(len(content), LARGEST_BLOCK)
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=wrong,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid as exc:
        raise InputFileError(
            path, f"the text cannot be cut into rows ({exc}).", "Save it anew as CSV."
        ) from exc
    frame = pl.DataFrame(pl.from_arrow(table))
    return _numbered(frame, wrong.found, header_row), _malformed(wrong.found, header_row)


def _numbered(frame: pl.DataFrame, wrong: list[tuple[int, int, int, str]], header_row: int) -> pl.DataFrame:
    """Give each row its number in the file, and drop the rows down to the headers and the blank ones."""
    numbers = np.arange(1, frame.height + len(wrong) + 1)
    numbers = np.delete(numbers, [number - 1 for number, *_ in wrong])
    frame = frame.insert_column(0, pl.Series("source_row", numbers, dtype=pl.Int64))
    filled = pl.any_horizontal(pl.exclude("source_row").str.len_bytes() > 0)
    return frame.filter((pl.col("source_row") > header_row) & filled)


def _malformed(wrong: list[tuple[int, int, int, str]], header_row: int) -> pl.DataFrame:
    """Make a reject of each row of the wrong width."""
    rows = []
    for number, expected, actual, text in wrong:
        if number <= header_row or not text.strip():
            continue
        reason = f"The row has {actual} fields where the headers name {expected}."
        if "\n" in text:
            reason += (
                " A quotation mark is opened in it and not closed, so that it swallows the lines after it."
            )
        rows.append(
            (number, None, text[:KEPT_OF_A_ROW], RejectReason.MALFORMED_ROW, reason + " Mend the row.")
        )
    return reject_rows(rows) if rows else no_rejects()

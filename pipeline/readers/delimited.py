"""Delimited text: CSV and its relatives, in any usual encoding.

Parsing is pyarrow's; its handler for rows of the wrong width is what lets every such row be kept as a reject.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv as arrow_csv

from pipeline.errors import InputFileError
from pipeline.readers.headers import find_header_row, headers_at
from pipeline.readers.raw import RawRows, no_rejects, reject_rows, unique_headers, without_blank_rows
from pipeline.vocabulary import RejectReason

DELIMITERS = (",", ";", "\t", "|")
#: Characters looked at to find the delimiter and the headers.
SAMPLE_CHARACTERS = 200_000
SAMPLE_ROWS = 100
#: Characters of a malformed row that are kept with its reject.
KEPT_OF_A_ROW = 500
#: pyarrow cuts the text into blocks; a block must hold the longest row [bytes].
LARGEST_BLOCK = 1 << 30
FAST_BLOCK = 1 << 24
FAST_FROM = 1 << 25

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
    given = path.read_bytes()
    content = _as_utf8(path, given)
    delimiter = delimiter or find_delimiter(_sample(content))
    first = _first_records(_sample(content), delimiter)
    if not any(any(row) for row in first):
        raise InputFileError(path, "the file is empty.", "Choose the file that holds the records.")
    position = find_header_row(first) if header_row is None else header_row - 1
    if position >= len(first):
        raise InputFileError(
            path, f"there is no header row {header_row}.", "Correct header_row in the column map."
        )
    names, position = headers_at(first, position)
    headers = unique_headers(names)
    rows, malformed = _parse(path, content, delimiter=delimiter, width=len(headers), header_row=position + 1)
    if rows.is_empty() and malformed.is_empty():
        raise InputFileError(
            path, "there are headers but no rows under them.", "Choose the file that holds the records."
        )
    return RawRows(path, hashlib.sha256(given).hexdigest(), None, headers, rows, malformed)


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


@dataclass(frozen=True, slots=True)
class _Wrong:
    """A row that does not fit under the headers; `number` is 0 where pyarrow could not tell it."""

    number: int
    expected: int
    actual: int
    text: str


@dataclass(slots=True)
class _WrongWidth:
    """Collects the rows that pyarrow finds too short or too long."""

    found: list[_Wrong] = field(default_factory=list)

    def __call__(self, row: arrow_csv.InvalidRow) -> str:
        self.found.append(_Wrong(row.number or 0, row.expected_columns, row.actual_columns, row.text))
        return "skip"


def _parse(
    path: Path, content: bytes, *, delimiter: str, width: int, header_row: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Cut the text into rows under the headers and rows of the wrong width."""
    if not content.endswith(b"\n"):
        content += b"\n"
    wrong = _WrongWidth()
    try:
        table = _cut(content, delimiter, width, wrong, fast=True)
        if wrong.found:
            # Only with one thread does the handler learn the rows' numbers.
            wrong.found.clear()
            table = _cut(content, delimiter, width, wrong, fast=False)
    except pa.ArrowInvalid as exc:
        raise InputFileError(
            path, f"the text cannot be cut into rows ({exc}).", "Save it anew as CSV."
        ) from exc
    frame = _numbered(pl.DataFrame(pl.from_arrow(table)), wrong.found)
    # Without quotation marks no row can swallow another, and most large files have none.
    swallowing = _swallowing(frame, delimiter, width) if b'"' in content else []
    numbers = [row.number for row in swallowing]
    if numbers:
        frame = frame.filter(~pl.col("source_row").is_in(numbers))
    frame = frame.slice(int(frame["source_row"].search_sorted(header_row, side="right")))
    return (
        without_blank_rows(frame),
        _malformed([row for row in (*wrong.found, *swallowing) if row.number > header_row]),
    )


def _cut(content: bytes, delimiter: str, width: int, wrong: _WrongWidth, *, fast: bool) -> pa.Table:
    names = [f"c{i + 1}" for i in range(width)]
    return arrow_csv.read_csv(
        pa.BufferReader(content),
        read_options=arrow_csv.ReadOptions(
            use_threads=fast,
            column_names=names,
            block_size=FAST_BLOCK if fast and len(content) > FAST_FROM else min(len(content), LARGEST_BLOCK),
        ),
        parse_options=arrow_csv.ParseOptions(
            delimiter=delimiter, newlines_in_values=True, ignore_empty_lines=False, invalid_row_handler=wrong
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True, null_values=[""]
        ),
    )


def _numbered(frame: pl.DataFrame, wrong: list[_Wrong]) -> pl.DataFrame:
    """Give each row its number in the file."""
    numbers = np.arange(1, frame.height + len(wrong) + 1)
    numbers = np.delete(numbers, [row.number - 1 for row in wrong])
    return frame.insert_column(0, pl.Series("source_row", numbers, dtype=pl.Int64))


def _swallowing(frame: pl.DataFrame, delimiter: str, width: int) -> list[_Wrong]:
    """Find rows of the right width in which an unclosed quotation mark has swallowed whole other rows."""
    cells = pl.exclude("source_row")
    broken = frame.filter(pl.any_horizontal(cells.str.contains("\n", literal=True)))
    found = []
    for number, *texts in broken.iter_rows():
        inner = [line for text in texts if text for line in text.split("\n")[1:]]
        if width > 1 and any(line.count(delimiter) >= width - 1 for line in inner):
            found.append(_Wrong(number, width, width, delimiter.join(text or "" for text in texts)))
    return found


def _malformed(wrong: list[_Wrong]) -> pl.DataFrame:
    """Make a reject of each row of the wrong width."""
    lines = []
    for row in wrong:
        if not row.text.strip():
            continue
        n_swallowed = row.text.count("\n")
        if n_swallowed:
            reason = (
                "A quotation mark is opened in this row and not closed, so that it swallows "
                f"{n_swallowed} more lines of the file. Mend the row."
            )
        else:
            reason = f"The row has {row.actual} fields where the headers name {row.expected}. Mend the row."
        lines.append((row.number, None, row.text[:KEPT_OF_A_ROW], RejectReason.MALFORMED_ROW, reason))
    return reject_rows(lines) if lines else no_rejects()

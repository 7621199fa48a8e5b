"""Finding the row that holds the headers, below titles and merged notes."""

from __future__ import annotations

import re
from functools import cache

from pipeline.columns import LAYOUTS

#: How many rows are looked at for the headers.
ROWS_SEARCHED = 30
#: A header is short; a longer text is a note.
LONGEST_HEADER = 60
#: A cell that is a known header counts as this many unknown texts.
KNOWN_WEIGHT = 4
#: A number or date counts this many texts against a row: records hold them, headers do not.
NUMBER_WEIGHT = 2

_NOT_TEXT = re.compile(r"[\d\s.,:/$%+-]*")


def header_key(header: str) -> str:
    """Reduce a header to what is compared: lower case, words only, without a unit in brackets."""
    bare = re.sub(r"[(\[].*?[)\]]", " ", header.casefold())
    return " ".join(re.sub(r"[^\w#/%]+|_", " ", bare).split())


@cache
def known_headers() -> frozenset[str]:
    """Every canonical column name and synonym, of all layouts."""
    names = (
        name
        for table in LAYOUTS.values()
        for column in table.columns
        for name in (column.name, *column.synonyms)
    )
    return frozenset(header_key(name) for name in names)


def find_header_row(rows: list[list[str]]) -> int:
    """Return the position of the row that looks most like headers; the first of equals.

    Parameters
    ----------
    rows : list of list of str
        The first rows of the file; empty cells are "".
    """
    scores = [_score(row) for row in rows[:ROWS_SEARCHED]]
    return max(range(len(scores)), key=lambda position: (scores[position], -position), default=0)


def _score(row: list[str]) -> int:
    texts = [cell for cell in row if len(cell) <= LONGEST_HEADER and not _NOT_TEXT.fullmatch(cell)]
    n_known = sum(header_key(cell) in known_headers() for cell in texts)
    n_numbers = sum(bool(cell) and _NOT_TEXT.fullmatch(cell) is not None for cell in row)
    return len(texts) + KNOWN_WEIGHT * n_known - NUMBER_WEIGHT * n_numbers

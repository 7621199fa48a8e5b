"""Finding the row that holds the headers, below titles and merged notes."""

from __future__ import annotations

import re
from dataclasses import dataclass
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
#: A row this wide, as a share of the best one's filled cells, is no title.
SHARE_WIDE = 0.6
#: A later row goes before an earlier wide one only if it has this many more known headers.
CLEARLY_MORE_KNOWN = 3

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


@dataclass(frozen=True, slots=True)
class _Look:
    """What a row looks like, as a row of headers."""

    n_filled: int
    n_texts: int
    n_known: int
    n_numbers: int

    @property
    def score(self) -> int:
        return self.n_texts + KNOWN_WEIGHT * self.n_known - NUMBER_WEIGHT * self.n_numbers


def find_header_row(rows: list[list[str]]) -> int:
    """Return the position of the row that looks most like headers.

    What stands above it is taken for titles and is not read. So an earlier row that may as well hold the
    headers goes before one that only looks more like them: no record may be lost this way.

    Parameters
    ----------
    rows : list of list of str
        The first rows of the file; empty cells are "".
    """
    looks = [_look(row) for row in rows[:ROWS_SEARCHED]]
    if not looks:
        return 0
    best = max(looks, key=lambda look: look.score)
    for position, look in enumerate(looks):
        is_wide = look.n_filled > 1 and look.n_filled >= SHARE_WIDE * best.n_filled
        if look is best or (
            is_wide and not look.n_numbers and best.n_known - look.n_known < CLEARLY_MORE_KNOWN
        ):
            return position
    return 0


def headers_at(rows: list[list[str]], position: int) -> tuple[list[str], int]:
    """Return the headers and the position of the last row that holds them.

    Where a header is merged over several columns ("Line"), each has a name of its own in the row below
    ("Material", "Length"), and that row is empty under all other headers: then both rows are the headers.

    Parameters
    ----------
    rows : list of list of str
        The first rows of the file; empty cells are "".
    position : int
        Of the row that holds the headers, or the upper ones.
    """
    upper = rows[position]
    below = rows[position + 1] if position + 1 < len(rows) else []
    lower = [*below, *[""] * (len(upper) - len(below))]
    named = [i for i, cell in enumerate(lower) if cell]
    is_second_row = (
        bool(named)
        and len(lower) == len(upper)
        and len(_texts(lower)) == len(named)
        and any(header_key(cell) in known_headers() for cell in lower if cell)
        and all(_is_merged(upper, lower, i) for i in named)
    )
    if not is_second_row:
        return upper, position
    return [under or over for over, under in zip(upper, lower, strict=True)], position + 1


def _is_merged(upper: list[str], lower: list[str], i: int) -> bool:
    """Whether the upper header here is one that goes on to the right, or came from the left."""
    if not upper[i]:
        return i > 0 and bool(lower[i - 1])
    return i + 1 < len(upper) and not upper[i + 1] and bool(lower[i + 1])


def _texts(row: list[str]) -> list[str]:
    return [cell for cell in row if len(cell) <= LONGEST_HEADER and not _NOT_TEXT.fullmatch(cell)]


def _look(row: list[str]) -> _Look:
    # Each text counts once: a record of many boxes ticked with "x" is no row of columns named x.
    texts = set(_texts(row))
    return _Look(
        n_filled=sum(bool(cell) for cell in row),
        n_texts=len(texts),
        n_known=sum(header_key(cell) in known_headers() for cell in texts),
        n_numbers=sum(bool(cell) and _NOT_TEXT.fullmatch(cell) is not None for cell in row),
    )

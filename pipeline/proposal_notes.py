"""What is open about a proposed column map: for the command line, where a map file is edited, and for a page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline import quantities
from pipeline.column_rules import fold
from pipeline.columns import Column, Table
from pipeline.quantities import Fault
from pipeline.readers.raw import RawRows

WORDS_SHOWN = 8
SHEETS_SHOWN = 12
#: 1900 is taken for a default from this many rows on, if it is this many times as frequent as 1898 to 1902 around it.
FEWEST_DEFAULTS, DEFAULT_TIMES = 5, 5


@dataclass(frozen=True, slots=True)
class Note:
    """Something that a person should look at.

    Attributes
    ----------
    says : str
        What is so, as a sentence.
    in_the_map : str
        What to do about it in a map file or on the command line; empty where nothing need be done.
    on_the_page : str
        The same on a page that shows a field for each column.
    """

    says: str
    in_the_map: str = ""
    on_the_page: str = ""

    def for_the_map(self) -> str:
        """Return the note for somebody who edits the map."""
        return f"{self.says} {self.in_the_map}".rstrip()

    def for_the_page(self) -> str:
        """Return the note for somebody who chooses on a page."""
        return f"{self.says} {self.on_the_page}".rstrip()


def layout_note(table: Table, n_found: int, *, named: bool) -> Note:
    """Say what one row is taken for, and why."""
    if named:
        return Note(f"The layout is '{table.name}', as you said: {table.text}")
    return Note(
        f"The layout looks like '{table.name}' ({table.text.rstrip('.')}), from {n_found} of its "
        f"{len(table.columns)} columns."
    )


def sheet_notes(raw: RawRows) -> list[Note]:
    """Say which sheets of a workbook are not read."""
    if not raw.other_sheets:
        return []
    shown = ", ".join(repr(name) for name in raw.other_sheets[:SHEETS_SHOWN])
    more = len(raw.other_sheets) - SHEETS_SHOWN
    kind = "Layer" if raw.path.suffix.lower() == ".gpkg" else "Sheet"
    return [
        Note(
            f"{kind} {raw.sheet!r} is read. Not read: {shown}{f' and {more} more' if more > 0 else ''}.",
            "If records stand there too, load each with --sheet.",
            f"If records stand there too, choose that {kind.lower()} above, or go on to it once this one is loaded.",
        )
    ]


def twin_notes(headers: tuple[str, ...], found: Mapping[str, str]) -> list[Note]:
    """Say which of several columns with one header was taken; readers number the later ones."""
    notes = []
    for header in found.values():
        twins = [other for other in headers if re.fullmatch(rf"{re.escape(header)} \(\d+\)", other)]
        if twins:
            others = " or ".join(repr(name) for name in twins)
            notes.append(
                Note(
                    f"{len(twins) + 1} columns are headed '{header}'; the first is taken.",
                    f"If it should be another, name that one in the map as {others}.",
                    f"If it should be another, choose that for {others}, and leave the first out.",
                )
            )
    return notes


def unit_notes(column: Column, header: str, values: list[str]) -> list[Note]:
    """Say which unit bare lengths are taken for, where neither the header nor the values name one."""
    own = "feet" if column.name.endswith("_ft") else "inches"
    bare = [value for value in values if not any(letter.isalpha() or letter in "'\"’”" for letter in value)]
    if fold(header) == column.name or not bare:
        return []
    start = f"'{header}' has numbers such as {bare[0]} without a unit; they are read in {own}, unless you"
    return [Note(start, "add a unit to its section.", "choose a unit under “read as”.")]


def date_notes(header: str, values: list[str], today: date) -> list[Note]:
    """Say where the order of day and month is open."""
    readings = ((value, quantities.parse_date(value, today=today)) for value in values)
    open_dates = [
        value for value, read in readings if isinstance(read, Fault) and read.code == "ambiguous_date"
    ]
    proven = {
        next(iter(orders))
        for value in values
        if len(orders := quantities.orders_possible(value, today=today) - {"ymd"}) == 1
    }
    if not open_dates or len(proven) == 1:
        return []
    return [
        Note(
            f"'{header}' has dates such as {open_dates[0]} whose day and month cannot be told apart;",
            'add format = "mdy" or format = "dmy" to its section, or these rows are rejected.',
            "choose their order under “read as”, or these rows cannot be taken.",
        )
    ]


def default_year_notes(header: str, given: pl.Series) -> list[Note]:
    """Say where 1900 stands in a year column far more often than its neighbours: likely an entry by default."""
    years = given.cast(pl.Float64, strict=False)
    n_1900 = int((years == 1900).sum())
    n_beside = int(years.is_between(1898, 1902).sum()) - n_1900
    if n_1900 < FEWEST_DEFAULTS or n_1900 <= DEFAULT_TIMES * n_beside:
        return []
    return [
        Note(
            f"'{header}' has the year 1900 in {n_1900} rows.",
            'If that stands for "not known", add blank = ["1900"] to its section.',
            "If that stands for “not known”, empty these cells in the file, or load it from the command line with a map "
            'that says blank = ["1900"].',
        )
    ]


def word_notes(name: str, header: str, unknown: list[str]) -> list[Note]:
    """Say which words are in no list."""
    if not unknown:
        return []
    shown = ", ".join(repr(word) for word in unknown[:WORDS_SHOWN])
    more = f" and {len(unknown) - WORDS_SHOWN} more" if len(unknown) > WORDS_SHOWN else ""
    return [
        Note(
            f"'{header}' has words to explain: {shown}{more}.",
            f"Say what they mean under [values.{name}], or rows with them are rejected.",
            "They are asked for in the next step.",
        )
    ]

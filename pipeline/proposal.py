"""A first column map, proposed from a file's headers and values, for a person to confirm."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from rapidfuzz import fuzz

from pipeline import quantities
from pipeline.column_rules import ColumnMap, ColumnRule, fold
from pipeline.columns import LAYOUTS, Column, Table
from pipeline.errors import InputFileError, SettingsError
from pipeline.material_runs import parse_run
from pipeline.proposal_notes import (
    Note,
    date_notes,
    default_year_notes,
    layout_note,
    sheet_notes,
    twin_notes,
    unit_notes,
    word_notes,
)
from pipeline.quantities import Fault
from pipeline.readers.headers import header_key
from pipeline.readers.raw import RawRows
from pipeline.trade_words import codes_by_word, word_key
from pipeline.validation.cells import is_year
from pipeline.vocabulary import Material

#: Likeness of header and synonym, 0 to 100, from which a header is taken for a column.
CLOSE_ENOUGH = 86.0
#: Distinct values of a column that are looked at.
VALUES_TRIED = 300
#: Rows of the file from which they are taken.
ROWS_TRIED = 20_000
#: Share of a column's values that must be readable for it to be taken.
SHARE_READABLE = 0.5
#: A header that means nothing to us is placed by its values only when nearly all of them fit.
SHARE_CERTAIN = 0.9
#: A column that a row cannot do without counts this many placed headers in choosing the layout.
MISSING_WEIGHT = 2

_UNIT_IN_HEADER = re.compile(r"[(\[,_ ]\s*(?:in )?(?P<unit>[a-z%]+)\.?\s*[)\]]?\s*$", re.IGNORECASE)
_HEADER_UNITS = {**quantities.LENGTH_WORDS, "%": "pct", "pct": "pct", "percent": "pct", "years": "years", "yrs": "years", "months": "months"}  # fmt: skip
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d{1,2}|[+-]?\d+,\d{4,}")


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed map and what is open about it.

    Attributes
    ----------
    map : ColumnMap
        The map; may be used as it is where `is_complete`.
    unplaced : tuple of str
        Headers that no column was found for; they are not loaded.
    missing : tuple of str
        Columns that rows cannot do without and that no header was found for; "a or b" where one of
        two is enough.
    open_points : tuple of Note
        Why this layout, which unit was taken, which words are in no list, which dates are ambiguous.
    """

    map: ColumnMap
    unplaced: tuple[str, ...]
    missing: tuple[str, ...]
    open_points: tuple[Note, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """The open points for somebody who edits the map, one sentence or two each."""
        return tuple(note.for_the_map() for note in self.open_points)

    @property
    def is_complete(self) -> bool:
        """Whether nothing required is missing."""
        return not self.missing


def propose(raw: RawRows, *, layout: str | None = None, today: date | None = None) -> Proposal:
    """Propose a map for a file.

    Parameters
    ----------
    raw : RawRows
        The file.
    layout : str, optional
        Layout, where the user names it; else guessed from the headers.
    today : date, optional
        Decides the century of two-digit years; the present day where not given.

    Raises
    ------
    SettingsError
        There is no such layout.
    InputFileError
        No header looks like a column of any layout.
    """
    if layout is not None and layout not in LAYOUTS:
        raise SettingsError(f"There is no layout {layout!r}. Layouts: {', '.join(LAYOUTS)}.")
    samples = {header: _sample(raw, header) for header in raw.headers}
    today = today or date.today()
    tables = [LAYOUTS[layout]] if layout else list(LAYOUTS.values())
    placed = {table.name: _place(table, samples, today) for table in tables}
    table = max(tables, key=lambda t: _fitness(t, placed[t.name]))
    found = placed[table.name]
    if not found:
        raise InputFileError(
            raw.path,
            f"no header looks like a column of any layout ({', '.join(raw.headers[:12])}).",
            "Choose another sheet or header row, or write a column map and give it with --map.",
        )
    decimal = _decimal(found, samples)
    rules, notes = {}, [layout_note(table, len(found), named=layout is not None), *sheet_notes(raw)]
    for name in table.by_name:
        if name in found:
            rules[name], said = _rule(table.by_name[name], found[name], samples[found[name]], today)
            notes.extend(said)
            if is_year(table.by_name[name]):
                notes.extend(default_year_notes(found[name], raw.column(found[name])))
    notes.extend(twin_notes(raw.headers, found))
    if decimal == ",":
        notes.append(Note("Numbers are written with a decimal comma."))
    return Proposal(
        map=ColumnMap(table.name, rules, sheet=raw.sheet, decimal=decimal),
        unplaced=tuple(h for h in raw.headers if h not in found.values() and not _is_nothing(h, samples[h])),
        missing=_missing(table, found),
        open_points=tuple(notes),
    )


def _is_nothing(header: str, values: list[str]) -> bool:
    """Whether a column has neither header nor values, as trailing delimiters make them."""
    return header.startswith("column ") and not values


def _sample(raw: RawRows, header: str) -> list[str]:
    """The first distinct values of a column, without blanks."""
    values = raw.column(header).head(ROWS_TRIED).str.strip_chars().unique(maintain_order=True).drop_nulls()
    blank = quantities.BLANK_WORDS
    return [value for value in values.head(VALUES_TRIED).to_list() if fold(value) not in blank]


# ------------------------------------------------------------------ which header is which column


def _place(table: Table, samples: Mapping[str, list[str]], today: date) -> dict[str, str]:
    """Match columns to headers one to one, the most alike first; {column: header}."""
    pairs = sorted(
        (
            (-likeness, order, place, column.name, header)
            for order, column in enumerate(table.columns)
            for place, header in enumerate(samples)
            if (likeness := _likeness(column, header)) >= CLOSE_ENOUGH
        ),
    )
    found: dict[str, str] = {}
    for unlikeness, _, _, name, header in pairs:
        likeness = -unlikeness
        column = table.by_name[name]
        # Spellings of another language or trade are still the column that the header says: they are told,
        # to be explained. Numbers or dates under such a header are something else.
        named = likeness == 100 or (likeness == 99 and _is_material(column) and _are_words(samples[header]))
        fits = named or _share_readable(column, samples[header], today) >= SHARE_READABLE
        if name not in found and header not in found.values() and fits:
            found[name] = header
    _place_by_values(table, samples, found, today)
    return found


def _place_by_values(
    table: Table, samples: Mapping[str, list[str]], found: dict[str, str], today: date
) -> None:
    """Find a date and a material column by their values, where no header gave them away."""
    for column in table.columns:
        telling = column.kind == "date" or _is_material(column)
        if not telling or column.name in found:
            continue
        for header, values in samples.items():
            if header in found.values() or len(values) < 2:
                continue
            if _share_readable(column, values, today) >= SHARE_CERTAIN:
                found[column.name] = header
                break


def _is_material(column: Column) -> bool:
    return column.name == "material_run" or column.codes is Material


def _are_words(values: list[str]) -> bool:
    return all(any(letter.isalpha() for letter in value[:3]) for value in values)


def _likeness(column: Column, header: str) -> float:
    """How alike a header and a column are, 0 to 100; 100 for the canonical name itself."""
    if fold(header) == column.name:
        return 100.0
    keys = {header_key(header), _without_unit(column, header)}
    known = {header_key(name) for name in (column.name, *column.synonyms)}
    if keys & known:
        return 99.0
    pairs = [(key, name) for key in keys for name in known if len(name) > 3]
    best = max((max(fuzz.ratio(*pair), fuzz.token_sort_ratio(*pair)) for pair in pairs), default=0.0)
    return min(best, 98.0)


def _without_unit(column: Column, header: str) -> str:
    """Key of a header; of one such as "Length ft" without its last word, where that is a unit of this column."""
    match = _UNIT_IN_HEADER.search(header)
    is_unit = match and _HEADER_UNITS.get(match["unit"].lower()) in quantities.units_for(column.name)
    return header_key(header[: match.start()] if match and is_unit else header)


def _share_readable(column: Column, values: list[str], today: date) -> float:
    """Share of the values that can be read as this column; 1 where there are none to contradict."""
    if not values or (column.kind == "text" and column.name != "material_run"):
        return 1.0
    return sum(_is_readable(column, value, today) for value in values) / len(values)


def _is_readable(column: Column, value: str, today: date) -> bool:
    if _is_material(column):
        run = parse_run(value)
        return not isinstance(run, Fault) or run.code == "ambiguous_material"
    if column.kind == "date":
        found = quantities.parse_date(value, today=today)
        return not isinstance(found, Fault) or found.code == "ambiguous_date"
    if column.kind == "flag":
        return fold(value) in quantities.TRUE_WORDS | quantities.FALSE_WORDS
    if column.codes is not None:
        return True  # Words in no list are told in the notes.
    return any(
        not isinstance(quantities.parse_length(value, unit="ft", to="ft", decimal=sign), Fault)
        for sign in ".,"
    )


# ------------------------------------------------------------------ which layout


def _fitness(table: Table, found: Mapping[str, str]) -> tuple[float, float]:
    """Placed headers less the needed ones that are missing; of equals the layout with fewer columns."""
    return len(found) - MISSING_WEIGHT * len(_missing(table, found)), -len(table.columns)


def _missing(table: Table, found: Mapping[str, str]) -> tuple[str, ...]:
    missing = [column.name for column in table.columns if column.required and column.name not in found]
    either = [("inspection_date", "age_years")] if "age_years" in table.by_name else []
    if table.name == "jobs":
        either.insert(0, ("lot_id", "address"))
    if table.name == "connections":
        either.append(("main_id", "manhole_id"))
    missing += [" or ".join(pair) for pair in either if not any(name in found for name in pair)]
    return tuple(missing)


# ------------------------------------------------------------------ how to read a column


def _decimal(found: Mapping[str, str], samples: Mapping[str, list[str]]) -> str:
    values = [value for header in found.values() for value in samples[header]]
    return "," if any(_DECIMAL_COMMA.fullmatch(value) for value in values) else "."


def _rule(column: Column, header: str, values: list[str], today: date) -> tuple[ColumnRule, list[Note]]:
    """Make the rule for a column, and say what a person should look at."""
    rule = ColumnRule(headers=(header,))
    if (unit := _unit_of(column, header)) is not None:
        return replace(rule, unit=unit), [Note(f"'{header}' is read in {unit}, as its header says.")]
    if column.kind == "date":
        return rule, date_notes(header, values, today)
    if set(quantities.units_for(column.name)) == set(quantities.INCHES):
        return rule, unit_notes(column, header, values)
    if _is_material(column):
        return rule, word_notes("material", header, [v for v in values if isinstance(parse_run(v), Fault)])
    if column.codes is not None:
        known = codes_by_word(column.codes, {})
        return rule, word_notes(column.name, header, [v for v in values if word_key(v) not in known])
    return rule, []


def _unit_of(column: Column, header: str) -> str | None:
    """Unit that a header names, where the column has units and it is not the column's own."""
    match = _UNIT_IN_HEADER.search(header)
    unit = _HEADER_UNITS.get(match["unit"].lower()) if match else None
    if unit not in quantities.units_for(column.name) or column.name.endswith(f"_{unit}"):
        return None
    return unit

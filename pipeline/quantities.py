"""Lengths, plain numbers, dates and yes/no as people write them.

Pure functions on one text each; `pipeline.validation` calls them on distinct values only. Each returns the
value in the contract's unit, or a `Fault` with the reason code and a sentence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

from dateutil import parser as dateutil_parser

from pipeline.vocabulary import RejectReason

Order = Literal["mdy", "dmy", "ymd"]
ORDERS: tuple[Order, ...] = ("mdy", "dmy", "ymd")


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a text is no value; the sentence stands alone."""

    code: RejectReason
    reason: str


# ---------------------------------------------------------------- units

#: Inches in one unit. The inch is 25.4 mm exactly and the foot 12 in (international yard and pound, 1959).
INCHES: dict[str, float] = {
    "ft": 12.0,
    "in": 1.0,
    "m": 1000 / 25.4,
    "cm": 10 / 25.4,
    "mm": 1 / 25.4,
    "yd": 36.0,
}
LENGTH_WORDS: dict[str, str] = {
    "'": "ft", "’": "ft", "′": "ft", "ft": "ft", "ft.": "ft", "foot": "ft", "feet": "ft", "lf": "ft", "l.f.": "ft",
    '"': "in", "”": "in", "″": "in", "''": "in", "in": "in", "in.": "in", "inch": "in", "inches": "in",
    "m": "m", "m.": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m", "mtr": "m",
    "cm": "cm", "mm": "mm", "yd": "yd", "yds": "yd", "yards": "yd",
}  # fmt: skip
#: Years in one unit, per cent in one unit.
YEARS: dict[str, float] = {"years": 1.0, "months": 1 / 12}
PER_CENT: dict[str, float] = {"pct": 1.0, "share": 100.0}


def units_for(column: str) -> tuple[str, ...]:
    """Units a map may name for a column; empty where the column has none."""
    if column.endswith(("_ft", "_in")):
        return tuple(INCHES)
    if column.endswith("_years"):
        return tuple(YEARS)
    return tuple(PER_CENT) if column.endswith("_pct") else ()


def factor(column: str, unit: str | None) -> float:
    """Multiply a number in `unit` by this to get the column's own unit."""
    if unit is None:
        return 1.0
    if column.endswith("_ft"):
        return INCHES[unit] / INCHES["ft"]
    if column.endswith("_in"):
        return INCHES[unit]
    return YEARS[unit] if column.endswith("_years") else PER_CENT[unit]


# ---------------------------------------------------------------- numbers

_GROUPED = {
    ".": re.compile(r"[+-]?(\d{1,3}(,\d{3})+(\.\d*)?|\d*\.\d+|\d+\.?)"),
    ",": re.compile(r"[+-]?(\d{1,3}([. ]\d{3})+(,\d*)?|\d*,\d+|\d+,?)"),
}


def parse_number(text: str, *, decimal: str = ".") -> float | Fault:
    """Read a plain number with thousands separators, a currency or per cent sign.

    Parameters
    ----------
    text : str
        As written.
    decimal : str
        "." or ","; the other one is taken for a thousands separator, in groups of three only.
    """
    bare = text.strip().strip("$€£%").strip()
    if _GROUPED[decimal].fullmatch(bare):
        thousands = "," if decimal == "." else "."
        return float(bare.replace(thousands, "").replace(" ", "").replace(",", "."))
    return Fault(RejectReason.NOT_A_NUMBER, f"{text!r} is not a number.{_decimal_hint(bare, decimal)}")


def _decimal_hint(bare: str, decimal: str) -> str:
    other = "," if decimal == "." else "."
    if _GROUPED[other].fullmatch(bare):
        return f" If '{other}' is the decimal sign of this file, set decimal = \"{other}\" in the column map."
    return " Correct it, or leave it empty."


# ---------------------------------------------------------------- lengths

_UNIT = "|".join(sorted((re.escape(word) for word in LENGTH_WORDS), key=len, reverse=True))
_FRACTION = r"(?P<whole>\d+)[ -]+(?P<num>\d+)/(?P<den>\d+)|(?P<num0>\d+)/(?P<den0>\d+)"
_FEET_INCHES = re.compile(
    r"(?P<ft>\d+)\s*(?:'|’|′|ft\.?|feet|foot)[\s-]*(?P<in>\d+(?:\.\d+)?|(?:\d+[ -]+)?\d+/\d+)\s*"
    r"(?:\"|”|″|''|in\.?|inch|inches)?",
    re.IGNORECASE,
)
_WITH_UNIT = re.compile(rf"(?P<number>[\d.,+\- ]*\d[.,]?|[\d\s/\-]+/\d+)\s*(?P<unit>{_UNIT})", re.IGNORECASE)
_FRACTION_ONLY = re.compile(_FRACTION)


def _amount(text: str, decimal: str) -> float | Fault:
    """Read a number that may be a fraction, as inches are: 3/4, 1 1/2."""
    match = _FRACTION_ONLY.fullmatch(text.strip())
    if match is None:
        return parse_number(text, decimal=decimal)
    below = int(match["den"] or match["den0"])
    if below == 0:
        return Fault(RejectReason.NOT_A_NUMBER, f"{text!r} is not a number. Correct it, or leave it empty.")
    return int(match["whole"] or 0) + int(match["num"] or match["num0"]) / below


def parse_length(text: str, *, unit: str, to: str, decimal: str = ".") -> float | Fault:
    """Read a length such as 42', 43'6", 13.1 m, 43.5ft, 38.

    Parameters
    ----------
    text : str
        As written.
    unit : str
        Unit of a bare number, a key of `INCHES`.
    to : str
        Unit of the result, a key of `INCHES`.
    decimal : str
        "." or ",".
    """
    bare = text.strip()
    both = _FEET_INCHES.fullmatch(bare)
    inches = None if both is None else _amount(both["in"], ".")
    if both is not None and isinstance(inches, float):
        return (float(both["ft"]) * 12 + inches) / INCHES[to]
    single = _WITH_UNIT.fullmatch(bare)
    if single is not None:
        unit = LENGTH_WORDS[single["unit"].lower()]
        bare = single["number"]
    amount = _amount(bare, decimal)
    if isinstance(amount, Fault):
        return Fault(
            RejectReason.NOT_A_NUMBER, f"{text!r} is not a length.{_decimal_hint(bare.strip(), decimal)}"
        )
    return amount * (INCHES[unit] / INCHES[to])


# ---------------------------------------------------------------- dates

_NUMERIC_DATE = re.compile(
    r"(\d{1,4})[/.\- ](\d{1,2})[/.\- ](\d{1,4})(?:[ T]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?Z?)?"
)
_COMPACT_DATE = re.compile(r"(19|20)\d{6}")
_SERIAL = re.compile(r"\d{5}(\.\d+)?")
#: Spreadsheet day 1 is 1900-01-01, and the format counts a 29 February 1900 that never was (ECMA-376, date system 1900).
_SERIAL_ZERO = date(1899, 12, 30)
#: Serials before 1954-10-03 (20000) are taken for something else; a sewer camera came later.
_SERIAL_RANGE = (20_000, 80_000)
#: A two-digit year up to this many years ahead is in this century.
_PIVOT_AHEAD = 1


def is_date_format(pattern: str) -> bool:
    """Whether a map may name this format."""
    if pattern in ORDERS:
        return True
    try:
        return "%" in pattern and datetime.strptime(date(2001, 2, 3).strftime(pattern), pattern) is not None
    except ValueError:
        return False


def numeric_parts(text: str) -> tuple[str, str, str] | None:
    """Split an all-number date such as 3/4/2020 into its parts, in writing order."""
    match = _NUMERIC_DATE.fullmatch(text.strip())
    return (match[1], match[2], match[3]) if match else None


def orders_possible(text: str, *, today: date) -> frozenset[Order]:
    """Day/month orders under which an all-number date is a date; empty where it is none."""
    parts = numeric_parts(text)
    if parts is None:
        return frozenset()
    return frozenset(order for order in ORDERS if _from_parts(parts, order, today) is not None)


def _from_parts(parts: tuple[str, str, str], order: Order, today: date) -> date | None:
    year_text = parts[order.index("y")]
    # A four-digit part is the year and nothing else; a year has two or four digits.
    if len(year_text) not in {2, 4} or any(len(part) > 2 for part in parts if part is not year_text):
        return None
    if order == "ymd" and len(year_text) != 4:
        return None
    year = int(year_text)
    if len(year_text) == 2:
        century = today.year // 100 * 100
        year += century if century + year <= today.year + _PIVOT_AHEAD else century - 100
    try:
        return date(year, int(parts[order.index("m")]), int(parts[order.index("d")]))
    except ValueError:
        return None


def parse_date(
    text: str, *, today: date, formats: tuple[str, ...] = (), order: Order | None = None
) -> date | Fault:
    """Read a date in any usual spelling.

    Parameters
    ----------
    text : str
        As written; a time of day is dropped.
    today : date
        Decides the century of two-digit years.
    formats : tuple of str
        Formats that the map names, tried first and in order; when given, nothing else is guessed for
        all-number dates.
    order : str, optional
        Order of day and month that the column's other values prove.
    """
    bare = " ".join(text.split())
    for pattern in formats:
        if (found := _by_format(bare, pattern, today)) is not None:
            return found
    parts = numeric_parts(bare)
    if parts is not None:
        return _numeric_date(text, parts, today, order, fixed=bool(formats))
    if _COMPACT_DATE.fullmatch(bare):
        return _or_fault(_from_parts((bare[:4], bare[4:6], bare[6:]), "ymd", today), text)
    if _SERIAL.fullmatch(bare) and _SERIAL_RANGE[0] <= float(bare) <= _SERIAL_RANGE[1]:
        return _SERIAL_ZERO + timedelta(days=int(float(bare)))
    return _or_fault(_with_month_name(bare), text)


def _or_fault(found: date | None, text: str) -> date | Fault:
    if found is not None:
        return found
    return Fault(RejectReason.NOT_A_DATE, f"{text!r} is not a date. Write it as 2024-03-31.")


def _by_format(bare: str, pattern: str, today: date) -> date | None:
    if pattern in ORDERS:
        parts = numeric_parts(bare)
        return _from_parts(parts, pattern, today) if parts else None
    try:
        return datetime.strptime(bare, pattern).date()
    except ValueError:
        return None


def _numeric_date(
    text: str, parts: tuple[str, str, str], today: date, order: Order | None, *, fixed: bool
) -> date | Fault:
    possible = {o: found for o in ORDERS if (found := _from_parts(parts, o, today)) is not None}
    if "ymd" in possible:
        return possible["ymd"]
    if fixed or not possible:
        return _or_fault(None, text)
    if order in possible:
        return possible[order]
    if len(set(possible.values())) == 1:
        return next(iter(possible.values()))
    return Fault(
        RejectReason.AMBIGUOUS_DATE,
        f"{text!r} can be {' or '.join(str(found) for found in possible.values())}. "
        'Say which in the column map: format = "mdy" or format = "dmy".',
    )


def _with_month_name(bare: str) -> date | None:
    """Dates with the month in letters; dateutil fills missing parts from its default, which must not happen."""
    if not re.search(r"[A-Za-z]{3}", bare) or not re.search(r"\d", bare):
        return None
    try:
        found = [
            dateutil_parser.parse(bare, default=default, ignoretz=True).date()
            for default in (datetime(2001, 1, 1), datetime(2002, 2, 2))
        ]
    except (ValueError, OverflowError):
        return None
    return found[0] if found[0] == found[1] else None


# ---------------------------------------------------------------- yes and no

TRUE_WORDS = frozenset({"yes", "y", "true", "t", "x", "1", "1.0", "✓", "✔"})
FALSE_WORDS = frozenset({"no", "n", "false", "f", "0", "0.0"})
#: Words that mean nothing was recorded, in any column but free text.
BLANK_WORDS = frozenset(
    {"", "-", "--", "---", "n/a", "na", "n.a.", "none", "null", "nan", "nil", "?", "??", "unknown", "unk", "unk.",
     "tbd", "not recorded", "not known", "#n/a"}
)  # fmt: skip

"""What a published table and column are, and short ways to write down those that recur."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "integer", "number", "flag", "date", "timestamp", "numbers"]

SQL_TYPES: dict[Kind, str] = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "flag": "BOOLEAN",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
    # One number for each parameter draw: single precision is more than draws are worth.
    "numbers": "FLOAT[]",
}


@dataclass(frozen=True, slots=True)
class PublishedColumn:
    """One published column.

    Attributes
    ----------
    name : str
        Name, with its unit as a suffix where it has one.
    kind : Kind
        Storage type.
    unit : str
        Unit in words; '' for text, flags and counts.
    text : str
        Meaning, and what NULL says where it is allowed.
    """

    name: str
    kind: Kind
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class PublishedTable:
    """One published table.

    Attributes
    ----------
    name : str
        Table name in schema main.
    grain : str
        What one row is.
    key : tuple of str
        Columns that identify a row and by which the rows are sorted.
    columns : tuple of PublishedColumn
        All columns, in order.
    """

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[PublishedColumn, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names, in order."""
        return tuple(column.name for column in self.columns)


def text(name: str, meaning: str) -> PublishedColumn:
    """Words or a code."""
    return PublishedColumn(name, "text", "", meaning)


def flag(name: str, meaning: str) -> PublishedColumn:
    """Yes or no."""
    return PublishedColumn(name, "flag", "", meaning)


def count(name: str, meaning: str) -> PublishedColumn:
    """A whole number."""
    return PublishedColumn(name, "integer", "", meaning)


def number(name: str, unit: str, meaning: str) -> PublishedColumn:
    """A measured or estimated number."""
    return PublishedColumn(name, "number", unit, meaning)


def numbers(name: str, unit: str, meaning: str) -> PublishedColumn:
    """One number for each parameter draw."""
    return PublishedColumn(name, "numbers", unit, meaning)


def money(name: str, meaning: str) -> PublishedColumn:
    """A sum of money."""
    return PublishedColumn(name, "number", "US dollars", meaning)


def with_range(name: str, unit: str, meaning: str, *, bounds_of: str = "") -> tuple[PublishedColumn, ...]:
    """An estimate with the bounds of its range.

    Parameters
    ----------
    name, unit, meaning : str
        Of the estimate; the bounds are named `{name}_lower` and `{name}_upper`.
    bounds_of : str
        What the bounds bound, in words, where it is more than the estimate itself.

    Returns
    -------
    tuple of PublishedColumn
        Estimate, lower bound, upper bound.
    """
    bounded = bounds_of or name
    return (
        number(name, unit, meaning),
        number(f"{name}_lower", unit, f"lower bound of {bounded}"),
        number(f"{name}_upper", unit, f"upper bound of {bounded}"),
    )


def chance(name: str, meaning: str) -> tuple[PublishedColumn, ...]:
    """A probability with its bounds."""
    return with_range(name, "probability, 0 to 1", meaning)


def money_quantiles(name: str, meaning: str) -> tuple[PublishedColumn, ...]:
    """The 10, 50 and 90 % quantiles of a sum of money; `{}` in the name is p10, p50, p90."""
    return tuple(
        money(name.format(f"p{level}"), f"{level} % quantile of {meaning}") for level in (10, 50, 90)
    )


def money_guesses(name: str, meaning: str = "") -> tuple[PublishedColumn, ...]:
    """A price with its uncertainty; `{}` in the name is low, likely, high."""
    before = f"{meaning}, " if meaning else ""
    return tuple(money(name.format(guess), f"{before}{guess}") for guess in ("low", "likely", "high"))


def degrees(place: str) -> tuple[PublishedColumn, PublishedColumn]:
    """Longitude and latitude of a place."""
    return (
        number("lon", "degrees", f"longitude of {place}; NULL on a grid without a code"),
        number("lat", "degrees", f"latitude of {place}; NULL on a grid without a code"),
    )


def assumptions(name: str, grain: str) -> PublishedTable:
    """A table of what is taken for granted, to be read from top to bottom."""
    columns = (
        count("position", "order"),
        text("name", "what it is"),
        text("value", "its value, in words"),
        text("source", "where it comes from"),
    )
    return PublishedTable(name, grain, ("position",), columns)


OUTCOME = text("outcome", "family of failure: structural, roots_joints, grade, or any of these")
MATERIAL = text("material", "pipe material code")
STATUS = text("status", "'ok', or why there is no number")
SENTENCE = text("sentence", "what stands behind the estimate, or why there is none, in plain words")
LOT_ID = text("lot_id", "identifies the lot")
X_FT = number("x_ft", "ft", "easting of the centre in the map's grid; NULL where no location is recorded")
Y_FT = number("y_ft", "ft", "northing, likewise")
BOUNDS = (
    number("x_min_ft", "ft", "western edge in the map's grid"),
    number("y_min_ft", "ft", "southern edge"),
    number("x_max_ft", "ft", "eastern edge"),
    number("y_max_ft", "ft", "northern edge"),
)
COVERAGE = number("coverage_share", "share, 0 to 1", "n_inspected / n_lots")
N_BAD = count("n_bad", "of these, with a repair-grade finding")

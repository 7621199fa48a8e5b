"""What a table and a column of the data contract are."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pipeline import vocabulary as words

Kind = Literal["text", "code", "integer", "number", "date", "flag"]

SQL_TYPES: dict[Kind, str] = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "integer": "INTEGER",
    "number": "DOUBLE",
    "date": "DATE",
    "flag": "BOOLEAN",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it holds, in which unit, and what is possible.

    Attributes
    ----------
    name : str
        Canonical name; a unit suffix where it has a unit.
    kind : Kind
        Storage type.
    text : str
        Meaning, for people.
    required : bool
        A row without it is rejected.
    low, high : float or None
        Inclusive range of possible values, for numbers.
    codes : type[Vocabulary] or None
        The closed list, for kind "code".
    synonyms : tuple of str
        Headers under which practitioners keep it; used only to propose a map.
    """

    name: str
    kind: Kind
    text: str
    required: bool = False
    low: float | None = None
    high: float | None = None
    codes: type[words.Vocabulary] | None = None
    synonyms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the contract.

    Attributes
    ----------
    name : str
        Name in schema core.
    key : tuple of str
        Columns that identify a row.
    replaced_by : tuple of str
        A later load that brings any row of this group replaces the whole group.
    columns : tuple of Column
        All columns, in order.
    """

    name: str
    text: str
    key: tuple[str, ...]
    replaced_by: tuple[str, ...]
    columns: tuple[Column, ...]
    by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Index the columns by name."""
        object.__setattr__(self, "by_name", {column.name: column for column in self.columns})

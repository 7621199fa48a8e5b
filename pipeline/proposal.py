"""A first column map, proposed from a file's headers and values, for a person to confirm."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.column_rules import ColumnMap, ColumnRule
from pipeline.columns import LAYOUTS
from pipeline.readers.raw import RawRows


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
        Columns that rows cannot do without and that no header was found for.
    notes : tuple of str
        One sentence each: why this layout, which unit was taken, which words are in no list, which dates
        are ambiguous.
    """

    map: ColumnMap
    unplaced: tuple[str, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def is_complete(self) -> bool:
        """Whether nothing required is missing."""
        return not self.missing


def propose(raw: RawRows, *, layout: str | None = None) -> Proposal:
    """Propose a map for a file.

    Parameters
    ----------
    raw : RawRows
        The file.
    layout : str, optional
        Layout, where the user names it; else guessed from the headers.
    """
    table = (
        LAYOUTS[layout]
        if layout
        else max(LAYOUTS.values(), key=lambda t: sum(h in t.by_name for h in raw.headers) / len(t.columns))
    )
    columns = {name: ColumnRule(headers=(name,)) for name in table.by_name if name in raw.headers}
    unplaced = tuple(h for h in raw.headers if h not in columns)
    missing = tuple(c.name for c in table.columns if c.required and c.name not in columns)
    return Proposal(ColumnMap(table.name, columns), unplaced, missing, ())

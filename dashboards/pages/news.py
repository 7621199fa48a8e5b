"""What the newest build changed in the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import panel as pn

from dashboards import parts, wording
from dashboards.data import Records
from dashboards.pages.town_cards import link_to_lot
from dashboards.parts import Shown

NOTHING_BEFORE = "There is no earlier build to compare with, or it was made by another version."


def section(records: Records) -> pn.viewable.Viewable:
    """Build the section."""
    changes = records.changes()
    head = parts.heading("What changed since the build before")
    if changes.is_empty():
        return parts.card(head, parts.paragraph(NOTHING_BEFORE))
    before = changes.row(0, named=True)
    moved = changes.filter(_differs(changes))
    same = changes.height - moved.height
    pieces = [
        head,
        parts.paragraph(
            f"Compared with run {before['run_before']}, built {wording.day(before['built_before'])}. "
            f"{wording.count(same, 'number')} of {changes.height} did not change."
        ),
    ]
    if moved.height:
        pieces.append(parts.table(moved, COLUMNS, caption="Numbers that changed"))
    lots = records.changed_lots()
    if lots.height:
        pieces.append(parts.table(lots.head(15), LOT_COLUMNS, caption="Lots whose chance moved most"))
    return parts.card(*pieces)


def _differs(changes: Any) -> Any:
    return changes["before"].ne_missing(changes["after"])


def _shown(row: Mapping[str, Any], column: str) -> str:
    value = row[column]
    if row["unit"] == "share":
        return wording.chance(value)
    return wording.number(value)


def _item(row: Mapping[str, Any]) -> str:
    unit = f" [{row['unit']}]" if row["unit"] == "years" else ""
    return f"{row['item'].replace('_', ' ')}{unit}"


COLUMNS = (
    Shown("about", lambda r: r["topic"]),
    Shown("number", _item),
    Shown("before", lambda r: _shown(r, "before"), is_number=True),
    Shown("now", lambda r: _shown(r, "after"), is_number=True),
)
LOT_COLUMNS = (
    Shown("lot", lambda r: link_to_lot(r["lot_id"], r["address"] or r["lot_id"])),
    Shown("chance before", lambda r: wording.chance(r["failure_probability_before"]), is_number=True),
    Shown("chance now", lambda r: wording.chance(r["failure_probability"]), is_number=True),
)

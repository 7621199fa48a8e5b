"""What stands around the map: counts, keys, the table of lots, and cards of what was pressed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import panel as pn
import polars as pl
from markupsafe import Markup, escape

from dashboards import parts, wording
from dashboards.charts import sewer_layer, town_map
from dashboards.map_queries import Drawn
from dashboards.parts import Shown
from dashboards.pick_table import button
from dashboards.sewer_queries import MOST_MAINS, Sewers

TOO_MANY_MAINS = (
    f"More than {MOST_MAINS:,} mains lie in this window, so none is drawn. Come closer to see them."
)
FAR = "Manholes and tie-ins are drawn where lots are drawn one by one."


def outlined(n_zones: int) -> list[pn.viewable.Viewable]:
    """What the outlines of hot spots mean."""
    if not n_zones:
        return []
    words = (
        '<p class="u-small">Outlined: {} of the search over all looks; a broken line marks one that ordinary differences between '
        'areas could make. See <a href="?page=where">where they fail</a>.</p>'
    )
    return [parts.text(Markup(words).format(wording.count(n_zones, "hot spot")))]


def counted(drawn: Drawn) -> pn.pane.HTML:
    """How many lots are drawn, and how."""
    named = {
        "lots": "lots drawn one by one",
        "blocks": "lots, drawn by block",
        "squares": "lots, drawn by squares",
    }
    return parts.figures(
        [
            (wording.number(drawn.n_lots), f"{named[drawn.level]}, in this window"),
            (
                wording.number(drawn.n_inspected),
                f"of them looked at ({wording.share(drawn.n_inspected, drawn.n_lots)})",
            ),
        ]
    )


def keyed(drawn: Drawn, by: str) -> pn.pane.HTML:
    """What the colours mean."""
    if by == town_map.BY_CHANCE:
        classes = list(zip(town_map.CHANCE, town_map.CLASS_NAMES, strict=True))
        return parts.key([*classes, (town_map.NOT_ESTIMATED, "no estimate")])
    if drawn.level == "lots":
        return parts.key([(town_map.SEEN[-2], "looked at"), (town_map.SEEN[0], "never looked at")])
    return parts.key(zip(town_map.SEEN, town_map.CLASS_NAMES, strict=True))


def sewer_key(found: Sewers, level: str) -> str:
    """What the signs of the public sewer mean, and why some are not there."""
    words = TOO_MANY_MAINS if found.n_mains > found.mains.height else "" if level == "lots" else FAR
    return str(Markup('<p class="u-small">{} {}</p>').format(sewer_layer.legend(), words))


def lots_table(named: pl.DataFrame, chosen: str | None) -> str:
    """The lots of the window with the highest chance; one can be marked on the map."""

    def mark(row: Mapping[str, Any]) -> Markup:
        about = f"Mark {row['address']} on the map"
        return button(row["lot_id"], "mark", about, is_on=row["lot_id"] == chosen)

    return parts.table(
        named,
        [
            Shown("lot", lambda r: link_to_lot(r["lot_id"], r["address"])),
            Shown("on the map", mark),
            Shown("chance of a finding now", _chance, is_number=True),
            Shown("looks", lambda r: wording.number(r["n_inspections"]), is_number=True),
            Shown("line", lambda r: r["line_summary"] or "not described"),
        ],
        caption="In this window: the lots with the highest chance",
    ).object


def _chance(row: Mapping[str, Any]) -> str:
    if row["status"] != "ok":
        return wording.REFUSED.get(row["status"], "no estimate").lower()
    return wording.estimate(
        row["failure_probability"], row["failure_probability_lower"], row["failure_probability_upper"]
    )


def link_to_lot(lot_id: str, address: str) -> Markup:
    """Return a link to a lot's page."""
    return Markup('<a href="?page=sale&amp;lot={}">{}</a>').format(quote(lot_id), escape(address))


def lot_card(lot: Mapping[str, Any]) -> pn.pane.HTML:
    """One lot that was chosen."""
    return parts.text(
        Markup(
            '<div class="u-note" role="status"><strong>{}</strong>: chance of a finding now {}. {} '
            '<a href="?page=sale&amp;lot={}">Open its page</a></div>'
        ).format(
            lot["address"] or lot["lot_id"], _chance(lot), lot["line_summary"] or "", quote(lot["lot_id"])
        )
    )


def tie_in_card(tie_in: Mapping[str, Any]) -> pn.pane.HTML:
    """One tie-in that was chosen."""
    ranked = (
        Markup('<a href="?page=connections&amp;lot={}">Its place among the connections</a>. ').format(
            quote(tie_in["lot_id"])
        )
        if tie_in["status"] == "ok"
        else Markup("Not ranked. ")
    )
    return parts.text(
        Markup(
            '<div class="u-note" role="status"><strong>Tie-in of {}</strong>: {}, last segment of {}, chance of a finding in it '
            'now {}. {}<a href="?page=sale&amp;lot={}">Open the lot\'s page</a></div>'
        ).format(
            tie_in["address"],
            sewer_layer.place_of(tie_in),
            sewer_layer.last_segment_of(tie_in),
            wording.estimate(
                *(tie_in[f"tie_in_failure_probability{end}"] for end in ("", "_lower", "_upper"))
            ),
            ranked,
            quote(tie_in["lot_id"]),
        )
    )


def main_card(main: Mapping[str, Any]) -> pn.pane.HTML:
    """One main that was chosen."""
    return parts.text(
        Markup('<div class="u-note" role="status"><strong>Main {}</strong>: {}</div>').format(
            main["main_id"], sewer_layer.main_in_words(main)
        )
    )

"""The map: every lot, far as squares or blocks and near as outlines, with the same by keyboard and as a table."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import panel as pn
from bokeh.events import RangesUpdate, Tap
from markupsafe import Markup, escape

from dashboards import parts, theme, wording
from dashboards.charts import town_map
from dashboards.charts.town_map import TownMap
from dashboards.data import Records
from dashboards.filters import Filters, View
from dashboards.map_queries import Drawn, Window
from dashboards.parts import Shown

NAMES = ("subdivision", "portfolio", "material", "era", "purpose", "years")
COLOURS = {"estimated chance now": town_map.BY_CHANCE, "share looked at": town_map.BY_SEEN}
#: Width of the window around one lot [ft].
NEAR_FT = 1_200.0

LEAD = (
    "Every lot of the town: coloured by the estimated chance of a repair-grade finding now, or by how much has been "
    "looked at. Come closer and squares become blocks, then lots."
)
NO_CONDITION = "A colour is an estimate, not a condition: most lots were never looked at. A dark edge marks the lots that a camera has been in."


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    top = pn.Column(
        parts.title(wording.PAGES["map"], LEAD),
        parts.note(wording.SCREENING),
        sizing_mode="stretch_width",
        margin=0,
    )
    whole = records.map.extent(View())
    if whole is None:
        nothing = (
            (wording.NO_LOTS, wording.NO_LOTS_TODO)
            if records.run["n_lots"] == 0
            else (wording.NO_PLACES, wording.NO_PLACES_TODO)
        )
        return pn.Column(top, parts.empty(*nothing))
    return pn.Column(top, _Page(records, whole).panel(), sizing_mode="stretch_width")


class _Page:
    """The map with its controls; one for each session."""

    def __init__(self, records: Records, whole: Window) -> None:
        self._records = records
        self._whole = whole
        self._filters = Filters(records.options, NAMES)
        self._by = pn.widgets.Select(
            name="Colour", options=COLOURS, value=parts.from_address("colour", COLOURS.values()) or town_map.BY_CHANCE,
            width=210, stylesheets=[theme.WIDGET],
        )  # fmt: skip
        parts.keep_in_address(self._by, "colour")
        self._lot = parts.from_address("lot")
        self._map = TownMap(whole)
        self._counts, self._key = parts.figures([]), parts.key([])
        self._table, self._card = parts.paragraph(""), pn.Column(sizing_mode="stretch_width", margin=0)
        self._map.show(self._start())
        zones = records.map.hot_spots()
        self._map.outline(zones)
        self._n_zones = zones.height
        self._watch()
        self._refresh()
        self._tell_lot()

    def _start(self) -> Window:
        asked = (parts.from_address("at") or "").split(",")
        near = self._records.map.around_lot(self._lot, NEAR_FT) if self._lot else None
        if near is not None:
            return near
        try:
            x, y, wide = (float(part) for part in asked)
        except ValueError:
            return self._whole
        return Window(x - wide / 2, x + wide / 2, y, y)

    def _watch(self) -> None:
        self._filters.param.watch(self._filtered, "value")
        self._by.param.watch(lambda _event: self._refresh(), "value")
        figure = self._map.figure
        figure.on_event(RangesUpdate, lambda event: parts.told(lambda: self._dragged(event)))
        figure.on_event(Tap, lambda event: parts.told(lambda: self._tapped(event.x, event.y)))
        # The shape of the town is kept only once the size of the drawing is known.
        for size in ("inner_width", "inner_height"):
            figure.on_change(size, lambda attr, old, new: parts.told(self._sized))

    def panel(self) -> pn.viewable.Viewable:
        """Lay the page out."""
        return pn.Column(
            self._filters.panel(),
            parts.card(
                self._counts,
                pn.FlexBox(self._by, *self._buttons(), gap="6px", align_items="flex-end", sizing_mode="stretch_width"),
                self._key,
                pn.pane.Bokeh(self._map.figure, sizing_mode="stretch_width", height=town_map.HEIGHT),
                *_outlined(self._n_zones),
                parts.paragraph(NO_CONDITION, "Drag to move, turn the wheel to come closer, click a lot to see it; or use the buttons.", small=True),
                self._card,
            ),
            parts.card(self._table),
            sizing_mode="stretch_width",
        )  # fmt: skip

    def _buttons(self) -> list[pn.widgets.Button]:
        """The keyboard's twin of wheel and drag."""
        moves = {
            "Closer": lambda window: window.around(0.5),
            "Farther": lambda window: window.around(2.0),
            "West": lambda window: window.moved(-0.4, 0),
            "East": lambda window: window.moved(0.4, 0),
            "North": lambda window: window.moved(0, 0.4),
            "South": lambda window: window.moved(0, -0.4),
            "All": lambda _window: self._records.map.extent(self._filters.value) or self._whole,
        }

        def button(name: str, move: Any) -> pn.widgets.Button:
            made = pn.widgets.Button(name=name, stylesheets=[theme.WIDGET], margin=2, sizing_mode=None)
            made.on_click(lambda _event: self._go(move(self._map.window)))
            return made

        return [button(name, move) for name, move in moves.items()]

    def _dragged(self, event: RangesUpdate) -> None:
        self._map.dragged(Window(event.x0, event.x1, event.y0, event.y1))
        self._moved()

    def _sized(self) -> None:
        self._map.fit()
        self._refresh()

    def _go(self, window: Window) -> None:
        self._map.show(window)
        self._moved()

    def _filtered(self, _event: Any) -> None:
        # An area that was chosen is what the reader wants to see.
        if _event.new.subdivision != _event.old.subdivision or _event.new.portfolio != _event.old.portfolio:
            self._map.show(self._records.map.extent(_event.new) or self._whole)
        self._refresh()

    def _moved(self) -> None:
        window = self._map.window
        if pn.state.location is not None:
            middle = ((window.x_from + window.x_to) / 2, (window.y_from + window.y_to) / 2)
            at = (*middle, window.x_to - window.x_from)
            pn.state.location.update_query(at=",".join(f"{number:.0f}" for number in at))
        self._refresh()

    def _refresh(self) -> None:
        view, window = self._filters.value, self._map.window
        drawn = self._records.map.drawn(view, window)
        self._map.fill(drawn, self._by.value)
        self._counts.object = _counted(drawn).object
        self._key.object = _keyed(drawn, self._by.value).object
        self._table.object = _table(self._records, view, window).object

    def _tapped(self, x: float, y: float) -> None:
        """Show the lot under the finger, or come closer to the area."""
        chosen = self._map.lots.selected.indices
        if chosen:
            self._lot = self._map.lots.data["lot_id"][chosen[0]]
            self._tell_lot()
        elif self._map.areas.selected.indices:
            wide = (self._map.window.x_to - self._map.window.x_from) / 8
            self._go(Window(x - wide, x + wide, y, y))

    def _tell_lot(self) -> None:
        near = self._records.map.around_lot(self._lot, NEAR_FT) if self._lot else None
        if self._lot is None or near is None:
            return
        self._map.mark((near.x_from + near.x_to) / 2, (near.y_from + near.y_to) / 2)
        self._card.objects = [_lot_card(self._records.lot(self._lot))]
        if pn.state.location is not None:
            pn.state.location.update_query(lot=self._lot)


def _outlined(n_zones: int) -> list[pn.viewable.Viewable]:
    if not n_zones:
        return []
    words = (
        '<p class="u-small">Outlined: {} of the search over all looks; a broken line marks one that ordinary differences between '
        'blocks could make. See <a href="?page=where">where they fail</a>.</p>'
    )
    return [parts.text(Markup(words).format(wording.count(n_zones, "hot spot")))]


def _counted(drawn: Drawn) -> pn.pane.HTML:
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


def _keyed(drawn: Drawn, by: str) -> pn.pane.HTML:
    if by == town_map.BY_CHANCE:
        classes = list(zip(town_map.CHANCE, town_map.CLASS_NAMES, strict=True))
        return parts.key([*classes, (town_map.NOT_ESTIMATED, "no estimate")])
    if drawn.level == "lots":
        return parts.key([(town_map.SEEN[-2], "looked at"), (town_map.SEEN[0], "never looked at")])
    return parts.key(zip(town_map.SEEN, town_map.CLASS_NAMES, strict=True))


def _table(records: Records, view: View, window: Window) -> pn.pane.HTML:
    return parts.table(
        records.map.named(view, window),
        [
            Shown("lot", lambda r: link_to_lot(r["lot_id"], r["address"])),
            Shown("chance of a finding now", _chance, is_number=True),
            Shown("looks", lambda r: wording.number(r["n_inspections"]), is_number=True),
            Shown("line", lambda r: r["line_summary"] or "not described"),
        ],
        caption="In this window: the lots with the highest chance",
    )


def _chance(row: Any) -> str:
    if row["status"] != "ok":
        return wording.REFUSED.get(row["status"], "no estimate").lower()
    return wording.estimate(
        row["failure_probability"], row["failure_probability_lower"], row["failure_probability_upper"]
    )


def link_to_lot(lot_id: str, address: str) -> Markup:
    """Return a link to a lot's page."""
    return Markup('<a href="?page=sale&amp;lot={}">{}</a>').format(quote(lot_id), escape(address))


def _lot_card(lot: Any) -> pn.pane.HTML:
    return parts.text(
        Markup(
            '<div class="u-note" role="status"><strong>{}</strong>: chance of a finding now {}. {} '
            '<a href="?page=sale&amp;lot={}">Open its page</a></div>'
        ).format(
            lot["address"] or lot["lot_id"], _chance(lot), lot["line_summary"] or "", quote(lot["lot_id"])
        )
    )

"""The map: every lot, far as squares or blocks and near as outlines, with the same by keyboard and as a table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import panel as pn
import polars as pl
from bokeh.events import RangesUpdate, Tap

from dashboards import parts, theme, wording
from dashboards.charts import sewer_layer, town_classes, town_map
from dashboards.charts.sewer_layer import SewerLayer
from dashboards.charts.town_map import TownMap
from dashboards.data import Records
from dashboards.filters import Filters, View
from dashboards.live_chart import LiveChart
from dashboards.map_queries import Window
from dashboards.pages import town_cards
from dashboards.pick_table import PickTable

NAMES = ("subdivision", "portfolio", "material", "era", "purpose", "years")
COLOURS = {"estimated chance now": town_map.BY_CHANCE, "share looked at": town_map.BY_SEEN}
#: Width of the window around one lot [ft].
NEAR_FT = 1_200.0

LEAD = (
    "Every lot of the town: coloured by the estimated chance of a repair-grade finding now, or by how much has been "
    "looked at. Come closer and squares become blocks, then lots."
)
HOW_TO = "Drag to move, turn the wheel to come closer, click a lot, a main or a tie-in to see it; or use the buttons and the table."
CLASSES_SAY = (
    "Lots of this window by the estimated chance of a finding now; the dark mark tells how many of them a camera has been in. "
    'Click a bar, or choose under "Only lots with", and the map and the table show those lots only.'
)
HOT_SPOTS = "hot spots"
#: Stands for every class in the choice; a browser cannot send None.
EVERY_CHANCE = ""
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
        self._chance = _chance_choice()
        parts.keep_in_address(self._chance, "chance")
        self._lot = parts.from_address("lot")
        self._map = TownMap(whole)
        self._sewers = SewerLayer(self._map.figure)
        zones = records.map.hot_spots()
        self._map.outline(zones)
        self._n_zones = zones.height
        self._has_sewers = records.sewers.on_record()
        self._layers = self._layer_choice()
        self._counts, self._key = parts.figures([]), parts.key([])
        self._sewer_key = parts.paragraph("")
        self._card = pn.Column(sizing_mode="stretch_width", margin=0)
        self._table = PickTable()
        self._map.show(self._start())
        drawing, rows = self._count_classes()
        self._classes = LiveChart(
            says=CLASSES_SAY, height=230, name="lots by chance", picks=town_classes.PICKED, on_pick=self._clicked,
            drawing=drawing, rows=rows,
        )  # fmt: skip
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
        self._chance.param.watch(lambda _event: self._refresh(), "value")
        self._layers.param.watch(lambda _event: self._switch(), "value")
        self._table.param.watch(
            lambda _event: parts.told(lambda: self._choose(self._table.picked)), "presses"
        )
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
                pn.FlexBox(self._by, self._chance, *self._buttons(), gap="6px", align_items="flex-end", sizing_mode="stretch_width"),
                *([parts.label("Show"), self._layers] if self._layers.options else []),
                self._key,
                pn.pane.Bokeh(self._map.figure, sizing_mode="stretch_width", height=town_map.HEIGHT),
                *([self._sewer_key] if self._has_sewers else []),
                *town_cards.outlined(self._n_zones),
                parts.paragraph(NO_CONDITION, HOW_TO, small=True),
                self._card,
            ),
            pn.Row(
                _growing(parts.card(parts.heading("Lots of this window by their chance"), self._classes.panel), "1 1 300px"), _growing(parts.card(self._table), "2 1 480px"),
                sizing_mode="stretch_width", styles=parts.WRAPPED, margin=0,
            ),
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

    @property
    def _view(self) -> View:
        """What the shared filters ask for, and the chances chosen here."""
        chosen = self._chance.value
        return replace(self._filters.value, chance=None if chosen == EVERY_CHANCE else int(chosen))

    def _refresh(self) -> None:
        view, window = self._view, self._map.window
        drawn = self._records.map.drawn(view, window)
        self._map.fill(drawn, self._by.value)
        self._counts.object = town_cards.counted(drawn).object
        self._key.object = town_cards.keyed(drawn, self._by.value).object
        if self._has_sewers:
            found = self._records.sewers.inside(view, window, is_near=drawn.level == "lots")
            self._sewers.fill(found)
            self._sewer_key.object = town_cards.sewer_key(found, drawn.level)
        self._list(view)
        self._classes.draw(*self._count_classes())

    def _list(self, view: View) -> None:
        named = self._records.map.named(view, self._map.window, first=self._lot)
        self._table.markup = town_cards.lots_table(named, self._lot)

    def _count_classes(self) -> tuple[dict[str, Any], pl.DataFrame]:
        """The chart of all classes, whichever is chosen, so that another one can be chosen on it; and its rows."""
        classes = self._records.map.classes(self._filters.value, self._map.window)
        return town_classes.counted(classes, self._view.chance), classes

    def _clicked(self, picked: list[dict[str, Any]]) -> None:
        self._chance.value = str(picked[0]["chance_class"]) if picked else EVERY_CHANCE

    def _switch(self) -> None:
        shown = self._layers.value
        self._sewers.show_only(shown)
        self._map.show_zones(is_wanted=HOT_SPOTS in shown)
        if pn.state.location is not None:
            hidden = [name for name in self._layers.options if name not in shown]
            pn.state.location.update_query(hide=",".join(hidden))

    def _layer_choice(self) -> pn.widgets.CheckBoxGroup:
        """What can be left out of the drawing."""
        sewers = (sewer_layer.MAINS, sewer_layer.MANHOLES, sewer_layer.TIE_INS) if self._has_sewers else ()
        names = [*sewers, *((HOT_SPOTS,) if self._n_zones else ())]
        hidden = (parts.from_address("hide") or "").split(",")
        made = pn.widgets.CheckBoxGroup(
            name="layers", options=names, value=[name for name in names if name not in hidden], inline=True,
            stylesheets=[theme.WIDGET, theme.CHOICES], sizing_mode="stretch_width",
        )  # fmt: skip
        self._sewers.show_only(made.value)
        self._map.show_zones(is_wanted=HOT_SPOTS in made.value)
        return made

    def _tapped(self, x: float, y: float) -> None:
        """Show the tie-in, main or lot under the finger, or come closer to the area."""
        lots, pressed = self._map.lots.selected.indices, self._sewers.pressed()
        if pressed is not None:
            self._tell_sewer(*pressed)
        elif lots:
            self._choose(self._map.lots.data["lot_id"][lots[0]])
        elif self._map.areas.selected.indices:
            wide = (self._map.window.x_to - self._map.window.x_from) / 8
            self._go(Window(x - wide, x + wide, y, y))

    def _tell_sewer(self, kind: str, name: str) -> None:
        if kind == sewer_layer.MAINS:
            self._card.objects = [town_cards.main_card(self._records.sewers.main(name))]
            return
        tie_in = self._records.sewers.tie_in(name)
        if tie_in is not None:
            self._map.mark(tie_in["x"], tie_in["y"])
            self._card.objects = [town_cards.tie_in_card(tie_in)]

    def _choose(self, lot_id: str) -> None:
        """Mark a lot on the map and in the table, and tell of it."""
        self._lot = lot_id
        self._list(self._view)
        self._tell_lot()

    def _tell_lot(self) -> None:
        near = self._records.map.around_lot(self._lot, NEAR_FT) if self._lot else None
        if self._lot is None or near is None:
            return
        self._map.mark((near.x_from + near.x_to) / 2, (near.y_from + near.y_to) / 2)
        tie_in = self._records.sewers.tie_in(self._lot)
        self._card.objects = [
            town_cards.lot_card(self._records.lot(self._lot)),
            *([] if tie_in is None else [town_cards.tie_in_card(tie_in)]),
        ]
        if pn.state.location is not None:
            pn.state.location.update_query(lot=self._lot)


def _growing(piece: pn.Column, flex: str) -> pn.Column:
    """A piece that takes its share of a row, which wraps on a narrow screen."""
    piece.styles = {**piece.styles, "flex": flex, "min-width": "0"}
    return piece


def _chance_choice() -> pn.widgets.Select:
    """The keyboard's twin of a click on the chart."""
    options = {"any chance": EVERY_CHANCE, **{name: str(i) for i, name in enumerate(town_classes.NAMES)}}
    return pn.widgets.Select(
        name="Only lots with", options=options, value=parts.from_address("chance", options.values()) or EVERY_CHANCE,
        width=170, stylesheets=[theme.WIDGET],
    )  # fmt: skip

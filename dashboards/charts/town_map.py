"""The map on a canvas: shapes of one window, without tiles; the page asks for the shapes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import panel as pn
import polars as pl
from bokeh.core.property.descriptors import UnsetValueError
from bokeh.models import ColumnDataSource, HoverTool, Range1d, TapTool, WheelZoomTool
from bokeh.plotting import figure

from dashboards import theme, wording
from dashboards.filters import CHANCE_CLASSES
from dashboards.map_queries import Drawn, Window, rings, zone_rings

HEIGHT = 540
#: Until the browser has told how large the map is.
FIRST_ASPECT = 540 / 1180

#: Colours of the classes of a chance or share, from pale to deep.
CHANCE = ("#FCF1DC", "#F2CD92", "#DB9250", "#B5522A", "#7A2A10")
SEEN = ("#E9F0EE", "#BFD6D3", "#7FB0AE", "#3D7E83", "#0B4A57")
CLASS_NAMES = ("under 10 %", "10 to 25 %", "25 to 50 %", "50 to 75 %", "75 % or more")
NOT_ESTIMATED = "#D6D6D3"

#: `hot_spots.label` of a zone that ordinary differences between areas do not explain.
FIRM = "firm"

BY_CHANCE, BY_SEEN = "chance", "seen"


class TownMap:
    """The figure with its two layers: areas far away, lots near by.

    Attributes
    ----------
    window : Window
        What is shown, or is about to be.
    """

    def __init__(self, window: Window) -> None:
        self.window = self._asked = window
        self.areas = ColumnDataSource(_no_areas())
        self.lots = ColumnDataSource(_no_lots())
        self.marked = ColumnDataSource({"x": [], "y": []})
        self.zones = {dash: ColumnDataSource({"xs": [], "ys": []}) for dash in ("solid", "dashed")}
        self.figure = figure(
            x_range=Range1d(window.x_from, window.x_to), y_range=Range1d(window.y_from, window.y_to),
            height=HEIGHT, sizing_mode="stretch_width", tools="pan,reset", toolbar_location=None,
            background_fill_color=theme.PAPER, border_fill_color=theme.CARD, outline_line_color=theme.RULE,
        )  # fmt: skip
        self.figure.axis.visible = False
        self.figure.grid.visible = False
        wheel, tap = WheelZoomTool(), TapTool()
        self.figure.add_tools(wheel, tap)
        self.figure.toolbar.active_scroll = wheel
        self._draw()

    def _draw(self) -> None:
        far = self.figure.quad(
            left="left", right="right", bottom="bottom", top="top", source=self.areas,
            fill_color="colour", line_color="#8B8676", line_width=0.4, nonselection_fill_alpha=1.0,
        )  # fmt: skip
        near = self.figure.patches(
            xs="xs", ys="ys", source=self.lots, fill_color="colour", line_color="edge", line_width="width",
            nonselection_fill_alpha=1.0, nonselection_line_alpha=1.0,
        )  # fmt: skip
        self._outlines = []
        # White under black shows on every colour of the map.
        for dash, zones in self.zones.items():
            for edge, width in (("#FFFFFF", 6.0), ("#111111", 2.5)):
                drawn = self.figure.multi_line(
                    xs="xs", ys="ys", source=zones, line_color=edge, line_width=width, line_dash=dash,
                    nonselection_line_alpha=1.0,
                )  # fmt: skip
                self._outlines.append(drawn)
        for edge, width in (("#FFFFFF", 7), ("#111111", 3)):
            self.figure.scatter(
                x="x",
                y="y",
                source=self.marked,
                marker="circle",
                size=26,
                fill_alpha=0,
                line_color=edge,
                line_width=width,
            )
        self.figure.add_tools(
            HoverTool(renderers=[far, near], tooltips=[("", "@name"), ("chance of a finding now", "@chance"), ("looked at", "@seen")])
        )  # fmt: skip

    def fit(self) -> None:
        """Show what was asked for again: the browser has told how large the drawing is."""
        self.show(self._asked)

    def dragged(self, window: Window) -> None:
        """Take note of a window that the reader moved to."""
        self.window = self._asked = window

    def show(self, window: Window) -> None:
        """Move to a window, as wide or as high as needed to keep the town's shape."""
        self._asked = window
        aspect = self._aspect()
        wide = max(window.x_to - window.x_from, (window.y_to - window.y_from) / aspect)
        x, y = (window.x_from + window.x_to) / 2, (window.y_from + window.y_to) / 2
        self.window = Window(x - wide / 2, x + wide / 2, y - wide * aspect / 2, y + wide * aspect / 2)
        shown = self.window

        def move() -> None:
            self.figure.x_range.update(start=shown.x_from, end=shown.x_to)
            self.figure.y_range.update(start=shown.y_from, end=shown.y_to)

        _draw_now(move)

    def _aspect(self) -> float:
        try:
            wide, high = self.figure.inner_width, self.figure.inner_height
        except UnsetValueError:  # the browser has not drawn it yet
            return FIRST_ASPECT
        return high / wide if wide and high else FIRST_ASPECT

    def fill(self, drawn: Drawn, by: str) -> None:
        """Put the shapes of a window in place of the others."""
        is_near = drawn.level == "lots"
        lots = lots_data(drawn.shapes, by) if is_near else _no_lots()
        areas = _no_areas() if is_near else areas_data(drawn.shapes, by)

        def replace() -> None:
            self.lots.selected.indices = []
            self.areas.selected.indices = []
            self.lots.data = lots
            self.areas.data = areas

        _draw_now(replace)

    def outline(self, zones: pl.DataFrame) -> None:
        """Draw the outlines of hot spots before the map is shown: firm ones whole, unproven ones broken.

        Parameters
        ----------
        zones : DataFrame
            `label, outline_wkt` of `hot_spots`.
        """
        for dash, source in self.zones.items():
            drawn = zones.filter((pl.col("label") == FIRM) == (dash == "solid"))
            xs, ys = zone_rings(drawn["outline_wkt"])
            source.data = {"xs": xs, "ys": ys}

    def show_zones(self, *, is_wanted: bool) -> None:
        """Draw the outlines of hot spots, or leave them out."""

        def switch() -> None:
            for drawn in self._outlines:
                drawn.visible = is_wanted

        _draw_now(switch)

    def mark(self, x: float, y: float) -> None:
        """Put a ring around a place."""
        _draw_now(lambda: self.marked.update(data={"x": [x], "y": [y]}))


def _draw_now(change: Callable[[], None]) -> None:
    """Change the drawing; from a widget's thread that has to wait for the document's turn."""
    pn.state.execute(change)


def _no_areas() -> dict[str, list[Any]]:
    return {name: [] for name in ("left", "right", "bottom", "top", "colour", "name", "chance", "seen")}


def _no_lots() -> dict[str, list[Any]]:
    return {name: [] for name in ("xs", "ys", "colour", "edge", "width", "name", "chance", "seen", "lot_id")}


def colour(value: float | None, palette: tuple[str, ...]) -> str:
    """The colour of a share's class; grey where there is none."""
    if value is None:
        return NOT_ESTIMATED
    return palette[
        next(i for i, end in enumerate(CHANCE_CLASSES) if value < end or end == CHANCE_CLASSES[-1])
    ]


def areas_data(areas: pl.DataFrame, by: str) -> dict[str, list[Any]]:
    """Turn areas into the columns that the figure draws."""
    share = areas["n_inspected"] / areas["n_lots"]
    values = areas["chance"] if by == BY_CHANCE else share
    palette = CHANCE if by == BY_CHANCE else SEEN
    counted = zip(areas["n_inspected"], areas["n_lots"], strict=True)
    return {
        "left": areas["x_min"].to_list(),
        "right": areas["x_max"].to_list(),
        "bottom": areas["y_min"].to_list(),
        "top": areas["y_max"].to_list(),
        "colour": [colour(value, palette) for value in values],
        "name": areas["name"].to_list(),
        "chance": [f"{wording.chance(chance)} on average" for chance in areas["chance"]],
        "seen": [f"{seen:,} of {wording.count(n, 'lot')}" for seen, n in counted],
    }


def lots_data(lots: pl.DataFrame, by: str) -> dict[str, list[Any]]:
    """Turn lots into the columns that the figure draws; the edge tells whether a camera has been there."""
    xs, ys = rings(lots)
    seen = [n > 0 for n in lots["n_inspected"]]
    if by == BY_CHANCE:
        colours = [colour(chance, CHANCE) for chance in lots["chance"]]
    else:
        colours = [SEEN[-2] if is_seen else SEEN[0] for is_seen in seen]
    return {
        "xs": xs,
        "ys": ys,
        "colour": colours,
        "edge": ["#111111" if is_seen else "#B9B2A1" for is_seen in seen],
        "width": [1.6 if is_seen else 0.6 for is_seen in seen],
        "name": lots["name"].to_list(),
        "chance": [wording.chance(chance) for chance in lots["chance"]],
        "seen": [wording.count(n, "time") if n else "never" for n in lots["n_inspected"]],
        "lot_id": lots["lot_id"].to_list(),
    }

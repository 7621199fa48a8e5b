"""The public sewer on the map's canvas: mains as lines, manholes and tie-ins as marks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import panel as pn
import polars as pl
from bokeh.models import ColumnDataSource, GlyphRenderer, HoverTool
from bokeh.plotting import figure as Figure  # noqa: N812 - a class that bokeh spells small
from markupsafe import Markup

from dashboards import wording
from dashboards.sewer_queries import Sewers, lines
from pipeline.percent import NO_NUMBER

#: Dark and cold, since the lots' colours are warm or pale; the white below it parts it from all of them.
INK, CASING = "#4A2C7E", "#FFFFFF"
#: Keep their full strength while another of them is chosen.
KEPT = {"nonselection_line_alpha": 1.0}
KEPT_MARK = {"nonselection_line_alpha": 1.0, "nonselection_fill_alpha": 1.0}

MAINS, MANHOLES, TIE_INS = "mains", "manholes", "tie-ins"
#: Up to so many mains are drawn wide and parted from what lies below; more of them would cover it.
WIDE_MAINS = 150
#: Width of the line and of the casing below it, wide and thin [px].
WIDE, THIN = (2.2, 5.0), (0.6, 0.6)


class SewerLayer:
    """What is drawn of the public sewer in one figure.

    Parameters
    ----------
    figure : figure
        Of the map; the layer is drawn over what is in it.
    """

    def __init__(self, figure: Figure) -> None:
        self.mains = ColumnDataSource(_mains(None))
        self.manholes = ColumnDataSource(_manholes(None))
        self.tie_ins = ColumnDataSource(_tie_ins(None))
        # A tie-in lies on its main: the main is there first, and the pointer finds the tie-in before it.
        casing = figure.multi_line(
            "xs", "ys", source=self.mains, line_color=CASING, line_width="casing", **KEPT
        )
        inner = figure.multi_line("xs", "ys", source=self.mains, line_color=INK, line_width="width", **KEPT)
        # A thin line is hard to press: a wide one that nobody sees takes the pointer.
        handle = figure.multi_line(
            "xs", "ys", source=self.mains, line_width=14, line_alpha=0, nonselection_line_alpha=0
        )
        chambers = figure.scatter(
            "x", "y", source=self.manholes, marker="square", size=8, fill_color=INK, line_color=CASING, **KEPT_MARK
        )  # fmt: skip
        ends = figure.scatter(
            "x", "y", source=self.tie_ins, marker="diamond", size=11, fill_color=CASING, line_color=INK,
            line_width=1.8, **KEPT_MARK,
        )  # fmt: skip
        self._drawn: dict[str, tuple[GlyphRenderer, ...]] = {
            MAINS: (casing, inner, handle), MANHOLES: (chambers,), TIE_INS: (ends,),
        }  # fmt: skip
        figure.add_tools(
            _hover(handle, ("main", "@name"), ("pipe", "@pipe"), ("laid", "@laid"), ("depth", "@depth"), ("tie-ins", "@n")),
            _hover(chambers, ("manhole", "@name"), ("depth", "@depth"), ("tie-ins", "@n")),
            _hover(ends, ("tie-in of", "@name"), ("at", "@at"), ("last segment", "@pipe"), ("its chance", "@chance")),
        )  # fmt: skip

    def fill(self, found: Sewers) -> None:
        """Put what a window shows in place of the rest."""
        sources = (self.mains, self.manholes, self.tie_ins)
        data = (_mains(found.mains), _manholes(found.manholes), _tie_ins(found.tie_ins))

        def replace() -> None:
            for source, columns in zip(sources, data, strict=True):
                source.selected.indices = []
                source.data = columns

        pn.state.execute(replace)

    def show_only(self, names: Iterable[str]) -> None:
        """Draw some of `MAINS`, `MANHOLES`, `TIE_INS`."""
        wanted = set(names)

        def switch() -> None:
            for name, renderers in self._drawn.items():
                for renderer in renderers:
                    renderer.visible = name in wanted

        pn.state.execute(switch)

    def pressed(self) -> tuple[str, str] | None:
        """What was just pressed: `TIE_INS` and a lot, or `MAINS` and a main; of several the topmost. Told once."""
        found = None
        for name, source, column in ((MAINS, self.mains, "name"), (TIE_INS, self.tie_ins, "lot_id")):
            if source.selected.indices and self._drawn[name][0].visible:
                found = name, source.data[column][source.selected.indices[0]]
            # The browser does not always let go of what is no longer pressed.
            source.selected.indices = []
        return found


def _hover(drawn: GlyphRenderer, *rows: tuple[str, str]) -> HoverTool:
    return HoverTool(renderers=[drawn], tooltips=list(rows))


def _mains(mains: pl.DataFrame | None) -> dict[str, list[Any]]:
    if mains is None:
        return {name: [] for name in ("xs", "ys", "name", "width", "casing", "pipe", "laid", "depth", "n")}
    xs, ys = lines(mains["outline_wkt"])
    rows = mains.to_dicts()
    width, casing = WIDE if mains.height <= WIDE_MAINS else THIN
    return {
        "xs": xs,
        "ys": ys,
        "name": mains["main_id"].to_list(),
        "width": [width] * mains.height,
        "casing": [casing] * mains.height,
        "pipe": [pipe_of(row) for row in rows],
        "laid": [_year(row["install_year"]) for row in rows],
        "depth": [_feet(row["depth_ft"]) for row in rows],
        "n": [wording.number(row["n_connections"]) for row in rows],
    }


def _manholes(manholes: pl.DataFrame | None) -> dict[str, list[Any]]:
    if manholes is None:
        return {name: [] for name in ("x", "y", "name", "depth", "n")}
    return {
        "x": manholes["x_ft"].to_list(),
        "y": manholes["y_ft"].to_list(),
        "name": manholes["manhole_id"].to_list(),
        "depth": [_feet(depth) for depth in manholes["depth_ft"]],
        "n": [wording.number(n) for n in manholes["n_connections"]],
    }


def _tie_ins(tie_ins: pl.DataFrame | None) -> dict[str, list[Any]]:
    if tie_ins is None:
        return {name: [] for name in ("x", "y", "lot_id", "name", "at", "pipe", "chance")}
    rows = tie_ins.to_dicts()
    return {
        "x": tie_ins["x"].to_list(),
        "y": tie_ins["y"].to_list(),
        "lot_id": tie_ins["lot_id"].to_list(),
        "name": tie_ins["address"].to_list(),
        "at": [place_of(row) for row in rows],
        "pipe": [last_segment_of(row) for row in rows],
        "chance": [wording.chance(row["tie_in_failure_probability"]) for row in rows],
    }


def pipe_of(main: Mapping[str, Any]) -> str:
    """Diameter and material of a main, in words."""
    wide = "" if wording.missing(main["diameter_in"]) else f"{main['diameter_in']:g} in "
    return f"{wide}{wording.material(main['material'])}"


def main_in_words(main: Mapping[str, Any]) -> str:
    """Everything on record of a main, as a sentence."""
    return (
        f"{pipe_of(main)}, laid: {_year(main['install_year'])}, depth to invert: {_feet(main['depth_ft'])}, street: "
        f"{wording.word(main['street_class'])}; {wording.count(main['n_connections'], 'lateral')} on record "
        f"{'ties' if main['n_connections'] == 1 else 'tie'} into it."
    )


def place_of(tie_in: Mapping[str, Any]) -> str:
    """Where a lateral meets the public sewer, in words."""
    if tie_in["manhole_id"] is not None:
        return f"manhole {tie_in['manhole_id']}"
    at = "" if wording.missing(tie_in["station_ft"]) else f", {_feet(tie_in['station_ft'])} along"
    return f"main {tie_in['main_id']}{at}"


def last_segment_of(tie_in: Mapping[str, Any]) -> str:
    """The segment that meets the public sewer, in words."""
    laid = wording.years(tie_in["tie_in_install_year_min"], tie_in["tie_in_install_year_max"])
    return wording.material(tie_in["tie_in_material"]) + ("" if laid == NO_NUMBER else f", laid {laid}")


def _feet(value: float | None) -> str:
    return "not on record" if wording.missing(value) else f"{value:,.0f} ft"


def _year(value: int | None) -> str:
    return "not on record" if value is None else str(value)


def legend() -> Markup:
    """The signs of the layer with what they mean."""
    signs = {
        MAINS: '<path d="M1 7H21" stroke="{0}" stroke-width="2.2"/>',
        MANHOLES: '<rect x="7" y="3" width="8" height="8" fill="{0}" stroke="{1}"/>',
        TIE_INS: '<path d="M11 2l4.5 5-4.5 5-4.5-5z" fill="{1}" stroke="{0}" stroke-width="1.8"/>',
    }
    names = {MAINS: "main", MANHOLES: "manhole", TIE_INS: "tie-in of a lateral"}
    return Markup("").join(
        Markup(
            '<span class="u-keyed"><svg width="22" height="14" aria-hidden="true">{}</svg> {}</span> '
        ).format(Markup(sign).format(INK, CASING), names[name])
        for name, sign in signs.items()
    )

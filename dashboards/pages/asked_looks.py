"""The looks behind one material's curve: all of them, or those asked for, with the curve of these alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import ageing
from dashboards.data import Records
from dashboards.filters import View
from pipeline.published.chosen_curves import ChosenCurve


class AskedLooks:
    """What the records say of the looks of a view, asked once for all materials on the page.

    Parameters
    ----------
    records : Records
        The published tables.
    outcome : str
        What counts as failed.
    materials : tuple of str
        Codes of the materials on the page.
    """

    def __init__(self, records: Records, outcome: str, materials: tuple[str, ...]) -> None:
        self._records, self._outcome, self._materials = records, outcome, materials

    @property
    def run(self) -> dict[str, Any]:
        """The build behind all numbers."""
        return self._records.run

    def counts(self, material: str, view: View) -> pl.DataFrame:
        """Looks by age band."""
        if view.is_everything:
            return self._records.look_counts(self._outcome, material)
        found = self._records.looks_by_age(self._outcome, self._materials, view)
        return found.filter(material=material).drop("material")

    def curve(self, material: str, view: View) -> ChosenCurve:
        """The curve of these looks alone."""
        return self._records.chosen_curves(self._outcome, self._materials, view)[material]


class LooksOfMaterial:
    """The looks behind one material's curve; drawn again in place when others are asked for.

    Parameters
    ----------
    asked : AskedLooks
        What the records say.
    row : mapping
        The material's row of `curve_groups`.
    every : DataFrame
        The build's stepped curve, from all looks; empty where it was refused.
    oldest : float
        End of the age axes [years].
    colour : str
        Colour of the material.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(
        self, asked: AskedLooks, row: Mapping[str, Any], every: pl.DataFrame, *, oldest: float, colour: str
    ) -> None:
        self._asked, self._row, self._every = asked, row, every
        self._oldest, self._colour = oldest, colour
        self._curve: parts.Chart | None = None
        self._bars: parts.Chart | None = None
        self._key = parts.key(_entries(colour, has_every=every.height > 0))
        self._curve_panel = pn.Column(sizing_mode="stretch_width", margin=0)
        self._bars_panel = pn.Column(sizing_mode="stretch_width", margin=0)
        self.panel = pn.Column(self._curve_panel, self._bars_panel, sizing_mode="stretch_width", margin=0)

    def told(self, event: Any) -> None:
        """Draw the looks of a view that was just asked for."""
        self.show(event.new)

    def show(self, view: View) -> None:
        """Draw the looks of a view."""
        self._show_curve(view)
        self._show_bars(view)

    def _show_curve(self, view: View) -> None:
        if view.is_everything:
            self._curve, self._curve_panel.objects = None, []
            return
        found = self._asked.curve(self._row["material"], view)
        if found.drawn is None:
            self._curve = None
            self._curve_panel.objects = [*_refusal(found), *_warning(found)]
            return
        table = _table(self._row, found, view)
        drawing = ageing.chosen(found.drawn.curve, self._every, oldest=self._oldest, colour=self._colour)
        says = _says(found, self._asked.run)
        if self._curve is None:
            self._curve = parts.Chart(drawing, height=250, data=table, name=self._stem("asked"), says=says)
        else:
            self._curve.redraw(drawing, data=table, says=says)
        pieces = [self._key, *_warning(found), self._curve.panel]
        if pieces != list(self._curve_panel.objects):
            self._curve_panel.objects = pieces

    def _show_bars(self, view: View) -> None:
        counts = self._asked.counts(self._row["material"], view)
        if counts.is_empty():
            self._bars = None
            none = [parts.note("No look at this material is among those asked for.")]
            self._bars_panel.objects = [] if view.is_everything else none
            return
        drawing, says = ageing.looks(counts, oldest=self._oldest), self._bars_say(counts, view)
        if self._bars is None:
            self._bars = parts.Chart(drawing, height=150, data=counts, name=self._stem("looks"), says=says)
            self._bars_panel.objects = [self._bars.panel]
        else:
            self._bars.redraw(drawing, data=counts, says=says)

    def _bars_say(self, counts: pl.DataFrame, view: View) -> str:
        if view.is_everything:
            return "Looks by age: what the curve rests on."
        asked, bad = (wording.number(float(counts[column].sum())) for column in ("n_looks", "n_bad"))
        return f"Looks by age, of those asked for: {asked}, of them {bad} with a repair-grade finding."

    def _stem(self, what: str) -> str:
        return f"{what} {self._row['outcome']} {self._row['material']}"


def _entries(colour: str, *, has_every: bool) -> list[tuple[str, str]]:
    every = [(theme.QUIET, "dashed: of all looks, as above")] if has_every else []
    return [(colour, "of the looks asked for alone, with its range"), (theme.OPEN, "not determined"), *every]


def _refusal(found: ChosenCurve) -> list[pn.viewable.Viewable]:
    """Why no line is drawn; where there is no look at all, the bars say so."""
    return [parts.note(f"No curve of these looks. {found.sentence}")] if found.n_looks else []


def _warning(found: ChosenCurve) -> list[pn.viewable.Viewable]:
    return [parts.note(wording.over_represent(found.n_selected, found.n_looks))] if found.n_selected else []


def _says(found: ChosenCurve, run: Mapping[str, Any]) -> str:
    assert found.drawn is not None
    half = found.drawn.median_age
    said = [
        f"{wording.count(found.n_looks, 'look')} at {wording.count(found.n_lives, 'pipe')} whose year is known to within five "
        f"years; {wording.number(found.n_bad)} of these pipes seen failed, "
        + ("half not reached." if half is None else f"half by {wording.number(half)} years."),
        "Nonparametric curve of these looks alone, as cameras called them, with its "
        f"{wording.level(run['curve_level'])} range for each age by itself (from the first of these looks at each pipe).",
    ]
    if found.drawn.last_age is not None:
        said.append(f"These looks say nothing past {wording.number(found.drawn.last_age)} years.")
    return " ".join(said)


def _table(row: Mapping[str, Any], found: ChosenCurve, view: View) -> pl.DataFrame:
    """Rows for the CSV, which has to say by itself what they are of."""
    assert found.drawn is not None
    return found.drawn.curve.select(
        pl.lit(row["outcome"]).alias("outcome"),
        pl.lit(row["material"]).alias("material"),
        pl.all(),
        n_looks=pl.lit(found.n_looks),
        n_lives=pl.lit(found.n_lives),
        n_bad=pl.lit(found.n_bad),
        band_method=pl.lit(found.band_method),
        looks_asked_for=pl.lit(view.in_words()),
    )

"""A chart that is drawn anew in its place while the reader works, and tells what of it was clicked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from dashboards import parts
from dashboards.drawing_pane import DrawingPane

Picked = Callable[[list[dict[str, Any]]], None]


class LiveChart:
    """One chart with a selection of points.

    Parameters
    ----------
    says, height, name
        As for `parts.chart`.
    picks : str
        Name of the selection in each drawing.
    on_pick : callable
        Told what the click chose: one dictionary for each point, none where the click cleared it.
    drawing : dict
        The first, dressed.
    rows : DataFrame
        What it is drawn from, for the CSV.
    """

    def __init__(
        self,
        *,
        says: str,
        height: int,
        name: str,
        picks: str,
        on_pick: Picked,
        drawing: dict[str, Any],
        rows: pl.DataFrame,
    ) -> None:
        self._says = says
        self._drawn = drawing
        pane = _Pane(self._drawn)
        pane.selection.param.watch(lambda event: on_pick(event.new), picks)
        self._chart = parts.Chart(self._drawn, says=says, height=height, data=rows, name=name, pane=pane)
        self.panel = self._chart.panel

    def draw(self, drawing: dict[str, Any], rows: pl.DataFrame) -> None:
        """Draw something else in its place; what is drawn already stays untouched."""
        if drawing != self._drawn:
            self._drawn = drawing
            self._chart.redraw(drawing, says=self._says, data=rows)


class _Pane(DrawingPane):
    """Keeps a selection of points over a new drawing: Panel would put None into it, which such a selection refuses."""

    def _update_selections(self, *args: Any) -> None:
        if not self.selection:
            super()._update_selections(*args)

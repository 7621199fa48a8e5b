"""Charts as they stand on a page, with their source, and what is saved from a page: tables and reports."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import Any
from weakref import WeakKeyDictionary

import altair as alt
import panel as pn
import polars as pl

from dashboards import downloads, markup, theme
from dashboards.drawing_pane import DrawingPane
from dashboards.pieces import WRAPPED, paragraph
from pipeline.formulas import as_csv

Rows = pl.DataFrame | Callable[[], pl.DataFrame]


class Chart:
    """A chart with its source, its downloads and a sentence for those who do not see it.

    Parameters
    ----------
    drawing : Chart or dict
        An Altair chart, or a specification.
    says : str
        What the chart shows.
    height : int
        Height [px].
    data : DataFrame or callable, optional
        Rows of the published table behind it, or what returns them, for the CSV; the drawn rows where not given.
    name : str
        Stem of the files that are saved.
    pane : DrawingPane, optional
        What draws it, where that is not the usual one.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(
        self,
        drawing: alt.TopLevelMixin | dict[str, Any],
        *,
        says: str,
        height: int,
        data: Rows | None = None,
        name: str = "chart",
        pane: DrawingPane | None = None,
    ) -> None:
        self._stem = _stem(name)
        self._source = source_line()
        self._pane = DrawingPane() if pane is None else pane
        self._pane.param.update(
            object=self._signed(drawing, says, data), sizing_mode="stretch_width", height=height, margin=0, min_width=0,
            stylesheets=[theme.CHART],
        )  # fmt: skip
        self._table = save_button(
            "save as CSV", lambda: io.BytesIO(as_csv(self._rows()).encode()), f"{self._stem}.csv"
        )
        # The drawing sets its own links, PNG and SVG, to the right of this one.
        self._table.styles = {"margin-left": "auto", "margin-right": "88px"}
        self._said = paragraph(says, small=True)
        self.panel = pn.Column(
            self._pane, self._table, self._said, sizing_mode="stretch_width", margin=(0, 0, 8, 0)
        )

    def redraw(
        self,
        drawing: alt.TopLevelMixin | dict[str, Any],
        *,
        says: str,
        data: Rows | None = None,
        name: str | None = None,
    ) -> None:
        """Draw something else in the same place, which takes a tenth of the time of a new chart.

        Not for drawings with a selection of points.
        """
        if name is not None:
            self._stem = _stem(name)
            self._table.filename = f"{self._stem}.csv"
        self._pane.object = self._signed(drawing, says, data)
        self._said.object = str(markup.paragraph(says, small=True))

    def _signed(
        self, drawing: alt.TopLevelMixin | dict[str, Any], says: str, data: Rows | None
    ) -> dict[str, Any]:
        # As a dictionary, since Panel would translate an Altair chart several times, at up to 0.1 s each.
        spec = drawing if isinstance(drawing, dict) else theme.dress(drawing)
        self._rows = (
            (lambda: downloads.rows_of(spec)) if data is None else data if callable(data) else (lambda: data)
        )
        return theme.sign(spec, says=says, source=self._source, name=self._stem)


def _stem(name: str) -> str:
    return f"underlot {name}".replace(" ", "_")


def chart(drawing: alt.TopLevelMixin | dict[str, Any], **about: Any) -> pn.Column:
    """Return a `Chart` as it stands on the page, where it is never drawn again."""
    return Chart(drawing, **about).panel


def report_buttons(file_stem: str, writers: Mapping[str, Callable[[], bytes]]) -> pn.Row:
    """Return links that make a report in each of its forms when they are pressed.

    Parameters
    ----------
    file_stem : str
        Name of the file without its ending.
    writers : mapping of str to callable
        By ending, such as '.pdf'.
    """
    stem = _as_file_name(file_stem)

    def button(ending: str, writer: Callable[[], bytes]) -> pn.widgets.FileDownload:
        return save_button(f"Report as {ending[1:].upper()}", lambda: io.BytesIO(writer()), f"{stem}{ending}")

    return pn.Row(*(button(*pair) for pair in writers.items()), styles=WRAPPED, sizing_mode="stretch_width")


def rename_reports(buttons: pn.Row, file_stem: str) -> None:
    """Give the files of `report_buttons` another name."""
    for button in buttons:
        button.filename = f"{_as_file_name(file_stem)}.{button.filename.rpartition('.')[2]}"


def _as_file_name(words: str) -> str:
    return "".join(letter if letter.isalnum() else "_" for letter in words)


def save_button(words: str, made: Callable[[], io.BytesIO], file_name: str) -> pn.widgets.FileDownload:
    """Return a link that makes a file when it is pressed, and saves it."""
    return pn.widgets.FileDownload(
        callback=made, filename=file_name, label=words, auto=True, embed=False, button_type="light",
        stylesheets=[theme.SAVE], margin=0, sizing_mode=None,
    )  # fmt: skip


#: The run behind the numbers of each session's pages.
_SOURCES: WeakKeyDictionary[Any, str] = WeakKeyDictionary()


def name_source(line: str) -> None:
    """Say which run all charts of this session are drawn from."""
    if pn.state.curdoc is not None:
        _SOURCES[pn.state.curdoc] = line


def source_line() -> str:
    """Which run the charts of this session are drawn from."""
    return _SOURCES.get(pn.state.curdoc, "") if pn.state.curdoc is not None else ""

"""How a drawing gets to the browser: its rows as text."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import panel as pn
import polars as pl
import polars.selectors as cs
from bokeh.models import ColumnDataSource


class DrawingPane(pn.pane.Vega):
    """Sends rows as text, which takes one message: Panel would send a model for each table, and a message for each column.

    Rows under `data` go with the specification. Those under `datasets` go by themselves, and only when they have changed:
    shapes so stay in the browser while what is told of them changes. The page's `in_place.js` puts both into the drawing.
    """

    def _get_sources(
        self, json: dict[str, Any], sources: Mapping[str, ColumnDataSource] | None = None
    ) -> dict[str, ColumnDataSource]:
        own = json.get("data", {})
        if "values" in own:
            own["values"] = as_text(own["values"])
        sent: dict[str, ColumnDataSource] = {}
        for name, rows in json.pop("datasets", {}).items():
            sent[name] = (sources or {}).get(name) or ColumnDataSource({"json": [""]})
            text = as_text(rows)
            if sent[name].data["json"] != [text]:
                sent[name].data = {"json": [text]}
        return sent


def as_text(rows: str | pl.DataFrame | Sequence[Mapping[str, Any]]) -> str:
    """Return rows as JSON, a list for each column, in which what is no number is null; a text is left as it is."""
    if isinstance(rows, str):
        return rows
    frame = (
        rows if isinstance(rows, pl.DataFrame) else pl.DataFrame(rows, infer_schema_length=None, strict=False)
    )
    numbers = frame.with_columns(pl.when(cs.float().is_finite()).then(cs.float()))
    return json.dumps(numbers.to_dict(as_series=False), separators=(",", ":"))

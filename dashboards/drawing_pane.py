"""How a drawing gets to the browser: its rows as text."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import panel as pn
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
        if isinstance(own.get("values"), list):
            own["values"] = as_text(own["values"])
        sent: dict[str, ColumnDataSource] = {}
        for name, rows in json.pop("datasets", {}).items():
            sent[name] = (sources or {}).get(name) or ColumnDataSource()
            sent[name].data = {"json": [rows if isinstance(rows, str) else as_text(rows)]}
        return sent


def as_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return rows as JSON, in which what is no number is null."""
    return json.dumps(
        [
            {
                name: None if isinstance(value, float) and not math.isfinite(value) else value
                for name, value in row.items()
            }
            for row in rows
        ],
        separators=(",", ":"),
    )

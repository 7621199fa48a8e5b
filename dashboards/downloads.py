"""What is saved from a page: the rows behind a chart as CSV."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl


def rows_of(spec: Mapping[str, Any]) -> pl.DataFrame:
    """Return the rows that a specification draws; those of its largest data set where it has several."""
    sets = [rows for rows in spec.get("datasets", {}).values() if isinstance(rows, list)]
    own = spec.get("data", {})
    if isinstance(own, Mapping) and isinstance(own.get("values"), list):
        sets.append(own["values"])
    rows = max(sets, key=len, default=[])
    # Shapes stand beside their properties; the properties are the table.
    return pl.DataFrame([row.get("properties", row) for row in rows], infer_schema_length=None)

"""What is saved from a page: the rows behind a chart as CSV."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

#: A spreadsheet takes a cell that begins with one of these for a formula.
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def rows_of(spec: Mapping[str, Any]) -> pl.DataFrame:
    """Return the rows that a specification draws; those of its largest data set where it has several."""
    sets = [rows for rows in spec.get("datasets", {}).values() if isinstance(rows, list)]
    own = spec.get("data", {})
    if isinstance(own, Mapping) and isinstance(own.get("values"), list):
        sets.append(own["values"])
    rows = max(sets, key=len, default=[])
    # Shapes stand beside their properties; the properties are the table.
    return pl.DataFrame([row.get("properties", row) for row in rows], infer_schema_length=None)


def as_csv(frame: pl.DataFrame) -> bytes:
    """Write rows as CSV; text that a spreadsheet would run as a formula is kept as text by an apostrophe."""
    texts = [pl.col(name) for name, kind in frame.schema.items() if kind == pl.String]
    quoted = [
        pl.when(text.str.slice(0, 1).is_in(FORMULA_SIGNS))
        .then(pl.concat_str(pl.lit("'"), text))
        .otherwise(text)
        for text in texts
    ]
    named = [safe.alias(text.meta.output_name()) for safe, text in zip(quoted, texts, strict=True)]
    return frame.with_columns(named).write_csv().encode("utf-8")

"""Hand-made checked rows, so that the warehouse is tested without a reader or a validator."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.column_map import ColumnMap
from pipeline.columns import TABLES
from pipeline.readers.raw import RawRows, no_rejects
from pipeline.steps.load import LoadReport, load_checked
from pipeline.validate import CheckedRows
from pipeline.warehouse import Warehouse

TYPES = {
    "text": pl.String,
    "code": pl.String,
    "integer": pl.Int32,
    "number": pl.Float64,
    "date": pl.Date,
    "flag": pl.Boolean,
}


def frame(table: str, rows: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """Rows of one table; columns that are not named are NULL; `source_row` counts from 2."""
    schema = {"source_row": pl.Int64()} | {c.name: TYPES[c.kind]() for c in TABLES[table].columns}
    numbered = [{"source_row": number, **row} for number, row in enumerate(rows, start=2)]
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in numbered], schema=schema, orient="row"
    )


def load_frames(
    warehouse: Warehouse,
    layout: str,
    frames: Mapping[str, pl.DataFrame],
    *,
    name: str = "",
    rejects: Any = None,
) -> LoadReport:
    """Load frames as if they had been read from a file that says just this."""
    names = [column for table in frames.values() for column in table.columns if column != "source_row"]
    headers = tuple(dict.fromkeys(names))
    given = [
        table.select("source_row", pl.exclude("source_row").cast(pl.String)) for table in frames.values()
    ]
    rows = given[0]
    for other in given[1:]:
        rows = rows.join(
            other.unique("source_row").drop(set(other.columns) & (set(rows.columns) - {"source_row"})),
            on="source_row",
            how="left",
        )
    rows = rows.unique("source_row", keep="first").sort("source_row")
    rejects = no_rejects() if rejects is None else rejects
    missing = [row for row in rejects["source_row"].unique().to_list() if row not in set(rows["source_row"])]
    rows = pl.concat(
        [rows, pl.DataFrame({"source_row": missing}, schema={"source_row": pl.Int64})], how="diagonal"
    )
    rows = rows.rename({header: f"c{at}" for at, header in enumerate(headers, start=1)})
    digest = hashlib.sha256(
        json.dumps([layout, *(table.rows() for table in frames.values())], default=str).encode()
    ).hexdigest()
    raw = RawRows(Path(name or f"{layout}.csv"), digest, None, headers, rows, no_rejects())
    checked = CheckedRows(dict(frames), rejects, rows.height)
    column_map = ColumnMap(layout=layout, columns={}, name=f"{layout}.toml")
    return load_checked(warehouse, raw, checked, column_map)


def load_rows(
    warehouse: Warehouse, table: str, rows: Iterable[Mapping[str, Any]], **options: Any
) -> LoadReport:
    """Load rows of one table."""
    return load_frames(warehouse, table, {table: frame(table, rows)}, **options)


def load_jobs(warehouse: Warehouse, jobs: Iterable[Mapping[str, Any]], **options: Any) -> LoadReport:
    """Load one-row-per-inspection rows; `segments` in a job is a list of segment rows."""
    lots, inspections, segments = [], [], []
    for number, job in enumerate(jobs, start=2):
        whole = {"source_row": number, **job}
        lots.append(whole)
        inspections.append(whole)
        for at, segment in enumerate(job.get("segments", ()), start=1):
            key = {"source_row": number, "lot_id": job["lot_id"], "observed_by": job["inspection_id"]}
            segments.append({**key, "sequence": at, **segment})
    frames = {
        "lots": frame("lots", lots),
        "inspections": frame("inspections", inspections),
        "segments": frame("segments", segments),
    }
    return load_frames(warehouse, "jobs", frames, **options)

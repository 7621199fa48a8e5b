"""Every column of the data contract, once: name, type, unit, range, meaning.

Validation, SQL types, the column-map proposals and the documentation are all made from these tables.
They stand by subject in `pipeline.record_tables`, what a table and a column are in `pipeline.column_types`.
Units inside are feet, inches, years and US dollars; other units are converted on reading.
"""

from __future__ import annotations

from pipeline.column_types import SQL_TYPES, Column, Kind, Table
from pipeline.record_tables.looks import FINDINGS, INSPECTIONS
from pipeline.record_tables.lots import LOTS, SEGMENTS, WORKS
from pipeline.record_tables.network import CONNECTIONS, MAINS, MANHOLES, UNIT_COSTS
from pipeline.record_tables.shared import FIRST_YEAR, INSPECTION_ID, LAST_YEAR, LOT_ID

__all__ = [
    "CONNECTIONS",
    "FINDINGS",
    "FIRST_YEAR",
    "INSPECTIONS",
    "JOBS",
    "LAST_YEAR",
    "LAYOUTS",
    "LOTS",
    "MAINS",
    "MANHOLES",
    "SEGMENTS",
    "SQL_TYPES",
    "TABLES",
    "UNIT_COSTS",
    "WORKS",
    "Column",
    "Kind",
    "Table",
]

TABLES: dict[str, Table] = {
    table.name: table
    for table in (LOTS, SEGMENTS, INSPECTIONS, FINDINGS, WORKS, MAINS, MANHOLES, CONNECTIONS, UNIT_COSTS)
}

#: Columns of a one-row-per-inspection sheet, the form in which most records are kept. Such a row is
#: split into a lot, an inspection, and the segments that its material text describes.
JOBS_ONLY = (
    Column(
        "material_run",
        "text",
        'materials along the line as written, e.g. 4" PVC > 6" VCP',
        synonyms=("material", "materials", "pipe material", "pipe type", "pipe", "line material"),
    ),
)
JOBS = Table(
    "jobs",
    "One row per inspection, as most inspectors keep it.",
    ("inspection_id",),
    ("inspection_id",),
    (
        *(c for c in LOTS.columns if c.name not in {"lot_id", "epsg", "outline_wkt"}),
        Column("epsg", "integer", "EPSG code of x and y", low=1024, high=32767),
        Column(
            "lot_id",
            "text",
            "identifies the lot; made from the address where empty",
            synonyms=LOT_ID.synonyms,
        ),
        Column(
            "inspection_id",
            "text",
            "identifies the inspection; made from lot and date where empty",
            synonyms=INSPECTION_ID.synonyms,
        ),
        *(c for c in INSPECTIONS.columns if c.name not in {"inspection_id", "lot_id"}),
        *JOBS_ONLY,
        *(
            c
            for c in SEGMENTS.columns
            if c.name in {"diameter_in", "install_year", "install_year_min", "install_year_max", "depth_ft"}
        ),
    ),
)

#: All layouts a file may have: the contract's tables and the one-row-per-inspection sheet.
LAYOUTS: dict[str, Table] = {**TABLES, JOBS.name: JOBS}

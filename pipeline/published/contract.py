"""Every table and column of the published database, once: name, type, unit, meaning.

The tables stand by subject in `pipeline.published.tables`, what a table and a column are in
`pipeline.published.table_types`; here are their version, their names on disk and the list of all of them.

The writer makes its tables from this, the reader checks the version against it, the dashboards and the
documentation take the meaning of each column from it. Nothing else may be published.

Probabilities and shares run from 0 to 1. A `…_lower` and `…_upper` bound the column they are named for;
their level is in `run.curve_level` (curves, regression terms) or `run.score_level` (lots, blocks,
subdivisions). An estimate that the records cannot carry is NULL, with a `status` other than 'ok' and a
`sentence` that says why.
"""

from __future__ import annotations

from pipeline.published.table_types import SQL_TYPES, Kind, PublishedColumn, PublishedTable
from pipeline.published.tables.areas import (
    BLOCKS,
    CANVASS_AREAS,
    CANVASS_LOTS,
    SUBDIVISION_COUNTS,
    SUBDIVISIONS,
)
from pipeline.published.tables.connections import (
    CONNECTION_ASSUMPTIONS,
    CONNECTION_CURVE,
    CONNECTION_PARTS,
    CONNECTIONS,
)
from pipeline.published.tables.curves import (
    CURVE_GROUPS,
    CURVES,
    FITTED_CURVES,
    FITTED_GROUPS,
    LOOK_COUNTS,
    LOOK_GROUPS,
    LOOK_HISTORIES,
    OUTCOMES,
    REGRESSION_TERMS,
)
from pipeline.published.tables.laws import (
    LIFE_LAW_PARTS,
    PIPE_ENTRIES,
    PIPE_STATES,
)
from pipeline.published.tables.lots import (
    EVIDENCE_GRADES,
    LOOK_SETS,
    LOT_FINDINGS,
    LOT_INSPECTIONS,
    LOT_REASONS,
    LOT_SEGMENTS,
    LOTS,
    PIPE_SETS,
)
from pipeline.published.tables.money import (
    BUDGET_ASSUMPTIONS,
    BUDGET_LOTS,
    BUDGET_YEARS,
    BUDGETS,
    UNIT_COSTS,
)
from pipeline.published.tables.places import (
    AREA_HAZARDS,
    HOT_SPOT_LABELS,
    HOT_SPOT_LOTS,
    HOT_SPOT_SCANS,
    HOT_SPOTS,
    LOCAL_EFFECTS,
    LOT_EXPECTATIONS,
    RISK_SURFACE,
)
from pipeline.published.tables.records import (
    CHANGED_LOTS,
    CHANGES,
    FINDINGS_ON_RECORDS,
    LOADS,
    RECORD_COUNTS,
    REJECT_COUNTS,
    REJECTS,
    RUN,
)
from pipeline.published.tables.sewers import MAINS, MANHOLES, TIE_INS
from pipeline.published.tables.validation import (
    LAWS_TRIED,
    VALIDATION_CALIBRATION,
    VALIDATION_QUESTIONS,
    VALIDATION_SCORES,
)

__all__ = [
    "AREA_HAZARDS",
    "BLOCKS",
    "BUDGETS",
    "BUDGET_ASSUMPTIONS",
    "BUDGET_LOTS",
    "BUDGET_YEARS",
    "CANVASS_AREAS",
    "CANVASS_LOTS",
    "CHANGED_LOTS",
    "CHANGES",
    "CONNECTIONS",
    "CONNECTION_ASSUMPTIONS",
    "CONNECTION_CURVE",
    "CONNECTION_PARTS",
    "CONTRACT_VERSION",
    "CURVES",
    "CURVE_GROUPS",
    "DATABASE_NAME",
    "EVIDENCE_GRADES",
    "FINDINGS_ON_RECORDS",
    "FITTED_CURVES",
    "FITTED_GROUPS",
    "HOT_SPOTS",
    "HOT_SPOT_LABELS",
    "HOT_SPOT_LOTS",
    "HOT_SPOT_SCANS",
    "LAWS_TRIED",
    "LIFE_LAW_PARTS",
    "LOADS",
    "LOCAL_EFFECTS",
    "LOOK_COUNTS",
    "LOOK_GROUPS",
    "LOOK_HISTORIES",
    "LOOK_SETS",
    "LOTS",
    "LOT_EXPECTATIONS",
    "LOT_FINDINGS",
    "LOT_INSPECTIONS",
    "LOT_REASONS",
    "LOT_SEGMENTS",
    "MAINS",
    "MANHOLES",
    "MANIFEST_NAME",
    "MOST_REJECTS",
    "OUTCOMES",
    "PIPE_ENTRIES",
    "PIPE_SETS",
    "PIPE_STATES",
    "POINTER_NAME",
    "RECORD_COUNTS",
    "REGRESSION_TERMS",
    "REJECTS",
    "REJECT_COUNTS",
    "RISK_SURFACE",
    "RUN",
    "SQL_TYPES",
    "STATUS_NOT_FITTED",
    "STATUS_OK",
    "STATUS_TOO_FEW",
    "STATUS_TOO_LITTLE_KNOWN",
    "SUBDIVISIONS",
    "SUBDIVISION_COUNTS",
    "TABLES",
    "TIE_INS",
    "UNIT_COSTS",
    "VALIDATION_CALIBRATION",
    "VALIDATION_QUESTIONS",
    "VALIDATION_SCORES",
    "Kind",
    "PublishedColumn",
    "PublishedTable",
]

#: Raised whenever a published column is added, removed or changes its meaning.
CONTRACT_VERSION = 9

DATABASE_NAME = "underlot.duckdb"
MANIFEST_NAME = "manifest.json"
POINTER_NAME = "current"

#: Newest rejected rows that are published; `reject_counts` has the totals.
MOST_REJECTS = 5_000

#: Possible values of the `status` columns.
STATUS_OK = "ok"
STATUS_TOO_FEW = "too_few_records"
STATUS_TOO_LITTLE_KNOWN = "too_little_known"
STATUS_NOT_FITTED = "not_fitted"


TABLES: dict[str, PublishedTable] = {
    table.name: table
    for table in (
        RUN,
        OUTCOMES,
        CURVE_GROUPS,
        CURVES,
        FITTED_GROUPS,
        FITTED_CURVES,
        LOOK_COUNTS,
        LOOK_GROUPS,
        LOOK_HISTORIES,
        REGRESSION_TERMS,
        LAWS_TRIED,
        VALIDATION_QUESTIONS,
        VALIDATION_SCORES,
        VALIDATION_CALIBRATION,
        LOTS,
        LOT_SEGMENTS,
        LOT_INSPECTIONS,
        LOT_FINDINGS,
        LOT_REASONS,
        PIPE_SETS,
        LOOK_SETS,
        BLOCKS,
        SUBDIVISIONS,
        SUBDIVISION_COUNTS,
        HOT_SPOT_SCANS,
        HOT_SPOTS,
        HOT_SPOT_LOTS,
        LOT_EXPECTATIONS,
        AREA_HAZARDS,
        LOCAL_EFFECTS,
        RISK_SURFACE,
        CONNECTIONS,
        CONNECTION_PARTS,
        CONNECTION_CURVE,
        CONNECTION_ASSUMPTIONS,
        MAINS,
        MANHOLES,
        TIE_INS,
        CANVASS_AREAS,
        CANVASS_LOTS,
        LIFE_LAW_PARTS,
        PIPE_ENTRIES,
        PIPE_STATES,
        UNIT_COSTS,
        BUDGETS,
        BUDGET_YEARS,
        BUDGET_LOTS,
        BUDGET_ASSUMPTIONS,
        RECORD_COUNTS,
        LOADS,
        REJECTS,
        REJECT_COUNTS,
        FINDINGS_ON_RECORDS,
        CHANGES,
        CHANGED_LOTS,
    )
}

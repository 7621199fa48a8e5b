"""Every column of the data contract, once: name, type, unit, range, meaning.

Validation, SQL types, the column-map proposals and the documentation are all made from these tables.
Units inside are feet, inches, years and US dollars; other units are converted on reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pipeline import vocabulary as words

Kind = Literal["text", "code", "integer", "number", "date", "flag"]

SQL_TYPES: dict[Kind, str] = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "integer": "INTEGER",
    "number": "DOUBLE",
    "date": "DATE",
    "flag": "BOOLEAN",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it holds, in which unit, and what is possible.

    Attributes
    ----------
    name : str
        Canonical name; a unit suffix where it has a unit.
    kind : Kind
        Storage type.
    text : str
        Meaning, for people.
    required : bool
        A row without it is rejected.
    low, high : float or None
        Inclusive range of possible values, for numbers.
    codes : type[Vocabulary] or None
        The closed list, for kind "code".
    synonyms : tuple of str
        Headers under which practitioners keep it; used only to propose a map.
    """

    name: str
    kind: Kind
    text: str
    required: bool = False
    low: float | None = None
    high: float | None = None
    codes: type[words.Vocabulary] | None = None
    synonyms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the contract.

    Attributes
    ----------
    name : str
        Name in schema core.
    key : tuple of str
        Columns that identify a row.
    replaced_by : tuple of str
        A later load that brings any row of this group replaces the whole group.
    columns : tuple of Column
        All columns, in order.
    """

    name: str
    text: str
    key: tuple[str, ...]
    replaced_by: tuple[str, ...]
    columns: tuple[Column, ...]
    by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Index the columns by name."""
        object.__setattr__(self, "by_name", {column.name: column for column in self.columns})


FIRST_YEAR = 1850.0
LAST_YEAR = 2100.0
LONGEST_LATERAL_FT = 2000.0

LOT_ID = Column(
    "lot_id",
    "text",
    "identifies the lot; parcel numbers keep their leading zeros",
    required=True,
    synonyms=("lot", "parcel", "parcel id", "apn", "property id", "pipe id"),
)
INSPECTION_ID = Column(
    "inspection_id",
    "text",
    "identifies the inspection",
    required=True,
    synonyms=("inspection", "job", "job no", "job number", "job #", "report no", "invoice"),
)

LOTS = Table(
    "lots",
    "A parcel with a building.",
    ("lot_id",),
    ("lot_id",),
    (
        LOT_ID,
        Column(
            "address",
            "text",
            "street address",
            synonyms=("address", "property address", "site address", "property", "location"),
        ),
        Column(
            "lon",
            "number",
            "longitude of the building [degrees]",
            low=-180,
            high=180,
            synonyms=("longitude", "lng"),
        ),
        Column(
            "lat", "number", "latitude of the building [degrees]", low=-90, high=90, synonyms=("latitude",)
        ),
        Column(
            "x",
            "number",
            "easting in the grid `epsg`, or in a local grid in feet where epsg is empty",
            synonyms=("coord_x", "easting", "x_ft"),
        ),
        Column("y", "number", "northing, likewise", synonyms=("coord_y", "northing", "y_ft")),
        Column("epsg", "integer", "EPSG code of x and y", low=1024, high=32767),
        Column(
            "year_built",
            "integer",
            "year the building was built",
            low=1600,
            high=LAST_YEAR,
            synonyms=("year built", "yr built", "built", "house year", "yob"),
        ),
        Column(
            "subdivision",
            "text",
            "subdivision or tract",
            synonyms=("subdivision", "tract", "neighborhood", "development"),
        ),
        Column("block", "text", "block", synonyms=("block", "blk")),
        Column(
            "portfolio",
            "text",
            "tag of an owner's or manager's group of lots",
            synonyms=("portfolio", "client group"),
        ),
        Column("parcel_use", "text", "use of the parcel", synonyms=("use", "parcel use", "land use")),
        Column(
            "large_tree_near",
            "flag",
            "a large tree stands within about 15 ft of the line",
            synonyms=("tree", "large tree", "trees"),
        ),
        Column("soil", "code", "soil around the line", codes=words.SoilKind, synonyms=("soil",)),
        Column(
            "outline_wkt",
            "text",
            "parcel outline as WKT, in the same grid as x, y",
            synonyms=("geometry", "wkt"),
        ),
    ),
)

SEGMENTS = Table(
    "segments",
    "A run of a lateral with one material, diameter and install date.",
    ("lot_id", "observed_by", "sequence"),
    ("lot_id", "observed_by"),
    (
        LOT_ID,
        Column("observed_by", "text", "inspection that described it; empty for an inventory", synonyms=()),
        Column(
            "sequence",
            "integer",
            "order along the line, 1 next to the building",
            required=True,
            low=1,
            high=40,
            synonyms=("seq", "segment no"),
        ),
        Column(
            "from_ft",
            "number",
            "start, from the access point or building [ft]",
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("from", "start ft"),
        ),
        Column("to_ft", "number", "end [ft]", low=0, high=LONGEST_LATERAL_FT, synonyms=("to", "end ft")),
        Column(
            "material",
            "code",
            "pipe material",
            codes=words.Material,
            synonyms=("material", "pipe material", "mat", "pipe"),
        ),
        Column(
            "diameter_in",
            "number",
            "nominal diameter [in]",
            low=1,
            high=120,
            synonyms=("diameter", "dia", "size", "pipe size"),
        ),
        Column(
            "install_year",
            "integer",
            "year laid, where known",
            low=FIRST_YEAR,
            high=LAST_YEAR,
            synonyms=("installed", "install year", "year laid", "pipe year"),
        ),
        Column("install_year_min", "integer", "earliest possible year laid", low=FIRST_YEAR, high=LAST_YEAR),
        Column("install_year_max", "integer", "latest possible year laid", low=FIRST_YEAR, high=LAST_YEAR),
        Column(
            "depth_ft",
            "number",
            "depth to invert [ft]",
            low=0,
            high=60,
            synonyms=("depth", "depth avg", "cover"),
        ),
    ),
)

INSPECTIONS = Table(
    "inspections",
    "One camera run.",
    ("inspection_id",),
    ("inspection_id",),
    (
        INSPECTION_ID,
        LOT_ID,
        Column(
            "inspection_date",
            "date",
            "day of the camera run; or give age_years",
            synonyms=("date", "inspection date", "date of inspection", "job date", "inspected"),
        ),
        Column(
            "age_years",
            "number",
            "age of the pipe at the run, where no date is kept [years]",
            low=0,
            high=250,
            synonyms=("age", "pipe age", "pipe_age"),
        ),
        Column(
            "purpose",
            "code",
            "why the camera went in",
            codes=words.Purpose,
            synonyms=("purpose", "reason", "type of job", "job type"),
        ),
        Column(
            "access",
            "code",
            "where the camera entered",
            codes=words.Access,
            synonyms=("access", "entry", "access point"),
        ),
        Column(
            "start_ft",
            "number",
            "station on the lateral where the footage starts [ft]",
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("start",),
        ),
        Column(
            "end_ft",
            "number",
            "footage reached [ft]; empty means the whole line",
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("length", "footage", "total ft", "end ft", "distance", "pipe length", "len"),
        ),
        Column(
            "line_drained",
            "flag",
            "the line was drained before bellies were judged",
            synonyms=("drained", "line drained"),
        ),
        Column(
            "reached_tie_in",
            "flag",
            "the camera reached the main or manhole",
            synonyms=("reached main", "reached tie-in", "to main", "tie in"),
        ),
        Column(
            "abandoned_reason",
            "text",
            "why the run ended early",
            synonyms=("abandoned", "why stopped", "stopped"),
        ),
        Column(
            "overall_verdict",
            "code",
            "verdict on the whole line, where no findings were kept",
            codes=words.Verdict,
            synonyms=("verdict", "result", "condition", "recommendation", "overall", "pass/fail", "rating"),
        ),
        Column(
            "operator",
            "text",
            "tag of the person who ran the camera; no names are shown",
            synonyms=("operator", "inspector", "tech"),
        ),
        Column("note", "text", "free text", synonyms=("notes", "note", "comments", "remarks")),
        Column(
            "consent",
            "code",
            "what the client allows beyond the own report; empty means aggregate",
            codes=words.Consent,
            synonyms=("consent", "data consent", "consent to share"),
        ),
    ),
)

FINDINGS = Table(
    "findings",
    "Something seen at a footage.",
    ("inspection_id", "number"),
    ("inspection_id",),
    (
        INSPECTION_ID,
        Column(
            "number",
            "integer",
            "order within the inspection; numbered on loading where empty",
            low=1,
            high=10_000,
            synonyms=("finding no",),
        ),
        Column(
            "at_ft",
            "number",
            "footage from the access point [ft]",
            required=True,
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("at", "footage", "distance"),
        ),
        Column(
            "to_ft",
            "number",
            "end footage of a stretch [ft]",
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("to", "end"),
        ),
        Column(
            "kind",
            "code",
            "what was seen",
            required=True,
            codes=words.FindingKind,
            synonyms=("finding", "defect", "observation", "kind"),
        ),
        Column(
            "water_depth_in",
            "number",
            "greatest water depth [in]",
            low=0,
            high=120,
            synonyms=("water", "water depth"),
        ),
        Column(
            "loss_pct",
            "number",
            "share of the cross-section lost [% of area]",
            low=0,
            high=100,
            synonyms=("loss", "blocked", "% loss"),
        ),
        Column(
            "offset_in", "number", "step or gap at a joint [in]", low=0, high=24, synonyms=("offset", "gap")
        ),
        Column("clock", "text", "position on the clock", synonyms=("clock",)),
        Column(
            "near_manhole",
            "flag",
            "right next to the main or a manhole",
            synonyms=("near manhole", "at main"),
        ),
        Column("note", "text", "free text", synonyms=("note", "remarks")),
    ),
)

WORKS = Table(
    "works",
    "A repair, lining or replacement.",
    ("lot_id", "works_date", "kind", "from_ft"),
    ("lot_id", "works_date", "kind", "from_ft"),
    (
        LOT_ID,
        Column(
            "works_date",
            "date",
            "day the works were done",
            required=True,
            synonyms=("date", "date done", "completed"),
        ),
        Column(
            "kind",
            "code",
            "what was done",
            required=True,
            codes=words.WorksKind,
            synonyms=("works", "work type", "kind"),
        ),
        Column("reason", "code", "why", codes=words.WorksReason, synonyms=("reason",)),
        Column(
            "from_ft",
            "number",
            "start of the extent [ft]; empty means the whole line",
            low=0,
            high=LONGEST_LATERAL_FT,
            synonyms=("from",),
        ),
        Column("to_ft", "number", "end of the extent [ft]", low=0, high=LONGEST_LATERAL_FT, synonyms=("to",)),
        Column("method", "text", "open cut, bursting, lining, …", synonyms=("method",)),
        Column(
            "material_before",
            "code",
            "material taken out or lined",
            codes=words.Material,
            synonyms=("old material",),
        ),
        Column(
            "material_after",
            "code",
            "material of the new pipe",
            codes=words.Material,
            synonyms=("new material",),
        ),
        Column(
            "cost_usd", "number", "cost [US dollars]", low=0, high=1e8, synonyms=("cost", "price", "invoice")
        ),
    ),
)

MAINS = Table(
    "mains",
    "A public sewer between two manholes.",
    ("main_id",),
    ("main_id",),
    (
        Column("main_id", "text", "identifies the main", required=True, synonyms=("main", "main id")),
        Column(
            "outline_wkt", "text", "centre line as WKT, in the grid of the lots", synonyms=("geometry", "wkt")
        ),
        Column("material", "code", "pipe material", codes=words.Material, synonyms=("material",)),
        Column("diameter_in", "number", "diameter [in]", low=2, high=240, synonyms=("diameter",)),
        Column("depth_ft", "number", "depth to invert [ft]", low=0, high=100, synonyms=("depth",)),
        Column(
            "install_year", "integer", "year laid", low=FIRST_YEAR, high=LAST_YEAR, synonyms=("installed",)
        ),
        Column("street_class", "text", "local, collector or arterial", synonyms=("street class",)),
        Column(
            "near_water",
            "flag",
            "a stream, lake or shore is near enough for a spill to reach it",
            synonyms=("near water", "near stream", "waterway"),
        ),
    ),
)

MANHOLES = Table(
    "manholes",
    "An access chamber on the public sewer.",
    ("manhole_id",),
    ("manhole_id",),
    (
        Column(
            "manhole_id", "text", "identifies the manhole", required=True, synonyms=("manhole", "manhole id")
        ),
        Column("x", "number", "easting, in the grid of the lots"),
        Column("y", "number", "northing, in the grid of the lots"),
        Column("depth_ft", "number", "depth to invert [ft]", low=0, high=100, synonyms=("depth",)),
    ),
)

CONNECTIONS = Table(
    "connections",
    "Where a lateral meets the public sewer.",
    ("lot_id",),
    ("lot_id",),
    (
        LOT_ID,
        Column("main_id", "text", "main it ties into", synonyms=("main",)),
        Column("manhole_id", "text", "manhole it ties into", synonyms=("manhole",)),
        Column(
            "station_ft", "number", "distance along the main [ft]", low=0, high=20_000, synonyms=("station",)
        ),
    ),
)

UNIT_COSTS = Table(
    "unit_costs",
    "What a method costs; the user's own figures.",
    ("method", "diameter_in", "depth_band", "surface"),
    ("method", "diameter_in", "depth_band", "surface"),
    (
        Column("method", "text", "method of repair or renewal", required=True, synonyms=("method",)),
        Column("diameter_in", "number", "nominal diameter [in]", low=1, high=120, synonyms=("diameter",)),
        Column("depth_band", "text", "depth band, e.g. 0-6 ft", synonyms=("depth",)),
        Column("surface", "text", "surface to be restored", synonyms=("surface",)),
        Column("unit", "text", "per foot or each", synonyms=("unit",)),
        Column("low_usd", "number", "low [US dollars]", required=True, low=0, high=1e7, synonyms=("low",)),
        Column(
            "likely_usd",
            "number",
            "likely [US dollars]",
            required=True,
            low=0,
            high=1e7,
            synonyms=("likely", "mid"),
        ),
        Column("high_usd", "number", "high [US dollars]", required=True, low=0, high=1e7, synonyms=("high",)),
        Column(
            "base_year",
            "integer",
            "year of the prices",
            required=True,
            low=1990,
            high=LAST_YEAR,
            synonyms=("year",),
        ),
    ),
)

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

"""Lots, their lines, and works on them."""

from __future__ import annotations

from pipeline import vocabulary as words
from pipeline.column_types import Column, Table
from pipeline.record_tables.shared import FIRST_YEAR, LAST_YEAR, LOT_ID, footage

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
            synonyms=(
                "address",
                "property address",
                "site address",
                "street address",
                "job address",
                "property",
                "location",
            ),
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
            synonyms=("year built", "yr built", "built", "house built", "blt", "yr blt", "house year", "yob"),
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
        footage(
            "property_line_ft",
            "footage along the lateral, from the building, at which it crosses the property line [ft]",
            synonyms=("property line", "property line ft", "upper lateral length", "private length"),
        ),
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
        footage("from_ft", "start, from the access point or building [ft]", synonyms=("from", "start ft")),
        footage("to_ft", "end [ft]", synonyms=("to", "end ft")),
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
        footage("from_ft", "start of the extent [ft]; empty means the whole line", synonyms=("from",)),
        footage("to_ft", "end of the extent [ft]", synonyms=("to",)),
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

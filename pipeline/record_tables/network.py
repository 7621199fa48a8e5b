"""The public sewer, the connections to it, and prices of renewal."""

from __future__ import annotations

from pipeline import vocabulary as words
from pipeline.column_types import Column, Table
from pipeline.record_tables.shared import FIRST_YEAR, LAST_YEAR, LOT_ID

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
        Column(
            "diameter_in", "number", "nominal diameter [in]", low=1, high=120, synonyms=("diameter", "dia")
        ),
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

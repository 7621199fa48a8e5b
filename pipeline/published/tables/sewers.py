"""The public sewer where the map draws it: mains, manholes and tie-ins, in the map's grid."""

from __future__ import annotations

from pipeline.published.table_types import LOT_ID, PublishedTable, count, number, text

POINT = (
    number("x_ft", "ft", "easting in the map's grid; NULL where no place is on record"),
    number("y_ft", "ft", "northing in the map's grid; NULL where no place is on record"),
)

MAINS = PublishedTable(
    "mains",
    "one public sewer between two manholes, as recorded",
    ("main_id",),
    (
        text("main_id", "identifies the main"),
        text("outline_wkt", "centre line in the map's grid; NULL where none is on record"),
        number("x_min_ft", "ft", "western bound of the line"),
        number("y_min_ft", "ft", "southern bound of the line"),
        number("x_max_ft", "ft", "eastern bound of the line"),
        number("y_max_ft", "ft", "northern bound of the line"),
        text("material", "pipe material"),
        number("diameter_in", "in", "diameter"),
        number("depth_ft", "ft", "depth to invert"),
        count("install_year", "year laid"),
        text("street_class", "class of the street"),
        count("n_connections", "laterals on record that tie into it"),
    ),
)

MANHOLES = PublishedTable(
    "manholes",
    "one access chamber on the public sewer, as recorded",
    ("manhole_id",),
    (
        text("manhole_id", "identifies the manhole"),
        *POINT,
        number("depth_ft", "ft", "depth to invert"),
        count("n_connections", "laterals on record that tie into it"),
    ),
)

TIE_INS = PublishedTable(
    "tie_ins",
    "one place where a lateral meets the public sewer; what is known of it stands in `connections`",
    ("lot_id",),
    (
        LOT_ID,
        text("main_id", "main it ties into"),
        text("manhole_id", "manhole it ties into; NULL where it meets the main"),
        *POINT,
    ),
)

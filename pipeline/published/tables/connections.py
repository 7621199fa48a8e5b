"""Connections of laterals to the public sewer, ranked by chance times consequence."""

from __future__ import annotations

from pipeline.published.table_types import (
    LOT_ID,
    SENTENCE,
    STATUS,
    PublishedTable,
    assumptions,
    chance,
    count,
    degrees,
    flag,
    money_guesses,
    number,
    text,
    with_range,
)

CONNECTIONS = PublishedTable(
    "connections",
    "one connection of a lateral to the public sewer, with the chances of its parts",
    ("lot_id",),
    (
        LOT_ID,
        text("main_id", "main it ties into"),
        text("manhole_id", "manhole it ties into; NULL where it meets the main"),
        number("station_ft", "ft", "distance along the main"),
        number("tie_in_x", "see the lots' grid", "easting of the tie-in, in the grid of the records"),
        number("tie_in_y", "see the lots' grid", "northing of the tie-in, likewise"),
        *degrees("the tie-in"),
        text("place", "how the point was found: manhole, station, nearest (to the lot), or lot"),
        number("main_depth_ft", "ft", "depth of the main, or of the manhole, to invert"),
        text("street_class", "class of the street"),
        flag("near_water", "water is near the main"),
        flag("infiltration", "a camera saw ground water coming in since the line was last renewed"),
        flag("has_foreign_line", "another utility's line was seen crossing the pipe: stop work"),
        count("sharing_manhole", "laterals that meet in its manhole; 0 where it meets the main"),
        text("tie_in_material", "material of the last segment"),
        number("tie_in_install_year_min", "year", "earliest year that segment was laid"),
        number("tie_in_install_year_max", "year", "latest year that segment was laid"),
        number(
            "property_line_ft",
            "ft",
            "where the line crosses the property line, from the building; most likely",
        ),
        text(
            "property_line_source",
            "recorded, assumed (from the main back), length_assumed (the length of the line as well), or beyond_line "
            "(recorded, but beyond the end of the line: assumed instead)",
        ),
        number(
            "upper_length_ft", "ft", "length of the upper lateral, from the building to the property line"
        ),
        number("lower_length_ft", "ft", "length of the lower lateral, from the property line to the main"),
        count("n_segments", "segments of the line"),
        *chance("lower_failure_probability", "chance that the lower lateral has a repair-grade finding now"),
        *chance("upper_failure_probability", "chance that the upper lateral has one now"),
        *chance(
            "tie_in_failure_probability", "chance that the last segment, which meets the main, has one now"
        ),
        *chance("whole_failure_probability", "chance that the whole lateral has one now"),
        count("bundle", "connections with the same number share one mobilisation"),
        *money_guesses("mobilisation_{}_usd", "setting up its bundle, paid once for all in it"),
        STATUS,
        SENTENCE,
    ),
)

PART = text("part", "lower, upper, tie_in or whole: which part of the lateral is renewed")

CONNECTION_PARTS = PublishedTable(
    "connection_parts",
    "one part of a ranked connection, by chance times consequence",
    ("part", "lot_id"),
    (
        PART,
        LOT_ID,
        number("consequence", "times", "how many times worse than under a shallow local street"),
        text("consequence_reasons", "weights that apply, in words"),
        text("not_on_record", "facts that weights ask for and nobody recorded; they weigh 1"),
        *with_range("risk_points", "points", "chance of the part times consequence"),
        count("risk_rank", "1 for the greatest risk_points of this part"),
        number(
            "in_list_probability",
            "probability, 0 to 1",
            "share of parameter draws in which it is among the first (places of the list: connection_assumptions)",
        ),
        count("spending_order", "order in which money buys most; NULL where the chance is nil"),
        count("package", "connections of one package are only worth while together"),
        *money_guesses("cost_{}_usd", "own cost without mobilisation"),
    ),
)

CONNECTION_CURVE = PublishedTable(
    "connection_curve",
    "a sum of money spent on one part of the connections in the best order, and what it buys",
    ("part", "n_connections"),
    (
        PART,
        flag("is_shown_first", "this is the part that consequences.toml names"),
        count("n_connections", "connections renewed"),
        number("cost_usd", "US dollars", "likely cost, each mobilisation once"),
        *with_range("risk_points", "points", "risk taken away"),
        number("share_of_risk", "share, 0 to 1", "of the risk of all ranked connections"),
    ),
)

CONNECTION_ASSUMPTIONS = assumptions(
    "connection_assumptions", "one assumption behind the ranking of connections"
)

"""Hot spots, hazards of areas, and the map of observed over expected."""

from __future__ import annotations

from pipeline.published.table_types import (
    COVERAGE,
    LOT_ID,
    SENTENCE,
    STATUS,
    X_FT,
    Y_FT,
    PublishedTable,
    chance,
    count,
    degrees,
    flag,
    number,
    text,
    with_range,
)

#: `hot_spots.label` and what it says.
HOT_SPOT_LABELS = {
    "firm": "more failures than material, age and depth explain, and more than areas differ anyway",
    "unproven": "more failures than material, age and depth explain, but not more than areas differ anyway",
}

HOT_SPOT_SCANS = PublishedTable(
    "hot_spot_scans",
    "one search for hot spots: among unselected looks, the recent ones of them, or all looks",
    ("period",),
    (
        text(
            "period",
            "all: looks that were not made because of a failure; recent: those of the last years only; every_reason: all "
            "looks, with one shift of the log odds for each purpose that goes with failure",
        ),
        number("recent_years", "years", "how far back looks were taken; NULL for all"),
        count("n_lots", "lots with a judged, unselected look and a location"),
        count("n_observed", "of these, with a repair-grade finding or an earlier pipe that had failed"),
        number("expected", "lots", "lots expected with one, from material, age and depth"),
        count("n_without_place", "lots with such a look that were left out, for they have no location"),
        count("n_draws", "draws of towns without a hot spot behind each p-value"),
        number("block_variance", "variance", "of hazards between blocks of one subdivision, their mean 1"),
        number("subdivision_variance", "variance", "of hazards between subdivisions, their mean 1"),
        number("least_p_value", "probability, 0 to 1", "of the most surprising zone, published or not"),
        STATUS,
        SENTENCE,
    ),
)

HOT_SPOTS = PublishedTable(
    "hot_spots",
    "one zone with more failures than material, age and depth explain",
    ("period", "zone"),
    (
        text("period", "search that it belongs to"),
        count("zone", "order, most surprising first"),
        text("label", "firm, or unproven: blocks and subdivisions that merely differ could make it"),
        text("meaning", "the label in words"),
        X_FT,
        Y_FT,
        number("radius_ft", "ft", "distance from the centre to the farthest site of the zone"),
        *degrees("the centre"),
        text("outline_wkt", "outline around its lots as WKT in the map's grid [ft]"),
        text("outline_degrees_wkt", "the same in longitude and latitude; NULL on a grid without a code"),
        text("core_wkt", "outline around its core as WKT in the map's grid [ft]; NULL where it has none"),
        text("subdivisions", "subdivisions that it touches, the one with most of its lots first"),
        count("n_lots", "lots inside, inspected or not"),
        count("n_inspected", "of these, with a judged, unselected look"),
        COVERAGE,
        count("n_observed", "inspected lots with a repair-grade finding"),
        *with_range(
            "expected",
            "lots",
            "lots expected with one, from material, age and depth",
            bounds_of="expected, from the uncertainty of the fit",
        ),
        number("ratio", "ratio", "n_observed / expected"),
        number("log_ratio", "nats", "log likelihood ratio of the scan"),
        number(
            "p_value", "probability, 0 to 1", "chance of such a zone anywhere, did the baseline explain all"
        ),
        text("p_value_method", "rank among the draws, or gumbel: tail of a law fitted to them"),
        number(
            "p_value_blocks",
            "probability, 0 to 1",
            "chance of such a zone anywhere, if blocks and subdivisions differ as they do over the town, and the law "
            "of ageing is off by what is not known of it",
        ),
        text("p_value_blocks_method", "how that was had; at_least where it is no smaller than this"),
        count("n_core", "inspected lots that are in the zone in 80 % of re-draws of the failures"),
        text("warning", "with what it coincides that is not of the pipes; '' for nothing"),
        SENTENCE,
    ),
)

HOT_SPOT_LOTS = PublishedTable(
    "hot_spot_lots",
    "zone and a lot inside it",
    ("period", "zone", "lot_id"),
    (
        text("period", "search"),
        count("zone", "zone"),
        LOT_ID,
        flag("is_inspected", "it has a judged, unselected look"),
        number("membership_share", "share, 0 to 1", "re-draws in which it is inside; NULL if not inspected"),
        flag("is_core", "it is in the zone in 80 % of re-draws; NULL if not inspected"),
    ),
)

LOT_EXPECTATIONS = PublishedTable(
    "lot_expectations",
    "one lot with a judged, unselected look: what was to be expected of it, and of the lots around",
    ("lot_id",),
    (
        LOT_ID,
        text("purpose", "why the camera went in; NULL where only an earlier pipe counts"),
        count(
            "look_year",
            "calendar year of that look; NULL where only ages are kept, or only an earlier pipe counts",
        ),
        flag("is_bad", "it had a repair-grade finding, or an earlier pipe had failed by then"),
        *chance("expected", "chance of a repair-grade finding at that look, from material, age and depth"),
        number(
            "gi_star_z",
            "normal deviate",
            "excess of failures among it and the nearest 30 looks (Gi* with the model's moments); NULL without a location",
        ),
        number("gi_star_q_value", "probability, 0 to 1", "one-sided, adjusted for false discoveries"),
    ),
)

AREA_HAZARDS = PublishedTable(
    "area_hazards",
    "one block, subdivision or grid cell: observed, expected, and its hazards against the town's",
    ("area_kind", "area"),
    (
        text("area_kind", "block, subdivision or cell"),
        text("area", "block, subdivision, or column and row of the cell"),
        X_FT,
        Y_FT,
        count("n_lots", "lots"),
        count("n_inspected", "lots with a judged, unselected look"),
        COVERAGE,
        count("n_observed", "of these, with a repair-grade finding; NULL where too few were inspected"),
        *with_range(
            "expected",
            "lots",
            "lots expected with one, from material, age and depth",
            bounds_of="expected, from the uncertainty of the fit",
        ),
        *with_range("multiplier", "ratio", "hazard against the town's, drawn towards the town"),
        number("multiplier_notable_probability", "probability, 0 to 1", "chance that it is above 1.25"),
        *with_range(
            "neighbour_multiplier", "ratio", "hazard against the town's, drawn towards its neighbours"
        ),
        number(
            "neighbour_multiplier_notable_probability", "probability, 0 to 1", "chance that it is above 1.25"
        ),
        number("gi_star_z", "normal deviate", "Getis-Ord Gi* of standardised excess"),
        number("gi_star_q_value", "probability, 0 to 1", "one-sided, adjusted for false discoveries"),
        number("moran_z", "normal deviate", "local Moran of standardised excess"),
        number("moran_q_value", "probability, 0 to 1", "two-sided, adjusted for false discoveries"),
        STATUS,
        SENTENCE,
    ),
)

LOCAL_EFFECTS = PublishedTable(
    "local_effects",
    "kind of area and what is made of its differences: whether that foretells lots left out",
    ("area_kind", "method"),
    (
        text("area_kind", "block, subdivision or cell"),
        text(
            "method",
            "in_scores: as the fit behind scores has it; towards_town (gamma) or towards_neighbours (conditional "
            "autoregression): as area_hazards has it",
        ),
        number("variance", "variance", "between areas: of the multiplier (gamma) or of its logarithm"),
        number("neighbour_share", "share, 0 to 1", "how far areas are drawn towards their neighbours"),
        number("log_likelihood_gain", "nats", "log marginal likelihood above that of no difference"),
        number("gain_known_areas", "nats per look", "log score won on lots left out of areas that are known"),
        number("gain_known_areas_error", "nats per look", "its standard error"),
        number("gain_unknown_areas", "nats per look", "log score won on areas left out whole"),
        number("gain_unknown_areas_error", "nats per look", "its standard error"),
        flag(
            "is_used",
            "in_scores: scores are made with it; else: it helps reliably, and is the best of its kind of area",
        ),
        SENTENCE,
    ),
)

RISK_SURFACE = PublishedTable(
    "risk_surface",
    "one cell of a smoothed map of observed over expected, for display only",
    ("x_ft", "y_ft"),
    (
        X_FT,
        Y_FT,
        number("size_ft", "ft", "side of the cell"),
        number("relative_risk", "ratio", "smoothed observed over smoothed expected"),
        number("expected", "lots", "expected failures that the smoothing takes in there"),
    ),
)

"""Blocks, subdivisions, and the areas of lists for callers."""

from __future__ import annotations

from pipeline.published.table_types import (
    BOUNDS,
    COVERAGE,
    LOT_ID,
    SENTENCE,
    STATUS,
    X_FT,
    Y_FT,
    PublishedTable,
    count,
    degrees,
    number,
    text,
    with_range,
)

BLOCKS = PublishedTable(
    "blocks",
    "one block: what was seen against what material, age and depth lead to expect",
    ("block",),
    (
        text("block", "block"),
        text("subdivision", "subdivision that most of its lots belong to"),
        X_FT,
        Y_FT,
        *BOUNDS,
        text("outline_wkt", "outline as WKT in the map's grid [ft]"),
        count("n_lots", "lots"),
        count("n_inspected", "lots with an unselected, judged look; the newest counts"),
        COVERAGE,
        count(
            "n_observed",
            "of these, with a repair-grade finding at that look or an earlier pipe that had failed by then",
        ),
        number("observed_share", "share, 0 to 1", "n_observed / n_inspected"),
        *with_range(
            "expected",
            "lots",
            "lots expected with one, were this block like any other",
            bounds_of="the number that chance alone allows",
        ),
        number("ratio", "ratio", "n_observed / expected"),
        number("mean_failure_probability", "probability, 0 to 1", "mean score of its lots"),
        STATUS,
        SENTENCE,
    ),
)

SUBDIVISIONS = PublishedTable(
    "subdivisions",
    "one subdivision",
    ("subdivision",),
    (
        text("subdivision", "subdivision"),
        X_FT,
        Y_FT,
        *BOUNDS,
        count("year_built_from", "year of its oldest building"),
        count("year_built_to", "year of its newest building"),
        count("n_lots", "lots"),
        count("n_scored", "lots with a score"),
        count("n_inspected", "lots with an unselected, judged look; the newest counts"),
        COVERAGE,
        count(
            "n_observed",
            "of these, with a repair-grade finding at that look or an earlier pipe that had failed by then",
        ),
        *with_range(
            "expected",
            "lots",
            "lots expected with one at those looks, were it like any other",
            bounds_of="the number that chance alone allows",
        ),
        number("ratio", "ratio", "n_observed / expected"),
        *with_range("expected_failed_now", "lots", "scored lots expected to have a repair-grade finding now"),
        number("threshold_probability", "probability, 0 to 1", "threshold of above_threshold_share"),
        number(
            "above_threshold_share", "share, 0 to 1", "scored lots whose chance now exceeds the threshold"
        ),
        STATUS,
        SENTENCE,
    ),
)

SUBDIVISION_COUNTS = PublishedTable(
    "subdivision_counts",
    "one subdivision and a number of lots",
    ("subdivision", "k"),
    (
        text("subdivision", "subdivision"),
        count("k", "number of lots"),
        number("probability_at_least", "probability, 0 to 1", "chance that k or more have a finding now"),
    ),
)

CANVASS_AREAS = PublishedTable(
    "canvass_areas",
    "a block, or small blocks of one subdivision together: failures nobody has seen yet, safe to hand on",
    ("area_id",),
    (
        count("area_id", "number of the area in this build, best first"),
        count("rank", "1 for the most unseen failures per door; NULL where held back"),
        text("name", "name of the block, or how many smaller blocks of which subdivision"),
        text("subdivision", "subdivision"),
        text("blocks", "blocks that it holds, separated by commas"),
        count("n_blocks", "blocks that it holds"),
        X_FT,
        Y_FT,
        *degrees("the middle of its lots"),
        count("n_lots", "lots"),
        count("n_doors", "lots that may be contacted"),
        count("n_seen_about", "lines that a camera has been in, rounded down to fives"),
        *with_range(
            "expected_unseen", "lots", "expected repair-grade findings in lines that no camera has been in"
        ),
        *with_range("per_door", "lots per door", "expected_unseen / n_doors"),
        STATUS,
        SENTENCE,
    ),
)

CANVASS_LOTS = PublishedTable(
    "canvass_lots",
    "one door of an area; inspected or not, so that being listed tells nothing",
    ("lot_id",),
    (LOT_ID, count("area_id", "area of canvass_areas")),
)

"""Lots with their scores, lines, looks and reasons."""

from __future__ import annotations

from pipeline.published.table_types import (
    LOT_ID,
    MATERIAL,
    SENTENCE,
    STATUS,
    X_FT,
    Y_FT,
    PublishedColumn,
    PublishedTable,
    chance,
    count,
    degrees,
    flag,
    number,
    text,
)

#: `lots.evidence_grade` and what it says, best first.
EVIDENCE_GRADES = {
    "own_camera_record": "a camera has been in this line",
    "same_block": "no camera record here; lines in the same block have been seen",
    "same_material_and_era": "no camera record here; lines of the same material and era have been seen",
    "thin": "hardly any line like it has been seen",
}

LOTS = PublishedTable(
    "lots",
    "one lot and its score",
    ("lot_id",),
    (
        LOT_ID,
        text("address", "street address as recorded"),
        X_FT,
        Y_FT,
        text("outline_wkt", "outline as WKT in the map's grid [ft]; NULL where not recorded"),
        count("year_built", "year the building was built"),
        text("subdivision", "subdivision"),
        text("block", "block"),
        text("portfolio", "tag of a group of lots"),
        text("soil", "soil code"),
        flag("large_tree_near", "a large tree stands near the line"),
        text("line_summary", "the line from the building on, in words"),
        count("n_segments", "segments on record; 0 where the line is not described"),
        count("n_inspections", "inspections of this line"),
        PublishedColumn("last_inspection_date", "date", "", "day of the newest inspection"),
        text("last_verdict", "verdict of the newest judged look"),
        text("evidence_grade", "own_camera_record, same_block, same_material_and_era or thin"),
        text("evidence", "the same in plain words"),
        count("n_like", "judged looks at lives of the same main material and era"),
        count("n_like_bad", "of these, with a repair-grade finding"),
        *chance("failure_probability", "estimated chance that a repair-grade finding is there now"),
        *chance(
            "failure_within_horizon_probability",
            "estimated chance that one arises within the horizon, if there is none now; NULL where one is almost "
            "surely there now (chance of 0.99 or more)",
        ),
        *chance("failure_by_horizon_probability", "estimated chance that one is there at the horizon's end"),
        *chance(
            "failure_probability_without_own",
            "failure_probability of lines like this one here, had nobody looked at this one",
        ),
        number(
            "near_seen_ft",
            "ft",
            "distance within which ten other lines have been seen; NULL where fewer are placed",
        ),
        *degrees("the building"),
        flag("has_foreign_line", "another utility's line was seen crossing the pipe: stop work"),
        flag(
            "tells_own_results",
            "every client whose line was looked at here allows to tell the result with the address",
        ),
        count(
            "pipe_set", "set of materials and eras of its segments, in `pipe_sets`; NULL where it has none"
        ),
        count(
            "look_set", "set of reasons and years of its inspections, in `look_sets`; NULL where it has none"
        ),
        count(
            "chance_order", "place among all lots by failure_probability, 1 highest, without an estimate last"
        ),
        STATUS,
        SENTENCE,
    ),
)

PIPE_SETS = PublishedTable(
    "pipe_sets",
    "one material and era in a set of them that some lots have",
    ("pipe_set", "material", "era"),
    (
        count("pipe_set", "number of the set, as in `lots`"),
        MATERIAL,
        text("era", "era of the install year"),
    ),
)

LOOK_SETS = PublishedTable(
    "look_sets",
    "one reason and year in a set of them that the inspections of some lots have",
    ("look_set", "purpose", "look_year"),
    (
        count("look_set", "number of the set, as in `lots`"),
        text("purpose", "why the camera went in"),
        count("look_year", "calendar year, or age where only ages are kept"),
    ),
)

LOT_SEGMENTS = PublishedTable(
    "lot_segments",
    "one segment in use on a lot",
    ("lot_id", "sequence"),
    (
        LOT_ID,
        count("sequence", "order along the line, 1 next to the building"),
        MATERIAL,
        text("material_source", "recorded, works or not_recorded"),
        flag("is_imputed", "material or install year is not on record and was estimated as a distribution"),
        number("diameter_in", "in", "nominal diameter"),
        number("depth_ft", "ft", "depth to invert"),
        number("length_ft", "ft", "length"),
        number("install_year_min", "year", "earliest year laid"),
        number("install_year_max", "year", "latest year laid"),
        text("install_source", "where the install years come from"),
        text("era", "era of the install year"),
        *chance("failure_probability", "estimated chance that this segment has a repair-grade finding now"),
    ),
)

LOT_INSPECTIONS = PublishedTable(
    "lot_inspections",
    "one inspection of a lot",
    ("lot_id", "inspection_id"),
    (
        LOT_ID,
        text("inspection_id", "identifies the inspection"),
        PublishedColumn(
            "inspection_date", "date", "", "day of the camera run; NULL where only ages are kept"
        ),
        number("look_year", "decimal year", "the same as a number, or the age where only ages are kept"),
        text("purpose", "why the camera went in"),
        flag("is_selected", "made because something was wrong; kept out of curves"),
        text("verdict", "worst verdict of the line at this look; NULL where not judged"),
        flag("is_bad", "a repair-grade finding was seen; NULL where not judged"),
        text("rule", "the rule and number that decided, in words"),
        number("end_ft", "ft", "footage reached"),
        flag("reached_tie_in", "the camera reached the main or manhole"),
        flag("line_drained", "the line was drained before bellies were judged"),
        count("n_findings", "findings on record"),
    ),
)

LOT_FINDINGS = PublishedTable(
    "lot_findings",
    "one finding of an inspection",
    ("lot_id", "inspection_id", "number"),
    (
        LOT_ID,
        text("inspection_id", "identifies the inspection"),
        count("number", "order within the inspection"),
        text("kind", "what was seen"),
        number("at_ft", "ft", "footage from the access point"),
        number("to_ft", "ft", "end footage of a stretch"),
        number("water_depth_in", "in", "greatest water depth"),
        number("loss_pct", "% of area, 0 to 100", "share of the cross-section lost"),
        number("offset_in", "in", "step or gap at a joint"),
        text("note", "free text"),
    ),
)

LOT_REASONS = PublishedTable(
    "lot_reasons",
    "one reason behind a lot's score",
    ("lot_id", "position"),
    (
        LOT_ID,
        count("position", "order, 1 first"),
        text(
            "kind",
            "own_look, pipe, place, block, like, limits (of the lot's own looks and records) or no_estimate",
        ),
        text("reason", "one plain sentence"),
    ),
)

"""The build itself, what was loaded and rejected, and what changed since the build before."""

from __future__ import annotations

from pipeline.published.table_types import (
    LOT_ID,
    PublishedColumn,
    PublishedTable,
    count,
    flag,
    number,
    text,
)

RUN = PublishedTable(
    "run",
    "one row: this build",
    ("run_id",),
    (
        text("run_id", "identifies the build; made from its input, settings and seed"),
        PublishedColumn("built_at", "timestamp", "UTC", "when the build finished"),
        count("contract_version", "version of this contract"),
        text("town_name", "name of the town or client, from the settings"),
        flag("is_synthetic", "the records are invented"),
        count("seed", "seed of all random draws"),
        count("n_draws", "parameter draws behind each range"),
        text("default_outcome", "outcome that scores speak of"),
        text("failure_definition", "what counts as failed, in one sentence"),
        number("as_of_year", "decimal year", "the day that 'now' means"),
        text("as_of_source", "where that day comes from, in words"),
        number("horizon_years", "years", "holding period of `failure_within_horizon_probability`"),
        number("curve_level", "share", "level of the ranges of curves and regression terms"),
        number("score_level", "share", "level of the ranges of lots, blocks and subdivisions"),
        count("n_lots", "lots on record"),
        count("n_segments", "segments on record"),
        count("n_inspections", "inspections on record"),
        count("n_lots_inspected", "lots with at least one judged look"),
        count("n_lives", "lives known or inferred"),
        count("n_looks", "looks at a life, of any purpose"),
        count("n_looks_selected", "of these, looks made because something was wrong; kept out of curves"),
        count(
            "n_segments_by_like_pipe",
            "segments in use without a year of their own or of their house; the years of like pipe stand in",
        ),
        count(
            "n_undated_segments",
            "segments in use of which nothing tells when they were laid; their lines are not scored",
        ),
        count("min_lives", "lives that a stepped curve needs"),
        count("min_events", "lives seen failed that it needs"),
        count("min_area_inspections", "inspected lots that an area needs to be judged"),
        count("min_area_events", "lots with a finding that it needs"),
        text("settings_toml", "all settings of this build"),
    ),
)

RECORD_COUNTS = PublishedTable(
    "record_counts",
    "one table of the records",
    ("table_name",),
    (
        text("table_name", "table of the data contract"),
        count("n_rows", "rows on record"),
        count("n_superseded", "older rows kept aside"),
    ),
)

LOADS = PublishedTable(
    "loads",
    "one load of one file",
    ("load_id",),
    (
        count("load_id", "order of loading"),
        text("file_name", "file"),
        text("map_name", "column map used"),
        text("layout", "layout of the file"),
        PublishedColumn("loaded_at", "timestamp", "UTC", "when"),
        count("n_read", "rows read: accepted + unchanged + duplicate + rejected"),
        count("n_accepted", "rows taken"),
        count("n_unchanged", "rows already on record in the same words"),
        count("n_duplicate", "rows repeated within the file"),
        count("n_superseded", "older rows replaced by this load"),
        count("n_rejected", "rows not taken"),
    ),
)

REJECTS = PublishedTable(
    "rejects",
    "one fault of a row that was not taken; the newest 5,000",
    ("load_id", "source_row", "column_name", "reason_code"),
    (
        count("load_id", "load"),
        text("file_name", "file"),
        count("source_row", "row as a spreadsheet numbers it"),
        text("table_name", "table of the data contract"),
        text("column_name", "column"),
        text("value", "value as given"),
        text("reason_code", "reason code"),
        text("reason", "what is wrong and what to do"),
    ),
)

REJECT_COUNTS = PublishedTable(
    "reject_counts",
    "file and reason",
    ("file_name", "reason_code"),
    (
        text("file_name", "file"),
        text("reason_code", "reason code"),
        text("meaning", "the reason in words"),
        count("n_rejects", "faults of this kind, all of them"),
    ),
)

FINDINGS_ON_RECORDS = PublishedTable(
    "findings_on_records",
    "one contradiction found in accepted records",
    ("kind", "table_name", "lot_id", "inspection_id", "detail"),
    (
        text("kind", "kind of contradiction"),
        text("meaning", "the kind in words"),
        text("table_name", "table that holds the records"),
        text("lot_id", "lot, where one lot is meant"),
        text("inspection_id", "inspection, where one is meant"),
        text("detail", "what was found, with its numbers"),
        count("n", "records concerned"),
    ),
)

CHANGES = PublishedTable(
    "changes",
    "one number of this build beside the same of the build before; no rows where there was none",
    ("position",),
    (
        count("position", "order of showing"),
        text("topic", "records, curves, scores or areas"),
        text("item", "what is counted or estimated, in words"),
        text("unit", "years, share, or empty for counts"),
        number("before", "see unit", "in the build before; NULL where it had none"),
        number("after", "see unit", "in this build"),
        text("run_before", "run of the build before"),
        PublishedColumn("built_before", "timestamp", "UTC", "when that was built"),
    ),
)

CHANGED_LOTS = PublishedTable(
    "changed_lots",
    "one lot whose chance moved most since the build before; the 50 largest moves",
    ("lot_id",),
    (
        LOT_ID,
        text("address", "street address as recorded"),
        number(
            "failure_probability_before", "probability, 0 to 1", "failure_probability of the build before"
        ),
        number(
            "failure_probability", "probability, 0 to 1", "chance that a repair-grade finding is there now"
        ),
    ),
)

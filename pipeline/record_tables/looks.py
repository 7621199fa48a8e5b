"""Camera runs and what they found."""

from __future__ import annotations

from pipeline import vocabulary as words
from pipeline.column_types import Column, Table
from pipeline.record_tables.shared import INSPECTION_ID, LOT_ID, footage

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
        footage("start_ft", "station on the lateral where the footage starts [ft]", synonyms=("start",)),
        footage(
            "end_ft",
            "footage reached [ft]; empty means the whole line",
            synonyms=(
                "length",
                "footage",
                "total ft",
                "total footage",
                "end ft",
                "distance",
                "pipe length",
                "line length",
                "lateral length",
                "len",
            ),
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
        footage(
            "at_ft",
            "footage from the access point [ft]",
            required=True,
            synonyms=("at", "footage", "distance"),
        ),
        footage("to_ft", "end footage of a stretch [ft]", synonyms=("to", "end")),
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

"""Laws of life with their parameter draws, from which budgets are reckoned."""

from __future__ import annotations

from pipeline.published.table_types import (
    LOT_ID,
    PublishedTable,
    count,
    flag,
    number,
    numbers,
    text,
)

LIFE_LAW_PARTS = PublishedTable(
    "life_law_parts",
    "one part of the fitted laws of life, with its parameter draws: what a pipe is, where it lies, its area",
    ("part", "code"),
    (
        text(
            "part",
            "'pipe' (material and era), 'site' (depth, soil, tree; length and diameter where fits take them in) or 'area'",
        ),
        text("code", "which of them"),
        text("family", "law of life that they are parts of: weibull, log-logistic or gompertz"),
        flag(
            "is_on_record",
            "pipe of this material is on record; else its law is that of average pipe, less sure",
        ),
        numbers(
            "log_hazard",
            "log",
            "by draw: level of a pipe at 40 years (log cumulative hazard; under the log-logistic law log odds of "
            "having failed), or what a site or an area adds to it",
        ),
        numbers("log_shape", "log", "by draw: log shape of a pipe"),
        numbers(
            "start_log_odds", "log odds", "by draw: of being bad from the day of laying; NULL where none is"
        ),
    ),
)

PIPE_ENTRIES = PublishedTable(
    "pipe_entries",
    "one thing that a segment in use may be: several where material or year laid are not on record",
    ("lot_id", "sequence", "entry"),
    (
        LOT_ID,
        count("sequence", "order along the line, as in lot_segments"),
        count("entry", "order"),
        count(
            "state",
            "row of pipe_states; NULL where no look tells of it: then its law says how likely it has failed",
        ),
        text("pipe", "code of its part 'pipe' in life_law_parts"),
        text("site", "code of its part 'site'"),
        text("area", "code of its part 'area'"),
        number("prior_probability", "probability, 0 to 1", "chance of this entry before any look; sums to 1"),
        number("age_from_years", "years", "least age now; negative where not even laid"),
        number("age_to_years", "years", "greatest age now"),
    ),
)

PIPE_STATES = PublishedTable(
    "pipe_states",
    "one state that segments are known to be in",
    ("state",),
    (
        count("state", "identifies the state"),
        numbers(
            "failed_now",
            "probability, 0 to 1",
            "by draw: chance of a repair-grade finding now, given all looks",
        ),
    ),
)

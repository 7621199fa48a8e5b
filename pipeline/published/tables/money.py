"""Unit costs and budgets."""

from __future__ import annotations

from pipeline.published.table_types import (
    LOT_ID,
    SENTENCE,
    STATUS,
    PublishedTable,
    assumptions,
    count,
    money,
    money_guesses,
    money_quantiles,
    number,
    text,
)

UNIT_COSTS = PublishedTable(
    "unit_costs",
    "what a method costs, as loaded",
    ("method", "diameter_in", "depth_band", "surface"),
    (
        text("method", "method of renewal"),
        number("diameter_in", "in", "nominal diameter; NULL fits any"),
        text("depth_band", "depth band; NULL fits any"),
        text("surface", "surface to be restored; NULL fits any"),
        text("unit", "per foot or each"),
        *money_guesses("{}_usd"),
        count("base_year", "year of the prices"),
    ),
)

GROUP = (
    text("group_kind", "'portfolio' or 'subdivision'"),
    text("group_name", "which of them"),
)

BUDGETS = PublishedTable(
    "budgets",
    "one policy for a portfolio or a subdivision",
    ("group_kind", "group_name", "policy"),
    (
        *GROUP,
        text("policy", "code of the policy"),
        text("policy_label", "what is done, in a few words"),
        count("position", "order in which policies are shown"),
        count("n_lots", "lots counted"),
        count(
            "n_borrowed", "of these, without a line on record: taken to be like the lines of similar houses"
        ),
        count("n_left_out", "lots of which too little is known to be counted"),
        number("horizon_years", "years", "years looked ahead"),
        money("present_value", "mean present value of all that is spent"),
        *money_quantiles("present_value_{}", "it"),
        money("emergency_present_value", "of the mean, what trouble that cannot wait costs"),
        number("expected_emergencies", "pipes", "mean number of works on pipes because of trouble"),
        number("expected_planned", "pipes", "mean number of works on pipes as planned, or after a camera"),
        number("expected_spot_repairs", "pipes", "of both, mean number of those that mended one spot"),
        money("opening_balance_usd", "balance now with which a reserve lasts in the wanted share of futures"),
        money("first_contribution_usd", "contribution of year 1 to it, growing with prices"),
        STATUS,
        SENTENCE,
    ),
)

BUDGET_YEARS = PublishedTable(
    "budget_years",
    "one year of a policy",
    ("group_kind", "group_name", "policy", "year"),
    (
        *GROUP,
        text("policy", "code of the policy"),
        count("year", "year from now, 1 first"),
        count("calendar_year", "calendar year that it begins in; NULL where only ages are kept"),
        money("mean_usd", "mean spent, in that year's money"),
        *money_quantiles("{}_usd", "it"),
        money("planned_usd", "of the mean: planned renewal"),
        money("emergency_usd", "of the mean: trouble that cannot wait"),
        money("camera_usd", "of the mean: cameras"),
        *money_quantiles("cumulative_{}_usd", "all spent so far"),
    ),
)

BUDGET_LOTS = PublishedTable(
    "budget_lots",
    "one lot's part in a budget: those that cost most, and those where a camera is worth most",
    ("group_kind", "group_name", "lot_id"),
    (
        *GROUP,
        LOT_ID,
        text("address", "street address as recorded"),
        money("wait_present_value", "mean present value if everything waits for trouble"),
        number("share_of_total", "share, 0 to 1", "of the group's"),
        number("emergency_probability", "probability, 0 to 1", "chance of trouble within the horizon"),
        money(
            "camera_value",
            "what a camera is worth before deciding to renew now or to leave, its price taken off",
        ),
        count("camera_rank", "1 for the greatest camera_value; NULL where it is not worth its price"),
    ),
)

BUDGET_ASSUMPTIONS = assumptions("budget_assumptions", "one assumption behind all budgets")

"""Charts of replacement budgets."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboards import theme

MONEY = alt.Axis(format="$~s", tickCount=5)
#: Parts of what is spent, with their colours: lightness tells them apart too.
PARTS = {
    "planned_usd": ("planned", theme.DEEP),
    "emergency_usd": ("trouble that cannot wait", theme.CLAY),
    "camera_usd": ("cameras", theme.SERIES[3]),
}


def policies(rows: pl.DataFrame) -> alt.TopLevelMixin:
    """Draw the present value of each policy with the range of 8 in 10 futures.

    Parameters
    ----------
    rows : polars.DataFrame
        Published `budgets` of one group, with `shown` (name of the policy), in the order to be shown.
    """
    base = alt.Chart(rows)
    y = alt.Y("shown:N", title=None, sort=rows["shown"].to_list(), axis=alt.Axis(labelLimit=180))
    x = alt.X(
        "present_value_p10:Q", title="present value [US dollars]", axis=MONEY, scale=alt.Scale(domainMin=0)
    )
    tips = [
        alt.Tooltip("shown:N", title="policy"),
        alt.Tooltip("present_value:Q", title="mean", format="$,.0f"),
        alt.Tooltip("present_value_p10:Q", title="8 in 10 futures from", format="$,.0f"),
        alt.Tooltip("present_value_p90:Q", title="to", format="$,.0f"),
    ]
    ranges = base.mark_bar(height=14, color=theme.DEEP, opacity=0.3).encode(
        x=x, x2=alt.X2("present_value_p90:Q"), y=y, tooltip=tips
    )
    points = base.mark_point(size=110, filled=True, color=theme.DEEP, opacity=1).encode(
        x=alt.X("present_value:Q", axis=MONEY), y=y, tooltip=tips
    )
    return alt.layer(ranges, points)


def spending(years: pl.DataFrame) -> alt.TopLevelMixin:
    """Draw what each year costs: parts of the mean as bars, the range of 8 in 10 futures as lines.

    Parameters
    ----------
    years : polars.DataFrame
        Published `budget_years` of one policy of one group, with `shown` (the year as text).
    """
    named = {name: words for name, (words, _) in PARTS.items()}
    parts = years.unpivot(on=list(PARTS), index="shown", variable_name="part", value_name="usd").with_columns(
        pl.col("part").replace_strict(named)
    )
    x = alt.X("shown:O", title="year", axis=alt.Axis(labelAngle=0, labelOverlap=True))
    title = "spent, in that year's dollars"
    bars = (
        alt.Chart(parts)
        .mark_bar()
        .encode(
            x=x,
            y=alt.Y("usd:Q", title=title, axis=MONEY),
            color=alt.Color(
                "part:N",
                title=None,
                scale=alt.Scale(domain=list(named.values()), range=[colour for _, colour in PARTS.values()]),
                legend=alt.Legend(orient="top", columns=1),
            ),
            tooltip=[
                alt.Tooltip("shown:O", title="year"),
                alt.Tooltip("part:N"),
                alt.Tooltip("usd:Q", title="mean", format="$,.0f"),
            ],
        )
    )
    ranges = (
        alt.Chart(years)
        .mark_rule(color=theme.INK, strokeWidth=1.5)
        .encode(
            x=x,
            y=alt.Y("p10_usd:Q", title=title),
            y2=alt.Y2("p90_usd:Q"),
            tooltip=[
                alt.Tooltip("shown:O", title="year"),
                alt.Tooltip("p10_usd:Q", title="8 in 10 futures from", format="$,.0f"),
                alt.Tooltip("p90_usd:Q", title="to", format="$,.0f"),
            ],
        )
    )
    return alt.layer(bars, ranges)

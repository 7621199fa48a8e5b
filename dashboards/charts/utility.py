"""Charts of connections and of areas to call in."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboards import theme

MONEY = alt.Axis(format="$~s", tickCount=6)


def bought(curve: pl.DataFrame) -> alt.TopLevelMixin:
    """Draw the risk that a sum of money takes away, with its range.

    Parameters
    ----------
    curve : polars.DataFrame
        `cost_usd`, `risk_points` with `_lower` and `_upper`, `n_connections`, `share_of_risk`, rising cost.
    """
    base = alt.Chart(curve)
    x = alt.X("cost_usd:Q", title="money spent, likely prices [US dollars]", axis=MONEY)
    y = alt.Y("risk_points:Q", title="risk taken away [points]")
    tips = [
        alt.Tooltip("cost_usd:Q", title="cost [US dollars]", format=",.0f"),
        alt.Tooltip("n_connections:Q", title="connections", format=",.0f"),
        alt.Tooltip("risk_points:Q", title="risk taken away [points]", format=",.1f"),
        alt.Tooltip("share_of_risk:Q", title="of all risk", format=".0%"),
    ]
    band = base.mark_area(color=theme.DEEP, opacity=0.2).encode(
        x=x,
        y=alt.Y("risk_points_lower:Q", title="risk taken away [points]"),
        y2=alt.Y2("risk_points_upper:Q"),
    )
    line = base.mark_line(color=theme.DEEP, point=alt.OverlayMarkDef(size=18, color=theme.DEEP)).encode(
        x=x, y=y, tooltip=tips
    )
    return alt.layer(band, line)


def per_door(areas: pl.DataFrame) -> alt.TopLevelMixin:
    """Draw unseen failures per door of each area, with their ranges.

    Parameters
    ----------
    areas : polars.DataFrame
        `name`, `per_door` with `_lower` and `_upper`, `n_doors`, `expected_unseen`, in the order to be shown.
    """
    labelled = areas.with_columns(label=pl.format("{}. {}", "rank", "name"))
    base = alt.Chart(labelled)
    y = alt.Y("label:N", title=None, sort=labelled["label"].to_list(), axis=alt.Axis(labelLimit=240))
    tips = [
        alt.Tooltip("name:N", title="area"),
        alt.Tooltip("per_door:Q", title="per door", format=".0%"),
        alt.Tooltip("n_doors:Q", title="doors", format=",.0f"),
        alt.Tooltip("expected_unseen:Q", title="unseen failures expected", format=",.1f"),
    ]
    x = alt.X(
        "per_door_lower:Q",
        title="unseen failures expected per door",
        axis=alt.Axis(format="%", tickCount=5),
        scale=alt.Scale(domainMin=0),
    )
    range_ = base.mark_bar(height=10, color=theme.CLAY, opacity=0.35).encode(
        x=x, x2=alt.X2("per_door_upper:Q"), y=y, tooltip=tips
    )
    point = base.mark_point(size=70, filled=True, color=theme.CLAY, opacity=1).encode(
        x="per_door:Q", y=y, tooltip=tips
    )
    return alt.layer(range_, point)

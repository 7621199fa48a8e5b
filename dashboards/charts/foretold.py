"""Foretold chances against what cameras then saw."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboards import theme

PER_CENT = alt.Axis(format="%", tickCount=5)


def against_seen(tenths: pl.DataFrame, *, colour: str) -> alt.TopLevelMixin:
    """Draw the share seen bad against the foretold chance, with its range and the line of equals.

    Parameters
    ----------
    tenths : polars.DataFrame
        Rows of `validation_calibration` for one question, material and model.
    colour : str
        Of the dots.
    """
    foretold = alt.X(
        "predicted_share:Q", title="foretold chance", axis=PER_CENT, scale=alt.Scale(domain=[0, 1])
    )
    seen = alt.Scale(domain=[0, 1])
    told = [
        alt.Tooltip("predicted_share:Q", title="foretold", format=".0%"),
        alt.Tooltip("observed_share:Q", title="seen", format=".0%"),
        alt.Tooltip("observed_share_lower:Q", title="range from", format=".0%"),
        alt.Tooltip("observed_share_upper:Q", title="to", format=".0%"),
        alt.Tooltip("n_looks:Q", title="looks", format=",d"),
        alt.Tooltip("n_bad:Q", title="of them bad", format=",d"),
    ]
    base = alt.Chart(tenths)
    # Drawn from the two ends, so that a chart without rows keeps its line.
    equal = (
        alt.Chart(pl.DataFrame({"predicted_share": [0.0, 1.0], "observed_share": [0.0, 1.0]}))
        .mark_line(color=theme.QUIET, strokeDash=[4, 4], strokeWidth=1)
        .encode(x=foretold, y=alt.Y("observed_share:Q", title="share seen bad", axis=PER_CENT, scale=seen))
    )
    whisker = base.mark_rule(color=colour, opacity=0.55, strokeWidth=2).encode(
        x=foretold, y=alt.Y("observed_share_lower:Q", scale=seen), y2=alt.Y2("observed_share_upper:Q")
    )
    dot = base.mark_circle(color=colour, size=70, opacity=1).encode(
        x=foretold, y=alt.Y("observed_share:Q", scale=seen), tooltip=told
    )
    drawn: alt.TopLevelMixin = alt.layer(equal, whisker, dot)
    return drawn

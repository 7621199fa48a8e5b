"""Charts of one lot and of one subdivision."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import altair as alt
import polars as pl

from dashboards import theme, wording

#: Up to so many numbers of lots are drawn as bars.
MOST_BARS = 12
PER_CENT = alt.Axis(format="%", tickCount=5)


def chances(lot: pl.DataFrame) -> dict[str, Any]:
    """Draw chances as points with their ranges.

    Parameters
    ----------
    lot : polars.DataFrame
        Columns `what` (words), `chance`, `lower`, `upper` (0 to 1), in the order to be shown.

    Returns
    -------
    dict
        A dressed specification.
    """
    return theme.refilled(_chances_without_rows(tuple(lot["what"])), lot)


@lru_cache(maxsize=64)
def _chances_without_rows(order: tuple[str, ...]) -> dict[str, Any]:
    base = alt.Chart(alt.Data(values=[]))
    what = alt.Y(
        "what:N",
        title=None,
        sort=list(order),
        axis=alt.Axis(labelLimit=150, domain=False, ticks=False, labelExpr="split(datum.label, '|')"),
    )
    tips = [
        alt.Tooltip("chance:Q", format=".0%"),
        alt.Tooltip("lower:Q", title="range from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
    ]
    x = alt.X("lower:Q", title="estimated chance", axis=PER_CENT, scale=alt.Scale(domain=[0, 1]))
    range_ = base.mark_bar(height=12, color=theme.CLAY, opacity=0.35).encode(
        x=x, x2=alt.X2("upper:Q"), y=what, tooltip=tips
    )
    point = base.mark_point(size=120, filled=True, color=theme.CLAY, opacity=1).encode(
        x=alt.X("chance:Q"), y=what, tooltip=tips
    )
    return theme.dress(alt.layer(range_, point))


def line(segments: pl.DataFrame) -> dict[str, Any]:
    """Draw the line from the building to the tie-in, one box for each segment.

    Parameters
    ----------
    segments : polars.DataFrame
        `material` (code), `from_ft`, `to_ft` (along the line), `label`, `chance` (words), `laid` (words).

    Returns
    -------
    dict
        A dressed specification.
    """
    materials = segments["material"].unique(maintain_order=True).to_list()
    names = [wording.material(code) for code in materials]
    shown = segments.with_columns(
        material=pl.col("material").replace_strict(
            dict(zip(materials, names, strict=True)), return_dtype=pl.String
        ),
        middle=(pl.col("from_ft") + pl.col("to_ft")) / 2,
    ).select("material", "from_ft", "to_ft", "middle", "label", "chance", "laid")
    return theme.refilled(_line_without_rows(tuple(materials)), shown)


@lru_cache(maxsize=256)
def _line_without_rows(materials: tuple[str, ...]) -> dict[str, Any]:
    names = [wording.material(code) for code in materials]
    x = alt.X(
        "from_ft:Q",
        title="distance from the building [ft]",
        scale=alt.Scale(nice=False),
        axis=alt.Axis(tickCount=8),
    )
    base = alt.Chart(alt.Data(values=[]))
    boxes = base.mark_rect(stroke="white", strokeWidth=2, cornerRadius=3).encode(
        x=x,
        x2=alt.X2("to_ft:Q"),
        y=alt.value(18),
        y2=alt.value(62),
        color=alt.Color(
            "material:N",
            title=None,
            scale=alt.Scale(domain=names, range=[theme.SERIES[i] for i in theme.places(materials)]),
            legend=alt.Legend(columns=2),
        ),
        tooltip=[
            alt.Tooltip("material:N"),
            alt.Tooltip("from_ft:Q", title="from [ft]", format=".0f"),
            alt.Tooltip("to_ft:Q", title="to [ft]", format=".0f"),
            alt.Tooltip("laid:N"),
            alt.Tooltip("chance:N", title="chance of a finding now"),
        ],
    )
    labels = base.mark_text(color=theme.INK, fontSize=13, fontWeight=600).encode(
        x=alt.X("middle:Q"), y=alt.value(8), text=alt.Text("label:N")
    )
    return theme.dress(alt.layer(boxes, labels))


def at_least(counts: pl.DataFrame) -> alt.TopLevelMixin:
    """Draw the chance that k lots or more have a finding.

    Parameters
    ----------
    counts : polars.DataFrame
        Rows of `subdivision_counts` for one subdivision.
    """
    share = alt.Y(
        "probability_at_least:Q", title="chance of k or more", axis=PER_CENT, scale=alt.Scale(domain=[0, 1])
    )
    tips = [
        alt.Tooltip("k:Q", title="lots, at least"),
        alt.Tooltip("probability_at_least:Q", title="chance", format=".0%"),
    ]
    base = alt.Chart(counts)
    if counts.height <= MOST_BARS:
        # A few chosen numbers: a line between them would claim more than is known.
        return base.mark_bar(color=theme.DEEP, size=26).encode(
            x=alt.X("k:O", title="number of lots, k", axis=alt.Axis(labelAngle=0)), y=share, tooltip=tips
        )
    return base.mark_line(interpolate="step-before", strokeWidth=2.4, color=theme.DEEP).encode(
        x=alt.X("k:Q", title="number of lots, k", axis=alt.Axis(tickMinStep=1, tickCount=8, format="d")),
        y=share,
        tooltip=tips,
    )

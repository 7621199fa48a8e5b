"""Charts of a budget for print, as pictures."""

from __future__ import annotations

import altair as alt
import polars as pl
import vl_convert

from pipeline.reports import typeface

PLANNED, EMERGENCY, CAMERA = "#3d6b73", "#b5651d", "#c9b458"
BAND = "#7d8f94"
INK = "#26302f"
WIDTH, HEIGHT = 620, 230
PARTS = {"planned_usd": "planned", "emergency_usd": "trouble that cannot wait", "camera_usd": "cameras"}
MONEY = alt.Axis(format="$~s", tickCount=5)


def _png(chart: alt.TopLevelMixin) -> bytes:
    dressed = chart.configure(font=typeface.FAMILY, background="white")
    picture: bytes = vl_convert.vegalite_to_png(dressed.to_dict(), scale=2.5)
    return picture


def _with_year(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(shown=pl.coalesce("calendar_year", "year").cast(pl.String))


def spending(years: pl.DataFrame) -> bytes:
    """Draw what each year costs: parts of the mean as bars, 10 % to 90 % as a line.

    Parameters
    ----------
    years : DataFrame
        Rows of `Budget.years` of one policy.
    """
    shown = _with_year(years)
    parts = shown.unpivot(on=list(PARTS), index="shown", variable_name="part", value_name="usd").with_columns(
        pl.col("part").replace_strict(PARTS)
    )
    x = alt.X("shown:O", title="year", axis=alt.Axis(labelAngle=0, labelOverlap=True))
    bars = (
        alt.Chart(parts)
        .mark_bar()
        .encode(
            x=x,
            y=alt.Y("usd:Q", title="spent in that year's money", axis=MONEY),
            color=alt.Color(
                "part:N",
                title=None,
                scale=alt.Scale(domain=list(PARTS.values()), range=[PLANNED, EMERGENCY, CAMERA]),
                legend=alt.Legend(orient="top"),
            ),
        )
    )
    ranges = (
        alt.Chart(shown)
        .mark_rule(color=INK, strokeWidth=1.5)
        .encode(x=x, y=alt.Y("p10_usd:Q", title="spent in that year's money"), y2="p90_usd:Q")
    )
    return _png(alt.layer(bars, ranges).properties(width=WIDTH, height=HEIGHT))


def balance(reserve: pl.DataFrame) -> bytes:
    """Draw the reserve's balance: middle as a line, 10 % to 90 % as a band."""
    shown = _with_year(reserve)
    x = alt.X("shown:O", title="end of year", axis=alt.Axis(labelAngle=0, labelOverlap=True))
    band = (
        alt.Chart(shown)
        .mark_area(color=BAND, opacity=0.35)
        .encode(x=x, y=alt.Y("balance_p10_usd:Q", title="balance", axis=MONEY), y2="balance_p90_usd:Q")
    )
    line = alt.Chart(shown).mark_line(color=PLANNED, strokeWidth=2.4).encode(x=x, y="balance_p50_usd:Q")
    nought = alt.Chart(pl.DataFrame({"usd": [0.0]})).mark_rule(color=INK).encode(y="usd:Q")
    return _png(alt.layer(band, nought, line).properties(width=WIDTH, height=HEIGHT))

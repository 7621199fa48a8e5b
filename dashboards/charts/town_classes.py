"""How many lots of the map's window lie in each class of chances; a bar that is clicked chooses its class."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import altair as alt
import polars as pl

from dashboards import theme
from dashboards.charts.town_map import CHANCE, CLASS_NAMES, NOT_ESTIMATED
from dashboards.filters import NO_CHANCE

#: Name of the selection that a click makes.
PICKED = "picked"
NAMES = (*CLASS_NAMES, "no estimate")
COLOURS = (*CHANCE, NOT_ESTIMATED)


def counted(classes: pl.DataFrame, chosen: int | None) -> dict[str, Any]:
    """Draw lots by class, those looked at set apart.

    Parameters
    ----------
    classes : DataFrame
        `chance_class, n_lots, n_inspected`, one row for each class that occurs.
    chosen : int or None
        Class that is chosen already; the others are paler.

    Returns
    -------
    dict
        A dressed specification.
    """
    frame = (
        pl.DataFrame({"chance_class": range(NO_CHANCE + 1), "name": NAMES})
        .join(classes.with_columns(pl.col("chance_class").cast(pl.Int64)), on="chance_class", how="left")
        .with_columns(pl.col("n_lots", "n_inspected").fill_null(0))
        .filter((pl.col("n_lots") > 0) | (pl.col("chance_class") < NO_CHANCE))
    )
    return theme.refilled(_without_rows(chosen), frame)


@lru_cache(maxsize=NO_CHANCE + 2)
def _without_rows(chosen: int | None) -> dict[str, Any]:
    pick = alt.selection_point(
        name=PICKED, fields=["chance_class"], value=[] if chosen is None else [{"chance_class": chosen}]
    )
    base = alt.Chart(alt.Data(values=[])).encode(
        y=alt.Y("name:N", sort=list(NAMES), title=None, axis=alt.Axis(labelLimit=140)),
        tooltip=[
            alt.Tooltip("name:N", title="chance of a finding now"),
            alt.Tooltip("n_lots:Q", title="lots", format=",.0f"),
            alt.Tooltip("n_inspected:Q", title="of them looked at", format=",.0f"),
        ],
    )
    lots = base.mark_bar(stroke="#8B8676", strokeWidth=0.6, cursor="pointer").encode(
        x=alt.X("n_lots:Q", title="lots in this window", axis=alt.Axis(tickCount=5, format="~s")),
        color=alt.Color("name:N", scale=alt.Scale(domain=list(NAMES), range=list(COLOURS)), legend=None),
        opacity=alt.condition(pick, alt.value(1.0), alt.value(0.3)),
    )
    seen = base.mark_tick(color=theme.INK, thickness=3).encode(x=alt.X("n_inspected:Q"))
    return theme.dress(alt.layer(lots.add_params(pick), seen))

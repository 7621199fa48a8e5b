"""Charts of what became of the rows that were read."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboards import theme

KINDS = {
    "n_accepted": "accepted",
    "n_unchanged": "already on record",
    "n_duplicate": "repeated in the file",
    "n_rejected": "rejected",
}
COLOURS = (theme.DEEP, "#6C8EBF", "#B8B2A0", theme.MORE)


def accounting(loads: pl.DataFrame) -> alt.Chart:
    """Draw each load as one bar whose parts add up to the rows read.

    Parameters
    ----------
    loads : polars.DataFrame
        Rows of `loads`, newest first.
    """
    order = [f"load {number}" for number in loads["load_id"]]
    parts = (
        loads.with_columns(load=pl.Series(order, dtype=pl.String))
        .unpivot(
            on=list(KINDS), index=["load", "file_name", "n_read"], variable_name="became", value_name="rows"
        )
        .with_columns(
            pl.col("became").replace(KINDS),
            place=pl.col("became").replace_strict({k: i for i, k in enumerate(KINDS)}, return_dtype=pl.Int64),
        )
        .filter((pl.col("rows") > 0) & (pl.col("n_read") > 0))
        .with_columns(share=pl.col("rows") / pl.col("n_read"))
    )
    drawn: alt.Chart = (
        alt.Chart(parts)
        .mark_bar()
        .encode(
            y=alt.Y(
                "load:N", title=None, sort=order, axis=alt.Axis(labelLimit=130, domain=False, ticks=False)
            ),
            x=alt.X(
                "share:Q",
                title="share of the rows read",
                axis=alt.Axis(format="%", tickCount=5),
                stack="zero",
            ),
            order=alt.Order("place:Q"),
            color=alt.Color(
                "became:N",
                title=None,
                scale=alt.Scale(domain=list(KINDS.values()), range=list(COLOURS)),
                legend=None,
            ),
            tooltip=[
                alt.Tooltip("file_name:N", title="file"),
                alt.Tooltip("became:N", title="rows"),
                alt.Tooltip("rows:Q", title="number", format=",d"),
                alt.Tooltip("n_read:Q", title="of rows read", format=",d"),
            ],
        )
    )
    return drawn


def reasons(counts: pl.DataFrame) -> alt.Chart:
    """Draw how many rows were rejected for each reason.

    Parameters
    ----------
    counts : polars.DataFrame
        `reason` (words), `n_rejects`, most first.
    """
    most = int(counts["n_rejects"].max() or 0)  # type: ignore[arg-type]
    # Left to itself, the axis puts halves between few faults and prints them as whole numbers.
    ticks: dict[str, Any] = {"values": list(range(most + 1))} if most <= 5 else {"tickCount": 5}
    drawn: alt.Chart = (
        alt.Chart(counts)
        .mark_bar(color=theme.MORE)
        .encode(
            y=alt.Y(
                "reason:N",
                title=None,
                sort=counts["reason"].to_list(),
                axis=alt.Axis(labelLimit=150, domain=False, ticks=False),
            ),
            x=alt.X("n_rejects:Q", title="faults", axis=alt.Axis(format=",d", **ticks)),
            tooltip=[alt.Tooltip("reason:N"), alt.Tooltip("n_rejects:Q", title="faults", format=",d")],
        )
    )
    return drawn

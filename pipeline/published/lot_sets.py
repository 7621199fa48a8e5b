"""What makes filters over all lots quick: the sets of pipes and looks that lots have, and lots in order of chance.

A filter asks for lots with *a* segment of some materials and eras, or *a* look for some reasons in some years. Most
lots share their set of segments, or of looks, with many others; so a filter goes through the few sets, and then
through one number for each lot, instead of through every segment and every look. Called by `pipeline.published.write`
for every generation; no step has to think of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

#: Tables that are made here.
MADE = ("pipe_sets", "look_sets")
#: Columns of `lots` that are made here.
MADE_OF_LOTS = ("pipe_set", "look_set", "chance_order")


def with_sets(frames: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Return the frames with what is made here in place of what they had of it.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        With `lots`, `lot_segments` and `lot_inspections`; `lots` as the contract has it, with or without
        `MADE_OF_LOTS`.

    Returns
    -------
    dict of str to DataFrame
        The same with `pipe_sets`, `look_sets` and the three columns of `lots`.
    """
    looks = frames["lot_inspections"].select(
        "lot_id", "purpose", look_year=pl.col("look_year").floor().cast(pl.Int64)
    )
    pipes, pipe_of_lot = _sets(frames["lot_segments"], ("material", "era"), "pipe_set")
    seen, look_of_lot = _sets(looks, ("purpose", "look_year"), "look_set")
    lots = frames["lots"].drop(MADE_OF_LOTS, strict=False)
    order = lots.select("lot_id", "failure_probability").sort(
        pl.col("failure_probability").fill_nan(None), "lot_id", descending=[True, False], nulls_last=True
    )
    made = (
        lots.join(pipe_of_lot, on="lot_id", how="left")
        .join(look_of_lot, on="lot_id", how="left")
        .join(order.select("lot_id").with_row_index("chance_order", 1), on="lot_id", how="left")
    )
    return {**frames, "lots": made, "pipe_sets": pipes, "look_sets": seen}


def _sets(rows: pl.DataFrame, columns: Sequence[str], name: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Number the sets of values that lots have.

    Returns
    -------
    DataFrame
        Members of each set, `[name, *columns]`.
    DataFrame
        The set of each lot, `lot_id` and `name`.
    """
    values = rows.select(columns).unique().sort(columns, nulls_last=True).with_row_index("value")
    held = rows.select("lot_id", *columns).unique().join(values, on=columns, nulls_equal=True)
    by_lot = held.group_by("lot_id").agg(members=pl.col("value").sort().cast(pl.String).str.join(" "))
    sets = by_lot.select("members").unique().sort("members").with_row_index(name, 1)
    of_lot = by_lot.join(sets, on="members").select("lot_id", name)
    # One lot of each set tells what is in it.
    members = held.join(of_lot.unique(name, keep="any"), on="lot_id").select(name, *columns)
    return members, of_lot

"""Where each line crosses the property line, and how far along it each segment lies."""

from __future__ import annotations

import polars as pl

from models.looks import FloatArray
from pipeline.steps.connections_rules import Consequences

RECORDED, ASSUMED, ASSUMED_LENGTH, BEYOND = "recorded", "assumed", "length_assumed", "beyond_line"


def property_lines(lives: pl.DataFrame, facts: pl.DataFrame, rules: Consequences) -> pl.DataFrame:
    """Find where each line crosses the property line.

    Parameters
    ----------
    lives : DataFrame
        `lot_id, length_ft` of the segments in use, from the building on.
    facts : DataFrame
        `lot_id, property_line_ft, street_class`.
    rules : Consequences
        Lengths of lower laterals where the property line is not on record.

    Returns
    -------
    DataFrame
        Per lot: `line_ft` [ft], `known_property_ft` [ft; NULL where assumed], `property_line_source`, `lower_row`
        (which assumption of `rules.lower_laterals`), `upper_length_ft` and `lower_length_ft` as most likely.
    """
    lengths = lives.group_by("lot_id", maintain_order=True).agg(
        known_ft=pl.col("length_ft").fill_nan(None).sum(),
        n_open=pl.col("length_ft").fill_nan(None).is_null().sum(),
    )
    own = {row.street_class: place for place, row in enumerate(rules.lower_laterals)}
    joined = lengths.join(facts.select("lot_id", "property_line_ft", "street_class"), on="lot_id", how="left")
    likely = pl.Series("likely", [row.length_ft.likely for row in rules.lower_laterals])
    placed = joined.with_columns(
        lower_row=pl.col("street_class").replace_strict(own, default=own[None], return_dtype=pl.Int64)
    ).with_columns(
        likely_ft=pl.col("lower_row").replace_strict(dict(enumerate(likely)), return_dtype=pl.Float64)
    )
    recorded, is_open = pl.col("property_line_ft"), pl.col("n_open") > 0
    return (
        placed.with_columns(
            line_ft=pl.when(is_open)
            .then(
                pl.max_horizontal(
                    pl.lit(rules.unknown_length_ft),
                    pl.col("known_ft") + pl.col("likely_ft"),
                    recorded.fill_null(0.0) + pl.col("likely_ft"),
                )
            )
            .otherwise("known_ft")
        )
        .with_columns(known_property_ft=pl.when(recorded < pl.col("line_ft")).then(recorded))
        .with_columns(
            property_line_source=pl.when(pl.col("known_property_ft").is_not_null())
            .then(pl.lit(RECORDED))
            .when(recorded.is_not_null())
            .then(pl.lit(BEYOND))
            .when(is_open)
            .then(pl.lit(ASSUMED_LENGTH))
            .otherwise(pl.lit(ASSUMED)),
            upper_length_ft=pl.coalesce(
                "known_property_ft", (pl.col("line_ft") - pl.col("likely_ft")).clip(lower_bound=0.0)
            ),
        )
        .with_columns(lower_length_ft=pl.col("line_ft") - pl.col("upper_length_ft"))
        .select(
            "lot_id", "line_ft", "known_property_ft", "property_line_source", "lower_row", "upper_length_ft", "lower_length_ft",
        )
    )  # fmt: skip


def extents(lives: pl.DataFrame, lines: pl.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Return where each segment begins and ends.

    Parameters
    ----------
    lives : DataFrame
        `lot_id, length_ft` of the segments in use, from the building on.
    lines : DataFrame
        Lines as `property_lines` returns them.

    Returns
    -------
    tuple of ndarray, shape (n_segments,)
        Footages from the building [ft]; segments whose length is not on record share the rest of their line equally.
    """
    length = pl.col("length_ft").fill_nan(None)
    rest = (pl.col("line_ft") - length.sum()) / length.is_null().sum()
    to_ft = pl.col("filled").cum_sum().over("lot_id")
    laid = (
        lives.select("lot_id", "length_ft")
        .join(lines.select("lot_id", "line_ft"), on="lot_id", how="left", maintain_order="left")
        .with_columns(filled=length.fill_null(rest.over("lot_id")))
        .select(to_ft=to_ft, from_ft=to_ft - pl.col("filled"))
    )
    return laid["from_ft"].to_numpy(), laid["to_ft"].to_numpy()

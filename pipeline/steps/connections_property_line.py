"""Where each line crosses the property line, and how far along it each segment lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.looks import BoolArray, FloatArray, IntArray
from models.sides import upper_shares
from pipeline.steps.connections_rules import Consequences

#: Lines, or segments, whose draws are worked at once.
LINES_AT_ONCE = 5_000
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


@dataclass(frozen=True, slots=True)
class Segments:
    """Segments of the ranked lines, from the building on, line by line.

    Attributes
    ----------
    lives : DataFrame
        What `lines_to_score` gives of them.
    first : ndarray of int, shape (n_lines + 1,)
        Segments of line i are first[i] … first[i + 1] - 1.
    line : ndarray of int, shape (n_segments,)
    from_ft, to_ft : ndarray, shape (n_segments,)
        Footages from the building [ft].
    column, member : ndarray of int, shape (n_segments,)
        Column of the line's draws, and of the segment's own; -1 where it is alone in its line.
    """

    lives: pl.DataFrame
    first: IntArray
    line: IntArray
    from_ft: FloatArray
    to_ft: FloatArray
    column: IntArray
    member: IntArray

    @property
    def n_lines(self) -> int:
        """Number of lines."""
        return len(self.first) - 1


def segments_of(lives: pl.DataFrame, company: BoolArray, ranked: pl.DataFrame) -> Segments:
    """Place the segments of ranked lines.

    Parameters
    ----------
    lives : DataFrame
        From `lines_to_score`.
    company : ndarray of bool
        From `has_company`: whether the line of each life has several.
    ranked : DataFrame
        Lines by `lot_id`, rising, with `column` of the scores and what `property_lines` adds.
    """
    numbered = lives.with_columns(member=pl.Series(np.where(company, np.cumsum(company) - 1, -1)))
    own = numbered.join(
        ranked.select("lot_id", "column").with_row_index("ranked_line"),
        on="lot_id",
        maintain_order="left",
    )
    line = own["ranked_line"].to_numpy().astype(np.int64)
    from_ft, to_ft = extents(own, ranked)
    return Segments(
        lives=own,
        first=np.searchsorted(line, np.arange(ranked.height + 1)).astype(np.int64),
        line=line,
        from_ft=from_ft,
        to_ft=to_ft,
        column=own["column"].to_numpy().astype(np.int64),
        member=own["member"].to_numpy().astype(np.int64),
    )


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where each line crosses the property line, by draw.

    Attributes
    ----------
    known_ft : ndarray, shape (n_lines,)
        Footage from the building where it is on record, else NaN [ft].
    line_ft : ndarray, shape (n_lines,)
        Length of the line [ft].
    assumed_lower_ft : ndarray, shape (n_assumptions, n_draws)
        Length of the lower lateral where it is not on record [ft].
    lower_row : ndarray of int, shape (n_lines,)
        Which assumption applies.
    """

    known_ft: FloatArray
    line_ft: FloatArray
    assumed_lower_ft: FloatArray
    lower_row: IntArray

    def feet(self, line: IntArray) -> FloatArray:
        """Footage from the building, shape (len(line), n_draws)."""
        known = self.known_ft[line][:, None]
        assumed = np.maximum(self.line_ft[line][:, None] - self.assumed_lower_ft[self.lower_row[line]], 0.0)
        return np.where(np.isnan(known), assumed, known)

    def shares(self, segments: Segments, these: IntArray) -> NDArray[Any]:
        """Share of each segment before the property line, shape (len(these), n_draws)."""
        shares = np.empty((len(these), self.assumed_lower_ft.shape[1]), dtype=np.float32)
        for a in range(0, len(these), LINES_AT_ONCE):
            part = these[a : a + LINES_AT_ONCE]
            shares[a : a + LINES_AT_ONCE] = upper_shares(
                segments.from_ft[part][:, None], segments.to_ft[part][:, None], self.feet(segments.line[part])
            )
        return shares

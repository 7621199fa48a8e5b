"""Chances in words, the same on pages, in tables and in published sentences: never a false 0 or 100 %."""

from __future__ import annotations

import math

import polars as pl

#: A chance up to the first, or from the second on, is worded as such; between them whole per cents are told.
UNDER, OVER = 0.005, 0.995
UNDER_WORDS, OVER_WORDS = "under 1 %", "over 99 %"
NO_NUMBER = "–"


def chance_words(value: float | None) -> str:
    """A probability in per cent: '25 %', 'under 1 %', 'over 99 %'; a dash where there is none."""
    if value is None or math.isnan(value):
        return NO_NUMBER
    if value <= UNDER:
        return UNDER_WORDS
    if value >= OVER:
        return OVER_WORDS
    return f"{100 * value:.0f} %"


def range_words(lower: float | None, upper: float | None) -> str:
    """A range of probabilities: '12 to 46 %', '55 to over 99 %'; 'over 99 %' where all of it is that."""
    low, high = chance_words(lower), chance_words(upper)
    if NO_NUMBER in (low, high):
        return NO_NUMBER
    return low if low == high else f"{low.removesuffix(' %')} to {high}"


def estimate_words(value: float | None, lower: float | None, upper: float | None) -> str:
    """A probability with its range: '25 % (range 12 to 46 %)'; without it where the range says the same."""
    point, span = chance_words(value), range_words(lower, upper)
    return point if span in (point, NO_NUMBER) else f"{point} (range {span})"


def estimates_in_words(name: str) -> pl.Expr:
    """`estimate_words` of every row: of the column of this name, its `…_lower` and `…_upper`; NULL stays NULL."""
    point, low, high = (_words(pl.col(f"{name}{end}")) for end in ("", "_lower", "_upper"))
    span = pl.when(low == high).then(low).otherwise(pl.format("{} to {}", low.str.strip_suffix(" %"), high))
    with_range = pl.format("{} (range {})", point, span)
    return pl.when(span.is_null() | (span == point)).then(point).otherwise(with_range)


def chances_in_words(name: str) -> pl.Expr:
    """`chance_words` of every row of this column; NULL stays NULL."""
    return _words(pl.col(name))


def _words(chance: pl.Expr) -> pl.Expr:
    known = chance.fill_nan(None)
    return (
        pl.when(known <= UNDER)
        .then(pl.lit(UNDER_WORDS))
        .when(known >= OVER)
        .then(pl.lit(OVER_WORDS))
        .otherwise(pl.format("{} %", (known * 100).round(0, mode="half_to_even").cast(pl.Int64)))
    )

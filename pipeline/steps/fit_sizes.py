"""Length and bore of pipe: terms of the life regression where held-out looks are foretold better with them.

They stay out until `steps.validate_sizes` lets them in: `with_sizes` fills in two columns that are otherwise empty.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.steps.fit_candidates import SIZES
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit

#: A length or bore is counted in doublings, to this step: what a step does is far below what the records tell.
STEP_DOUBLINGS = 0.25
#: Longer than this share of looked-at pipe is called longer than most, and so on.
MOST = 0.75
#: Where lengths and bores come from, and words for more and less of them.
SOURCES = {"length": "length_ft", "diameter": "diameter_in"}
WORDS = {"length": ("longer", "shorter"), "diameter": ("wider", "narrower")}


def _doublings(column: str) -> pl.Expr:
    """Logarithm to base 2 in steps; NULL where nothing above nought is on record."""
    steps = (pl.col(column).log(2) / STEP_DOUBLINGS).round(0) * STEP_DOUBLINGS
    return pl.when(pl.col(column) > 0).then(steps)


def with_sizes(exposure: Exposure) -> Exposure:
    """Let what is on record of lengths and bores into fits.

    Notes
    -----
    A length that only a camera tells which did not get through is left out: what stopped it may be the failure.
    """
    length, diameter = (_doublings(SOURCES[name]).alias(column) for name, column in SIZES.items())
    whole = pl.when(~pl.col("is_cut_short")).then(length).alias(SIZES["length"])
    return replace(exposure, lives=exposure.lives.with_columns(whole, diameter))


def size_words(fit: OutcomeFit) -> pl.Expr:
    """How a segment's length and bore compare with looked-at pipe, where the fit takes them in.

    Returns
    -------
    Expr
        Of `lot_id`, `length_ft` and `diameter_in`: ", longer and narrower than most", or nothing.
    """
    is_cut_short = pl.col("lot_id").is_in(fit.looked.filter("is_cut_short")["lot_id"].unique().to_list())
    told = [
        _against(
            fit.looked[column], _doublings(SOURCES[name]), WORDS[name], but=is_cut_short & (name == "length")
        )
        for name, column in SIZES.items()
        if name in fit.design.X_names
    ]
    if not told:
        return pl.lit("")
    words = pl.concat_str(*told, separator=" and ", ignore_nulls=True)
    return pl.when(words != "").then(pl.format(", {} than most", words)).otherwise(pl.lit(""))


def _against(seen: pl.Series, own: pl.Expr, words: tuple[str, str], *, but: pl.Expr) -> pl.Expr:
    """Say whether a size is above or below that of most; NULL where neither, or where `but` holds."""
    more, less = words
    known = seen.drop_nulls()
    is_more = own > known.quantile(MOST, "nearest")
    is_less = own < known.quantile(1 - MOST, "nearest")
    return pl.when(~but & is_more).then(pl.lit(more)).when(~but & is_less).then(pl.lit(less))

"""Why a lot's chance is what it is: the reasons that moved it most, in plain words, and how near its likes are."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.spatial import KDTree

from pipeline.percent import chances_in_words
from pipeline.published import contract

#: Reasons told, beside what limits the estimate.
MOST_REASONS = 3
#: Other seen lines of a block from which they are an argument; judgement.
BLOCK_LINES = 3
#: "How near": the distance within which so many other lines have been seen.
NEAR_LINES = 10
#: A place that moves log odds by less is no reason.
LEAST_PLACE = 0.1
#: Log odds are taken no further out than this, so that certainty does not crowd out all else.
FURTHEST = 7.0
OWN_LOOK, PIPE, PLACE, BLOCK, LIKE, LIMITS, NO_ESTIMATE = (
    "own_look",
    "pipe",
    "place",
    "block",
    "like",
    "limits",
    "no_estimate",
)
#: Kinds that tell of the lot's own inspections.
OWN_KINDS = (OWN_LOOK, LIMITS)


def distance_to_seen(lots: pl.DataFrame) -> pl.Series:
    """Return how far one has to go from each lot to count `NEAR_LINES` other seen lines [ft].

    Parameters
    ----------
    lots : DataFrame
        `x_ft, y_ft, n_judged`.

    Returns
    -------
    Series
        NULL where the lot has no place, or fewer lines have been seen.
    """
    place = lots.select(pl.col("x_ft", "y_ft").cast(pl.Float64).fill_null(float("nan"))).to_numpy()
    is_placed = np.isfinite(place).all(axis=1)
    is_seen = is_placed & (lots["n_judged"].fill_null(0).to_numpy() > 0)
    distance = np.full(lots.height, np.nan)
    if is_seen.sum() > NEAR_LINES:
        # A seen lot finds itself first.
        found, _ = KDTree(place[is_seen]).query(place[is_placed], k=NEAR_LINES + 1, workers=-1)
        own = is_seen[is_placed].astype(np.int64)
        distance[is_placed] = found[np.arange(len(found)), NEAR_LINES - 1 + own]
    return pl.Series("near_seen_ft", distance).fill_nan(None)


def others_on_block(lots: pl.DataFrame, newest: pl.DataFrame) -> pl.DataFrame:
    """Count the other lots of each lot's block by their newest fair look.

    Parameters
    ----------
    lots : DataFrame
        `lot_id, block`.
    newest : DataFrame
        `lot_id, is_bad, expected` from `fit_areas.newest_looks`.

    Returns
    -------
    DataFrame
        `lot_id, n_block, n_block_bad, block_expected`; nothing for lots without a block.
    """
    placed = lots.select("lot_id", "block").filter(pl.col("block").is_not_null())
    seen = placed.join(newest.select("lot_id", "is_bad", "expected"), on="lot_id", how="left").with_columns(
        n=pl.col("is_bad").is_not_null().cast(pl.Int64),
        bad=pl.col("is_bad").fill_null(False).cast(pl.Int64),
        expected=pl.col("expected").fill_null(0.0),
    )
    return seen.select(
        "lot_id",
        n_block=pl.col("n").sum().over("block") - pl.col("n"),
        n_block_bad=pl.col("bad").sum().over("block") - pl.col("bad"),
        block_expected=pl.col("expected").sum().over("block") - pl.col("expected"),
    )


def reasons(lots: pl.DataFrame) -> pl.DataFrame:
    """Write the reasons of each lot.

    Parameters
    ----------
    lots : DataFrame
        The published lots with what `build_lots` knows of them besides: the newest look (`last_…`), the deciding
        segment (`deciding_words`), looks at its likes, the block's others, and what limits the estimate.

    Returns
    -------
    DataFrame
        Published `lot_reasons`: up to `MOST_REASONS` in the order of how far each moved the chance, by log odds
        (the own looks from what pipe and place alone would have; the place from what the pipe has in an average
        place; the pipe from the average line), then counts that stand behind them, then what limits the estimate.
    """
    own_effect = (_log_odds("failure_probability") - _log_odds("failure_probability_without_own")).abs()
    average = pl.col("failure_probability_elsewhere").mean()
    pipe_effect = (_log_odds("failure_probability_elsewhere") - _log_odds(average)).abs()
    place_effect = _log_odds("failure_probability_without_own") - _log_odds("failure_probability_elsewhere")
    known = lots.with_columns(
        average=average,
        own_effect=own_effect.fill_null(0.0),
        pipe_effect=pipe_effect.fill_null(0.0),
        place_effect=place_effect.fill_null(0.0),
    )
    parts = [
        known.select("lot_id", kind=pl.lit(kind), reason=text, weight=weight)
        for kind, text, weight in (
            (OWN_LOOK, _own_look(), 100 + pl.col("own_effect")),
            (PIPE, _pipe(), 100 + pl.col("pipe_effect")),
            (PLACE, _place(), 100 + pl.col("place_effect").abs()),
            (BLOCK, _block(), pl.lit(20.0)),
            (LIKE, _like(), pl.lit(10.0)),
            (NO_ESTIMATE, _no_estimate(), pl.lit(200.0)),
        )
    ]
    told = (
        pl.concat(parts)
        .filter(pl.col("reason").is_not_null())
        .sort("lot_id", "weight", "kind", descending=[False, True, False])
        .group_by("lot_id", maintain_order=True)
        .head(MOST_REASONS)
    )
    limits = known.select("lot_id", kind=pl.lit(LIMITS), reason=_limits(), weight=pl.lit(0.0))
    return (
        pl.concat([told.select(limits.columns), limits.filter(pl.col("reason").is_not_null())])
        .sort("lot_id", "weight", descending=[False, True], maintain_order=True)
        .with_columns(position=pl.int_range(1, pl.len() + 1).over("lot_id"))
        .select(contract.LOT_REASONS.names)
    )


def _log_odds(chance: str | pl.Expr) -> pl.Expr:
    value = pl.col(chance) if isinstance(chance, str) else chance
    return (value / (1 - value)).log().clip(-FURTHEST, FURTHEST)


def _own_look() -> pl.Expr:
    when = (
        pl.when(pl.col("last_date").is_null())
        .then(pl.lit("The newest look"))
        .otherwise(pl.format("The newest look, on {},", pl.col("last_date").cast(pl.String)))
    )
    trouble = (
        pl.when(pl.col("last_is_selected")).then(pl.lit(" made because of trouble,")).otherwise(pl.lit(""))
    )
    before = (
        pl.when(pl.col("last_year") < pl.col("deciding_from"))
        .then(pl.lit(" at the pipe that was there before,"))
        .otherwise(pl.lit(""))
    )
    rule = pl.when(pl.col("last_rule").is_null()).then(pl.lit("")).otherwise(pl.format(" ({})", "last_rule"))
    seen = (
        pl.when(pl.col("last_is_bad"))
        .then(pl.format("{}{}{} showed a repair-grade finding{}", when, trouble, before, rule))
        .otherwise(pl.format("{}{}{} showed nothing of repair grade", when, trouble, before))
    )
    without, with_own = (
        chances_in_words("failure_probability_without_own"),
        chances_in_words("failure_probability"),
    )
    moved = (
        pl.when(pl.col("failure_probability_without_own").is_null() | (without == with_own))
        .then(pl.lit("."))
        .otherwise(pl.format("; all looks at this line take the chance from {} to {}.", without, with_own))
    )
    return pl.when(pl.col("n_judged").fill_null(0) > 0).then(pl.concat_str(seen, moved))


def _pipe() -> pl.Expr:
    similar = pl.format(
        "No camera record of this line; the estimate is that of {} seen lines under houses built {} to {}.",
        "n_similar",
        "similar_from",
        "similar_to",
    )
    like, average = chances_in_words("failure_probability_elsewhere"), chances_in_words("average")
    words = pl.col("deciding_words")
    own = pl.format(
        "{}: lines like this one have a chance of {} in an average place, the average line on record {}.",
        pl.concat_str(words.str.head(1).str.to_uppercase(), words.str.slice(1)),
        like,
        average,
    )
    return (
        pl.when(pl.col("n_similar").is_not_null())
        .then(similar)
        .when(pl.col("failure_probability_without_own").is_not_null())
        .then(own)
    )


def _place() -> pl.Expr:
    elsewhere, here = (
        chances_in_words(f"failure_probability_{name}") for name in ("elsewhere", "without_own")
    )
    sooner = pl.when(pl.col("place_effect") > 0).then(pl.lit("sooner")).otherwise(pl.lit("later"))
    return pl.when((pl.col("place_effect").abs() >= LEAST_PLACE) & (elsewhere != here)).then(
        pl.format(
            "Lines in this area fail {} than their pipe explains: it takes the chance from {} to {}.",
            sooner,
            elsewhere,
            here,
        )
    )


def _block() -> pl.Expr:
    return pl.when(
        (pl.col("n_block").fill_null(0) >= BLOCK_LINES) & pl.col("failure_probability").is_not_null()
    ).then(
        pl.format(
            "{} of {} other lines on this block had failed when a camera came; their material and age lead one to expect {}.",
            "n_block_bad",
            "n_block",
            pl.col("block_expected").round(1),
        )
    )


def _like() -> pl.Expr:
    return (
        pl.when((pl.col("n_segments") > 0) & (pl.col("n_like") > 0))
        .then(
            pl.format(
                "Of {} looks at {}, {} showed a repair-grade finding.", "n_like", "like_words", "n_like_bad"
            )
        )
        .when((pl.col("n_segments") > 0) & pl.col("failure_probability").is_not_null())
        .then(pl.format("No other look at {} is on record.", "like_words"))
    )


def _no_estimate() -> pl.Expr:
    return pl.when(pl.col("failure_probability").is_null() & (pl.col("n_judged").fill_null(0) == 0)).then(
        "sentence"
    )


def _limits() -> pl.Expr:
    return (
        pl.when(pl.col("repaired_year").is_not_null())
        .then(
            pl.format(
                "Repaired in {} after a repair-grade finding; taken as sound on that day.",
                pl.col("repaired_year").floor().cast(pl.Int64),
            )
        )
        .when(~pl.col("last_reached").fill_null(True))
        .then(pl.lit("The camera did not reach the tie-in; the rest of the line is unseen."))
        .when(pl.col("n_like_pipe") > 0)
        .then(
            pl.lit(
                "Neither the year laid nor a house year that tells it is on record for part of the line; "
                "the years in which like pipe was laid stand in, as a range."
            )
        )
        .when(pl.col("has_imputed").fill_null(False))
        .then(
            pl.lit(
                "Material or year laid is not on record for part of the line; both were estimated as a range."
            )
        )
    )

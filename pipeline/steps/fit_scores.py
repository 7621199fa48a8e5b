"""Scores: the chance of each line, given every look at it; and of lines that no camera has seen.

Whatever brought a camera, what it saw of a line tells about that line, so selected looks count here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from models.drawn_chances import chance_ranges, chance_ranges_if_none_now
from models.looks import BoolArray, FloatArray, IntArray
from models.series import ChanceRange, series_chances
from pipeline.settings import Settings
from pipeline.steps.fit_design import life_looks, line_looks
from pipeline.steps.fit_input import ENDED, OUTCOME_COLUMNS, Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.vocabulary import Outcome

SCORE_LEVEL = 0.90
#: A finding that is there with this chance or more leaves nothing to say of lines without one.
ALMOST_SURE = 0.99
#: Similar houses that are weighed: more of them tell nothing more of their mean.
MOST_SIMILAR = 2_000
#: Houses built this many years apart or less count as similar; the first window with enough of them is used.
SIMILAR_WITHIN_YEARS = (3, 5, 10, 15)


WITHOUT_OWN = {
    "lot_id": pl.String,
    **{f"failure_probability_without_own{end}": pl.Float64 for end in ("", "_lower", "_upper")},
    "failure_probability_elsewhere": pl.Float64,
}
#: Draws behind the chance in an average place: a mean told in whole per cents needs no more.
ELSEWHERE_DRAWS = 50


@dataclass(frozen=True, slots=True)
class Scores:
    """Chances of lines by parameter draw, and of their segments.

    Attributes
    ----------
    lots : DataFrame
        `lot_id, column, n_similar, similar_from, similar_to`: column of `now` and `later` that belongs to
        the lot; the last three are NULL where the line itself is on record.
    now, later : ndarray, shape (n_draws, n_columns)
        Chance that the line has failed now, and at the horizon's end.
    lives : DataFrame
        `life_id, failure_probability, …_lower, …_upper` of the current lives.
    repaired : DataFrame
        `lot_id, repaired_year`: lines whose bad look was followed by a repair.
    without_own : DataFrame
        `lot_id, failure_probability_without_own, …_lower, …_upper`: what pipes like these have now, had nobody
        looked at this line; and `failure_probability_elsewhere`: the same in an average place.
    members : ndarray, shape (n_draws, n_members)
        Chance that a segment has failed now, of each segment of the lines that have several, in the order of
        `lines_to_score`; a lone segment has the chance of its line. No columns unless asked for.
    """

    lots: pl.DataFrame
    now: FloatArray
    later: FloatArray
    lives: pl.DataFrame
    repaired: pl.DataFrame
    without_own: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=WITHOUT_OWN))
    members: FloatArray = field(default_factory=lambda: np.empty((0, 0), dtype=np.float32))

    def without_later(self) -> Scores:
        """Return the same without the draws at the horizon's end."""
        return replace(self, later=self.later[:, :0].copy())

    def without_members(self) -> Scores:
        """Return the same without the draws of segments."""
        return replace(self, members=self.members[:, :0].copy())


def score_lines(
    fit: OutcomeFit, exposure: Exposure, settings: Settings, *, with_members: bool = False
) -> Scores:
    """Score every lot whose line is on record.

    Parameters
    ----------
    fit : OutcomeFit
        A fit that is ok; the outcome scored is its own.
    exposure : Exposure
        All lives and looks.
    settings : Settings
        Holding period.
    with_members : bool
        Keep the draws of the segments of lines that have several, for the ranking of connections.

    Returns
    -------
    Scores
    """
    lives, looks, lines, repaired = lines_to_score(exposure, fit.outcome)
    chances = series_chances(
        fit.fitted,
        fit.design.X,
        fit.design.Z,
        life_looks(
            fit.design, lives, looks.with_columns(sensitivity=pl.lit(fit.fitted.detection.sensitivity))
        ),
        lives["line"].to_numpy(),
        W=fit.design.W,
        group=fit.design.group if fit.design.areas else None,
        now=0.0,
        horizon=settings.holding_period_years,
        draws=fit.draws,
        line_looks=line_looks(lines),
        keep_draws=True,
        keep_lives=np.flatnonzero(has_company(lives)) if with_members else (),
    )
    now = chances.life_failed_now
    scored = lives.select("life_id").with_columns(
        failure_probability=pl.Series(now.mean),
        # As for lots: a mean outside its central range extends it.
        failure_probability_lower=pl.Series(np.minimum(now.low, now.mean)),
        failure_probability_upper=pl.Series(np.maximum(now.high, now.mean)),
    )
    lots = lives.select("lot_id", column="line").unique().sort("column")
    nothing = pl.lit(None, dtype=pl.Int64)
    return Scores(
        lots=lots.with_columns(n_similar=nothing, similar_from=nothing, similar_to=nothing),
        now=chances.line_draws_now,
        later=chances.line_draws_later,
        lives=scored,
        repaired=repaired,
        without_own=_with_lots(lots, chances.line_unconditional_now, _elsewhere(fit, lives)),
        members=chances.life_draws_now,
    )


def lines_to_score(
    exposure: Exposure, outcome: str
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return what is in the ground and all that still tells about it.

    Returns
    -------
    tuple of DataFrame
        Lives in use, numbered by `life` and by `line`; looks at them; overall verdicts on their lines; and the
        lots whose bad look was followed by a repair.
    """
    current = exposure.lives.filter(pl.col("ended_year").is_null()).sort("lot_id", "sequence", "life_id")
    lives = current.with_row_index("life").with_columns(line=pl.col("lot_id").rle_id().cast(pl.Int64))
    looks, repaired = _looks_after_repairs(_looks_for_scores(exposure, outcome), lives)
    return lives, looks, _line_looks_for_scores(exposure, outcome, lives), repaired


def _elsewhere(fit: OutcomeFit, lives: pl.DataFrame) -> FloatArray | None:
    """Chance of each line without its own looks, in an average place; None where areas do not differ."""
    if not fit.design.areas:
        return None
    nothing = pl.DataFrame(
        schema={"life": pl.UInt32, "look_at": pl.Float64, "is_bad": pl.Boolean, "sensitivity": pl.Float64}
    )
    plain = series_chances(
        fit.fitted,
        fit.design.X,
        fit.design.Z,
        life_looks(fit.design, lives, nothing),
        lives["line"].to_numpy(),
        W=fit.design.W,
        now=0.0,
        horizon=0.0,
        draws=fit.draws[:ELSEWHERE_DRAWS],
    )
    return plain.line_unconditional_now.mean


def _with_lots(lots: pl.DataFrame, plain: ChanceRange, elsewhere: FloatArray | None) -> pl.DataFrame:
    values = (
        plain.mean,
        np.minimum(plain.low, plain.mean),
        np.maximum(plain.high, plain.mean),
        plain.mean if elsewhere is None else elsewhere,
    )
    names = list(WITHOUT_OWN)[1:]
    return lots.select("lot_id").with_columns(
        pl.Series(name, value) for name, value in zip(names, values, strict=True)
    )


def has_company(lives: pl.DataFrame) -> BoolArray:
    """Whether the line of each life has several, for lives as `lines_to_score` gives them."""
    size = np.bincount(lives["line"].to_numpy())
    company: BoolArray = size[lives["line"].to_numpy()] > 1
    return company


def _looks_for_scores(exposure: Exposure, outcome: str) -> pl.DataFrame:
    column = OUTCOME_COLUMNS[outcome]
    judged = exposure.looks.filter(pl.col(column).is_not_null() & (pl.col("basis") != ENDED))
    return judged.select("life_id", "look_at", is_bad=pl.col(column) == 1)


def _looks_after_repairs(looks: pl.DataFrame, lives: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Drop what was seen before a repair, and take the life as sound on the repair's day."""
    at_lives = looks.join(
        lives.select(
            "life_id",
            "life",
            "lot_id",
            "repaired_year",
            repaired_at=pl.col("repaired_year") - pl.col("now"),
        ),
        on="life_id",
    )
    outdated = pl.col("repaired_at").is_not_null() & (pl.col("repaired_at") >= pl.col("look_at"))
    mended = (
        at_lives.filter(outdated & pl.col("is_bad"))
        .select("life", "lot_id", "repaired_year", "repaired_at")
        .unique()
        .sort("life")
    )
    sound = mended.select("life", look_at="repaired_at", is_bad=pl.lit(False))
    gone = mended.select("life", mended_at="repaired_at")
    kept = at_lives.join(gone, on="life", how="left").filter(
        pl.col("mended_at").is_null() | (pl.col("look_at") > pl.col("mended_at"))
    )
    repaired = mended.group_by("lot_id").agg(pl.col("repaired_year").max()).sort("lot_id")
    return pl.concat([kept.select("life", "look_at", "is_bad"), sound]), repaired


def _line_looks_for_scores(exposure: Exposure, outcome: str, lives: pl.DataFrame) -> pl.DataFrame:
    """Overall verdicts that still speak of the pipes in the ground.

    A bad verdict on a line of which a part was renewed since, or that was repaired since, may have meant
    just that part: it is dropped.
    """
    lines = exposure.line_looks if outcome == Outcome.ANY.value else exposure.line_looks.clear()
    current = lives.select("life_id", "life", repaired_at=pl.col("repaired_year") - pl.col("now"))
    members = lines.join(current, on="life_id", how="left")
    outdated = pl.col("life").is_null() | (pl.col("repaired_at") >= pl.col("look_at")).fill_null(False)
    return members.filter(
        pl.col("life").is_not_null() & ~(pl.col("is_bad") & outdated.any().over("inspection_id"))
    ).select("inspection_id", "look_at", "is_bad", "life")


def score_unseen(
    scores: Scores, lots: pl.DataFrame, donors: pl.DataFrame, settings: Settings, rng: np.random.Generator
) -> Scores:
    """Add lots whose line is not on record, by the lines of similar houses that a camera has seen.

    Parameters
    ----------
    scores : Scores
        From `score_lines`.
    lots : DataFrame
        `lot_id, year_built` of every lot.
    donors : DataFrame
        `lot_id`: lots with an unselected, judged look.
    settings : Settings
        Least number of similar houses.
    rng : numpy.random.Generator
        For the weights of the donors in each draw.

    Returns
    -------
    Scores
        With one more column for each year of construction that such a lot has.

    Notes
    -----
    The chance is the mean chance of seen lines under houses of about that year, whose renewals and findings
    are counted in, because an unseen line may have been renewed as well. Its range has both the parameter
    draws and the choice of the seen houses in it (Bayesian bootstrap: D. B. Rubin, 1981, Annals of Statistics
    9, 130-134; from memory).
    """
    seen = (
        scores.lots.join(donors.select("lot_id").unique(), on="lot_id", how="semi")
        .join(lots.select("lot_id", "year_built"), on="lot_id")
        .filter(pl.col("year_built").is_not_null())
        .sort("column")
    )
    unseen = lots.join(scores.lots, on="lot_id", how="anti").filter(pl.col("year_built").is_not_null())
    years = unseen["year_built"].unique().sort().to_numpy()
    seen_years, seen_columns = seen["year_built"].to_numpy(), seen["column"].to_numpy()
    found: list[dict[str, int]] = []
    now, later = list[FloatArray](), list[FloatArray]()
    for year in years:
        similar, window = _similar(seen_years, int(year), settings.min_area_inspections)
        if len(similar) == 0:
            continue
        # Evenly through the town, for columns follow the lots.
        columns = seen_columns[similar[:: -(-len(similar) // MOST_SIMILAR)]]
        weight = rng.exponential(size=(len(scores.now), len(columns))).astype(np.float32)
        weight /= weight.sum(axis=1, keepdims=True)
        now.append((scores.now[:, columns] * weight).sum(axis=1, keepdims=True))
        later.append((scores.later[:, columns] * weight).sum(axis=1, keepdims=True))
        found.append(
            {
                "year_built": int(year),
                "column": scores.now.shape[1] + len(found),
                "n_similar": len(similar),
                "similar_from": int(year) - window,
                "similar_to": int(year) + window,
            }
        )
    by_year = pl.DataFrame(
        found,
        schema={
            "year_built": lots.schema["year_built"],
            **{name: pl.Int64 for name in ("column", "n_similar", "similar_from", "similar_to")},
        },
    )
    added = unseen.join(by_year, on="year_built").select(scores.lots.columns)
    if not found:
        return scores
    return replace(
        scores,
        lots=pl.concat([scores.lots, added]),
        # A line's draws stay side by side.
        now=np.concatenate([part.T for part in (scores.now, *now)]).T,
        later=np.concatenate([part.T for part in (scores.later, *later)]).T,
    )


def _similar(seen_years: IntArray, year: int, least: int) -> tuple[IntArray, int]:
    for window in SIMILAR_WITHIN_YEARS:
        similar = np.flatnonzero(np.abs(seen_years - year) <= window)
        if len(similar) >= least:
            return similar, window
    return np.empty(0, dtype=np.int64), 0


def lot_chances(scores: Scores) -> pl.DataFrame:
    """Return the chances of each scored lot with their ranges, named as published.

    Parameters
    ----------
    scores : Scores
        Chances by parameter draw.

    Returns
    -------
    DataFrame
        `lot_id`, the three chances with their bounds, and the columns of `scores.lots`. The chance within the
        horizon is NULL where one is there now with a chance of `ALMOST_SURE` or more: what would follow if
        there were none rests on next to nothing.

    Notes
    -----
    The published chance is the mean over the draws, P(finding | records): the calibrated one, and the one
    whose sum over lots is the number to be expected. Where draws are so skewed that their mean lies outside
    their central 90 %, the range is extended to it; it then holds more than its level.
    """
    frame = pl.DataFrame({"column": np.arange(scores.now.shape[1])})
    for name, draws in (
        ("failure_probability", scores.now),
        ("failure_by_horizon_probability", scores.later),
    ):
        frame = frame.with_columns(_with_bounds(name, chance_ranges(draws, SCORE_LEVEL)))
    within = chance_ranges_if_none_now(scores.now, scores.later, SCORE_LEVEL)
    none_is_likely = pl.col("failure_probability") < ALMOST_SURE
    frame = frame.with_columns(
        pl.when(none_is_likely).then(column).alias(column.name)
        for column in _with_bounds("failure_within_horizon_probability", within)
    )
    return scores.lots.join(frame, on="column").drop("column")


def _with_bounds(name: str, ranges: FloatArray) -> list[pl.Series]:
    point, lower, upper = ranges
    return [
        pl.Series(name, point),
        pl.Series(f"{name}_lower", np.minimum(lower, point)),
        pl.Series(f"{name}_upper", np.maximum(upper, point)),
    ]

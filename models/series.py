"""The chance of a line from its segments, given everything that was seen."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from models.lives import FittedLives
from models.looks import FloatArray, LifeLooks, LineLooks


@dataclass(frozen=True, kw_only=True)
class ChanceRange:
    """Mean and 5 % and 95 % quantiles over parameter draws, each an array over lives or lines."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, kw_only=True)
class SeriesChances:
    """Chances of lives and of lines of lives.

    Attributes
    ----------
    life_failed_now : ChanceRange, each shape (n_lives,)
        Chance that the life has already failed at `now`, given its looks.
    life_failed_later : ChanceRange, each shape (n_lives,)
        Chance that it will have failed by `now + horizon`, given its looks (includes failed now).
    line_failed_now, line_failed_later : ChanceRange, each shape (n_lines,)
        The same for the line: one minus the product of its lives' chances, draw by draw.
    line_unconditional_now : ChanceRange, shape (n_lines,)
        Without any look: what pipes like these do.
    """

    life_failed_now: ChanceRange
    life_failed_later: ChanceRange
    line_failed_now: ChanceRange
    line_failed_later: ChanceRange
    line_unconditional_now: ChanceRange


def series_chances(
    fitted: FittedLives,
    X: ArrayLike,
    Z: ArrayLike,
    looks: LifeLooks,
    life_line: ArrayLike,
    *,
    now: float,
    horizon: float,
    draws: FloatArray,
    line_looks: LineLooks | None = None,
    chunk_bytes: int = 256_000_000,
) -> SeriesChances:
    """Chance that each life and each line has failed, given what its looks showed.

    Parameters
    ----------
    fitted : FittedLives
        The fit; its `detection` says how far a look is to be believed.
    X, Z : array, shape (n_rows, p) and (n_rows, q)
        Covariate rows that `looks.candidate_row` points to.
    looks : LifeLooks
        Current lives with all their looks, those taken because of trouble included: a look tells about
        its own life whatever brought it.
    life_line : array of int, shape (n_lives,)
        Line (lateral) of each life, 0 .. n_lines - 1.
    now : float
        Decimal year of today; for data that keep ages only, the age now is `now - install`.
    horizon : float
        Years ahead [years].
    draws : ndarray, shape (n_draws, p + q)
        From `fitted.draws`.
    line_looks : LineLooks, optional
        Looks with an overall verdict only; conditions the lives of that line jointly.
    chunk_bytes : int
        Working memory to aim for [bytes].

    Returns
    -------
    SeriesChances
    """
    raise NotImplementedError

"""Means and ranges of chances over parameter draws, worked in blocks on all processors."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from models.compiled import n_threads
from models.looks import FloatArray

#: Things whose sorted draws are alive at once: few enough for the processor's caches.
AT_ONCE = 2_000
#: Chances of none now below this say nothing of what follows if there were none.
TINY = 1e-300


def chance_ranges(draws: NDArray[np.floating], level: float) -> FloatArray:
    """Mean and central range of each thing's chance.

    Parameters
    ----------
    draws : ndarray, shape (n_draws, n)
        Chance of each thing by draw.
    level : float
        Share of the draws inside the range.

    Returns
    -------
    ndarray, shape (3, n)
        Mean, lower and upper bound, quantiles linearly interpolated.
    """
    tail = (1.0 - level) / 2.0

    def ranges(block: slice) -> FloatArray:
        # A copy always: draws kept line by line need none, and would be sorted in place.
        chance = np.array(draws[:, block].T, dtype=np.float32, order="C")
        mean = chance.mean(axis=1, dtype=np.float64)
        # Sorting single precision takes the processor's widest instructions, which selecting does not.
        chance.sort(axis=1)
        return np.stack((mean, quantile_of_sorted(chance, tail), quantile_of_sorted(chance, 1.0 - tail)))

    return _in_blocks(ranges, draws.shape[1])


def chance_ranges_if_none_now(
    now: NDArray[np.floating], later: NDArray[np.floating], level: float
) -> FloatArray:
    """Chance of failing by a later date of each thing that has not failed now, with its range.

    Parameters
    ----------
    now, later : ndarray, shape (n_draws, n)
        Chance of having failed now, and by the later date.
    level : float
        Share of the draws inside the range.

    Returns
    -------
    ndarray, shape (3, n)
        Mean, lower and upper bound.

    Notes
    -----
    Conditional on none being there now, so each draw weighs as much as the chance it gives to that:
    P(later, not now) / P(not now), both by the draws' means; the range are the quantiles of the draws' own ratios under
    the same weights (Bayes' rule; importance weights as in Gelman et al. 2013, Bayesian Data Analysis, section 10.4;
    from memory).
    """
    tail = (1.0 - level) / 2.0

    def ranges(block: slice) -> FloatArray:
        sound = np.ascontiguousarray(1.0 - now[:, block].T, dtype=np.float32)
        arises = np.clip(sound - (1.0 - later[:, block].T), 0.0, sound)
        total = np.maximum(sound.sum(axis=1, dtype=np.float64), TINY)
        within = np.divide(arises, sound, out=np.zeros_like(sound), where=sound > 0)
        order = np.argsort(within, axis=1)
        reached = np.cumsum(np.take_along_axis(sound, order, axis=1), axis=1) / total[:, None]
        rows = np.arange(len(within))
        bounds = [
            within[rows, order[rows, np.minimum((reached < share).sum(axis=1), within.shape[1] - 1)]]
            for share in (tail, 1.0 - tail)
        ]
        return np.stack((arises.sum(axis=1, dtype=np.float64) / total, *bounds))

    return _in_blocks(ranges, now.shape[1])


def quantile_of_sorted(ordered: NDArray[np.float32], share: float) -> FloatArray:
    """Quantile of each row, shape (n,), linearly interpolated.

    Parameters
    ----------
    ordered : ndarray, shape (n, n_draws)
        Rows rising.
    share : float
        Share of the draws below it, 0 to 1.
    """
    place = (ordered.shape[1] - 1) * share
    below = min(int(place), ordered.shape[1] - 1)
    above = min(below + 1, ordered.shape[1] - 1)
    part = place - below
    value: FloatArray = ordered[:, below] * (1.0 - part) + ordered[:, above] * part
    return value


def _in_blocks(ranges: Callable[[slice], FloatArray], n: int) -> FloatArray:
    out = np.empty((3, n))

    def work(start: int) -> None:
        out[:, start : start + AT_ONCE] = ranges(slice(start, start + AT_ONCE))

    with ThreadPoolExecutor(n_threads()) as threads:
        # Taken one by one, so that what goes wrong in a block is raised.
        for _ in threads.map(work, range(0, n, AT_ONCE)):
            pass
    return out

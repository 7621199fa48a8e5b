"""How many of a group fail, when each member has its own chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import fftconvolve
from scipy.special import ndtr

from models.errors import ModelInputError
from models.looks import FloatArray, IntArray

#: Up to so many trials are added one by one; above, halves are convolved by Fourier transform.
MOST_ONE_BY_ONE = 256
#: Beyond this many trials with at least this variance in every group the refined normal curve is used.
LARGEST_EXACT = 20_000
LEAST_VARIANCE = 200.0
#: Doubles of all draws' distributions that are alive at once.
LARGEST_TABLE = 4_000_000


def count_pmf(probability: ArrayLike) -> FloatArray:
    """Distribution of the number of successes among independent trials with unequal chances.

    Parameters
    ----------
    probability : array, shape (..., k)
        Chance of each trial; a zero is a trial that is not there, so ragged groups may be padded.

    Returns
    -------
    ndarray, shape (..., k + 1)
        Chance of 0, 1, … k successes (the Poisson-binomial distribution).

    Raises
    ------
    ModelInputError
        A chance lies outside 0 to 1 or is NaN.

    Notes
    -----
    Small groups by one convolution per trial, larger ones by convolving the distributions of their halves
    through a Fourier transform (compared with other ways by W. Biscarri, S. D. Zhao & R. J. Brunner, 2018,
    Computational Statistics & Data Analysis 122:92; from memory): off by rounding only, of about 1e-15. Above
    `LARGEST_EXACT` trials the normal curve refined by skewness (A. Y. Volkova, 1996, Theory of Probability and
    its Applications 40:791; from memory), off by less than a part in a thousand from `LEAST_VARIANCE` on.
    """
    p = np.asarray(probability, dtype=float)
    if not np.all((p >= 0) & (p <= 1)):
        raise ModelInputError("a chance lies outside 0 to 1.")
    if p.shape[-1] > LARGEST_EXACT and np.min((p * (1 - p)).sum(axis=-1)) >= LEAST_VARIANCE:
        return _refined_normal(p)
    return _pmf(p)


def _pmf(p: FloatArray) -> FloatArray:
    if p.shape[-1] <= MOST_ONE_BY_ONE:
        return _pmf_one_by_one(p)
    half = p.shape[-1] // 2
    both: FloatArray = fftconvolve(_pmf(p[..., :half]), _pmf(p[..., half:]), axes=-1)
    return np.maximum(both, 0.0)


def _refined_normal(p: FloatArray) -> FloatArray:
    variance = (p * (1 - p)).sum(axis=-1)[..., None]
    skew = (p * (1 - p) * (1 - 2 * p)).sum(axis=-1)[..., None] / variance**1.5
    at = (np.arange(-0.5, p.shape[-1] + 1.0) - p.sum(axis=-1)[..., None]) / np.sqrt(variance)
    below = ndtr(at) + skew * (1 - at**2) * np.exp(-(at**2) / 2) / (6 * np.sqrt(2 * np.pi))
    below[..., 0], below[..., -1] = 0.0, 1.0
    pmf: FloatArray = np.maximum(np.diff(below, axis=-1), 0.0)
    return pmf


def _pmf_one_by_one(p: FloatArray) -> FloatArray:
    pmf = np.zeros((*p.shape[:-1], p.shape[-1] + 1))
    pmf[..., 0] = 1.0
    for trial in range(p.shape[-1]):
        success = p[..., trial, None]
        # Right-hand sides are evaluated before they are stored, so one array is enough.
        pmf[..., 1 : trial + 2] = pmf[..., 1 : trial + 2] * (1 - success) + pmf[..., : trial + 1] * success
        pmf[..., 0] *= 1 - p[..., trial]
    return pmf


def mixed_count_pmf(probability: ArrayLike) -> FloatArray:
    """Distribution of a group's count when its members' chances share parameter draws.

    Parameters
    ----------
    probability : array, shape (n_draws, k)
        Chance of each member in each draw.

    Returns
    -------
    ndarray, shape (k + 1,)
        Average over draws of the count's distribution: members are independent within a draw only, so what
        is uncertain for all of them at once stays uncertain for their sum.
    """
    p = np.asarray(probability)
    n_draws, n = p.shape
    total: FloatArray = np.zeros(n + 1)
    at_once = max(LARGEST_TABLE // (n + 1), 1)
    for start in range(0, n_draws, at_once):
        total += count_pmf(p[start : start + at_once]).sum(axis=0)
    mean: FloatArray = total / n_draws
    return mean


def count_range(pmf: FloatArray, level: float) -> tuple[IntArray, IntArray]:
    """Central range of counts that holds at least `level` of the chance.

    Parameters
    ----------
    pmf : ndarray, shape (..., k + 1)
        Chance of each count.
    level : float
        For example 0.9: at most 5 % below and at most 5 % above.

    Returns
    -------
    tuple of ndarray of int, shape (...)
        Smallest and largest count of the range.
    """
    tail = (1 - level) / 2
    cumulative = np.cumsum(pmf, axis=-1)
    # Rounding of the sum must not push a bound past the last count.
    lower = np.argmax(cumulative > tail - 1e-12, axis=-1)
    upper = np.argmax(cumulative >= 1 - tail - 1e-12, axis=-1)
    return lower.astype(np.int64), upper.astype(np.int64)


def count_ranges(
    probability: FloatArray, group: NDArray[np.int64], n_groups: int, level: float
) -> tuple[FloatArray, FloatArray]:
    """Range of the number of successes in each of many groups.

    Parameters
    ----------
    probability : ndarray, shape (n,)
        Chance of each trial.
    group : ndarray of int, shape (n,)
        Group of each trial, 0 … n_groups - 1.
    n_groups : int
        Number of groups; one without trials gets 0 to 0.
    level : float
        Level of the range.

    Returns
    -------
    tuple of ndarray, shape (n_groups,)
    """
    size = np.bincount(group, minlength=n_groups)
    lower, upper = np.zeros(n_groups), np.zeros(n_groups)
    order = np.argsort(group, kind="stable")
    place = np.arange(len(group)) - np.repeat(np.cumsum(size) - size, size)
    # Groups of like size are padded and worked together; sizes double from one batch to the next.
    bound = 1
    while bound < 2 * max(int(size.max(initial=0)), 1):
        batch = np.flatnonzero((size <= bound) & (size > bound // 2))
        chosen = np.isin(group[order], batch)
        if len(batch):
            padded = np.zeros((len(batch), bound))
            row = np.searchsorted(batch, group[order][chosen])
            padded[row, place[chosen]] = probability[order][chosen]
            lower[batch], upper[batch] = count_range(count_pmf(padded), level)
        bound *= 2
    return lower, upper

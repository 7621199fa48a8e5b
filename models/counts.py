"""How many of a group fail, when each member has its own chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from models.errors import ModelInputError
from models.looks import FloatArray, IntArray

#: Up to here the count is exact; above, the normal curve with continuity correction is off by less than
#: a part in a thousand for any group whose variance is above 25.
LARGEST_EXACT = 400


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
    One convolution per trial, done for all groups at once; exact up to rounding.
    """
    p = np.asarray(probability, dtype=float)
    if not np.all((p >= 0) & (p <= 1)):
        raise ModelInputError("a chance lies outside 0 to 1.")
    pmf = np.zeros((*p.shape[:-1], p.shape[-1] + 1))
    pmf[..., 0] = 1.0
    for trial in range(p.shape[-1]):
        success = p[..., trial, None]
        # Right-hand sides are evaluated before they are stored, so one array is enough.
        pmf[..., 1 : trial + 2] = pmf[..., 1 : trial + 2] * (1 - success) + pmf[..., : trial + 1] * success
        pmf[..., 0] *= 1 - p[..., trial]
    return pmf


def normal_count_pmf(mean: ArrayLike, variance: ArrayLike, n: int) -> FloatArray:
    """Distribution of a count by the normal curve with continuity correction, cut to 0 … n.

    Parameters
    ----------
    mean, variance : array, shape (...)
        Of the count.
    n : int
        Largest possible count.

    Returns
    -------
    ndarray, shape (..., n + 1)
    """
    edges = np.arange(-0.5, n + 1.0)
    spread = np.sqrt(np.maximum(np.asarray(variance, dtype=float), 1e-12))[..., None]
    below = ndtr((edges - np.asarray(mean, dtype=float)[..., None]) / spread)
    below[..., 0], below[..., -1] = 0.0, 1.0
    pmf: FloatArray = np.diff(below, axis=-1)
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
    p = np.asarray(probability, dtype=float)
    if p.shape[-1] <= LARGEST_EXACT:
        pmf = count_pmf(p)
    else:
        pmf = normal_count_pmf(p.sum(axis=-1), (p * (1 - p)).sum(axis=-1), p.shape[-1])
    mean: FloatArray = pmf.mean(axis=0)
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
            lower[batch], upper[batch] = count_range(_batch_pmf(padded), level)
        bound *= 2
    return lower, upper


def _batch_pmf(padded: FloatArray) -> FloatArray:
    if padded.shape[-1] <= LARGEST_EXACT:
        return count_pmf(padded)
    return normal_count_pmf(padded.sum(axis=-1), (padded * (1 - padded)).sum(axis=-1), padded.shape[-1])

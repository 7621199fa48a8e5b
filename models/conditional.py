"""Chance of failure by an age given survival to another, from hazards in intervals. Used by `npmle`."""

from __future__ import annotations

import numpy as np

from models.intervals import FloatArray, IntArray


def chance_given(
    left: FloatArray, right: FloatArray, least: FloatArray, most: FloatArray, t: FloatArray, given: float
) -> tuple[FloatArray, FloatArray]:
    """Least and greatest chance of failure by each age, of units sound at one age.

    Parameters
    ----------
    left, right : ndarray, shape (m,)
        Disjoint intervals by age; a point where equal.
    least, most : ndarray, shape (m,)
        Cumulative hazard added in each, at least and at most; may be inf. Where in it is not known.
    t : ndarray, any shape
        Ages.
    given : float
        Age at which the units are sound; below 0 includes failures at age 0.

    Returns
    -------
    lower, upper : ndarray, shape of t
        0 for ages up to `given`.
    """
    ends = np.searchsorted(right, t, side="right")
    begun = np.maximum(np.searchsorted(left, t, side="left"), ends)
    after = int(np.searchsorted(right, given, side="right"))
    whole = max(int(np.searchsorted(left, given, side="left")), after)
    lower = -np.expm1(-_between(least, whole, ends))
    upper = -np.expm1(-_between(most, after, begun))
    late = t > given
    return np.where(late, lower, 0.0), np.where(late, np.maximum(lower, upper), 0.0)


def _between(hazard: FloatArray, start: int, stop: IntArray) -> FloatArray:
    """Sums of hazard[start:stop]."""
    endless = np.isinf(hazard)
    total = np.concatenate(([0.0], np.cumsum(np.where(endless, 0.0, hazard))))
    count = np.concatenate(([0], np.cumsum(endless)))
    stop = np.maximum(stop, start)
    return np.where(count[stop] > count[start], np.inf, total[stop] - total[start])

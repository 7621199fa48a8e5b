"""Nonparametric curve: the maximum-likelihood distribution of ages known only as intervals.

Nothing is assumed about the shape of the curve, and nothing is drawn where the records do not
determine it. The optimum is proved, not hoped for: see `kkt_gap_`.
"""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator

from models.compiled import compiled
from models.errors import ModelInputError
from models.intervals import FloatArray, IntArray, Intervals, check_intervals, collapse
from models.turnbull import maximise_likelihood, weighted_isotonic

#: Masses below this are rounding, not support.
SMALLEST_MASS = 1e-11


class NPMLE(BaseEstimator):  # type: ignore[misc]  # scikit-learn ships no types
    """Nonparametric maximum-likelihood estimate of F from intervals (L, R].

    Parameters
    ----------
    tolerance : float
        Largest `kkt_gap_` accepted.
    max_iterations : int
        Iterations allowed.

    Attributes
    ----------
    intervals_ : ndarray, shape (m, 2)
        Ages (left, right] that carry mass; where inside them it lies is not determined. A known age
        has left == right; the last may end at inf.
    mass_ : ndarray, shape (m,)
        Probability in each; sums to 1.
    log_likelihood_ : float
    kkt_gap_ : float
        max over ages t of (1/n) Σ_{i: L_i < t <= R_i} w_i / P_i, minus 1: 0 at the maximum, and n times
        it bounds how far the log-likelihood is below the maximum.
    n_units_ : float
        Sum of weights.
    status_, reason_ : str
        "ok", "no_failures" (F is 0 as far as anyone looked), "all_failed" or "no_records"; the sentence
        that says so. The curve is the right answer in each case but the last, with wide gaps.

    Notes
    -----
    Where every record is one look (current status) the answer is the isotonic regression of the failed
    share on age (Ayer, Brunk, Ewing, Reid & Silverman 1955, Ann. Math. Statist. 26:641, from memory).
    Otherwise support is Turnbull's (1976, J. R. Statist. Soc. B 38:290, from memory) and `models.turnbull`
    finds the masses.

    Examples
    --------
    >>> curve = NPMLE().fit([0, 0, 10, 20], [10, 20, np.inf, np.inf])
    >>> [float(f) for f in curve.cdf(10.0)]
    [0.5, 0.5]
    """

    def __init__(self, *, tolerance: float = 1e-9, max_iterations: int = 2000) -> None:
        self.tolerance = tolerance
        self.max_iterations = max_iterations

    def fit(
        self,
        left: ArrayLike,
        right: ArrayLike,
        weight: ArrayLike | None = None,
        entry: ArrayLike | None = None,
    ) -> Self:
        """Fit the curve.

        Parameters
        ----------
        left, right : array, shape (n,)
            Ages [years], (left, right]; right = inf never seen failed, left = 0 first look already
            failed, left == right an exact age.
        weight : array, shape (n,), optional
            Counts.
        entry : array, shape (n,), optional
            Left truncation is not supported here (all entries must be 0); `IntervalRegression` has it.

        Returns
        -------
        NPMLE
            Itself.

        Raises
        ------
        ModelInputError
            For an impossible record, naming the row, and for entry ages above 0.
        """
        given = check_intervals(left, right, weight, entry)
        if given.entry is not None and (given.entry > 0).any():
            raise ModelInputError(
                "entry ages above 0 are not supported by the nonparametric curve; use IntervalRegression.",
                row=int(np.argmax(given.entry > 0)),
            )
        records = collapse(given)
        self.n_units_ = given.n_units
        self.status_, self.reason_ = _describe(records, self.n_units_)
        support = turnbull_support(records)
        mass, self.log_likelihood_, self.kkt_gap_ = self._masses(records, support)
        kept = mass > SMALLEST_MASS
        self.intervals_ = np.stack((support.left[kept], support.right[kept]), axis=1)
        self.mass_ = mass[kept] / mass[kept].sum() if kept.any() else mass[kept]
        return self

    def _masses(self, records: Intervals, support: Support) -> tuple[FloatArray, float, float]:
        if len(records.left) == 0:
            return np.ones(len(support.left)), 0.0, 0.0
        if np.all((records.left == 0) | (records.right == np.inf)):
            levels = current_status_levels(records)
            mass = np.diff(levels.at(support.right), prepend=0.0)
            # Between neighbouring supports F is flat, so differences of right ends are the masses.
            return mass, *_log_likelihood_and_gap(records, support, mass, self.n_units_)
        mass = maximise_likelihood(
            support.first,
            support.last,
            records.weight,
            len(support.left),
            self.tolerance,
            self.max_iterations,
        )
        return mass, *_log_likelihood_and_gap(records, support, mass, self.n_units_)

    def cdf(self, t: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Chance of failure by age t, as the least and greatest value the estimate allows.

        Parameters
        ----------
        t : array, any shape
            Ages [years].

        Returns
        -------
        lower, upper : ndarray, shape of t
            Equal where F is determined; apart inside a support interval.
        """
        ages = np.asarray(t, dtype=np.float64)
        total = np.concatenate(([0.0], np.cumsum(self.mass_)))
        total[-1] = min(total[-1], 1.0)
        lower = total[np.searchsorted(self.intervals_[:, 1], ages, side="right")]
        upper = total[np.searchsorted(self.intervals_[:, 0], ages, side="left")]
        return lower, np.maximum(lower, upper)


def _describe(records: Intervals, n_units: float) -> tuple[str, str]:
    if n_units == 0:
        return "no_records", "There are no records."
    if not (records.right < np.inf).any():
        return "no_failures", f"None of {n_units:g} was ever seen failed: F is 0 as far as anyone looked."
    if not (records.left > 0).any():
        return "all_failed", f"All {n_units:g} had failed at the first look: F is known only from there on."
    return "ok", ""


# -- support -------------------------------------------------------------------------------------------


class Support:
    """Turnbull's intervals, and for each record the first and last one it covers.

    Attributes
    ----------
    left, right : ndarray, shape (m,)
        Support intervals (left, right], or a point where equal.
    first, last : ndarray, shape (n,)
        Positions of the support intervals inside each record, `first` to `last` inclusive.
    """

    def __init__(self, left: FloatArray, right: FloatArray, first: IntArray, last: IntArray) -> None:
        self.left, self.right, self.first, self.last = left, right, first, last


def turnbull_support(records: Intervals) -> Support:
    """Intervals that start at some left and end at some right with neither in between.

    Ages are numbered so that 2i stands just before the i-th distinct age and 2i + 1 at it: an exact age
    is then (2i, 2i + 1], and every record is half-open like the others.
    """
    if len(records.left) == 0:
        return Support(np.array([0.0]), np.array([np.inf]), np.empty(0, np.int64), np.empty(0, np.int64))
    ages = np.unique(np.concatenate((records.left, records.right)))
    exact = records.left == records.right
    low = 2 * np.searchsorted(ages, records.left) + np.where(exact, 0, 1)
    high = 2 * np.searchsorted(ages, records.right) + 1
    begins, ends = _support_codes(low, high, 2 * len(ages))
    is_point = begins % 2 == 0
    left = np.where(is_point, ages[ends // 2], ages[begins // 2])
    first = np.searchsorted(begins, low, side="left")
    last = np.searchsorted(ends, high, side="right") - 1
    return Support(left, ages[ends // 2], first, last)


@compiled
def _support_codes(low: IntArray, high: IntArray, size: int) -> tuple[IntArray, IntArray]:
    is_low, is_high = np.zeros(size, np.bool_), np.zeros(size, np.bool_)
    for i in range(len(low)):
        is_low[low[i]] = True
        is_high[high[i]] = True
    begins, ends = np.empty(size, np.int64), np.empty(size, np.int64)
    n, open_at = 0, -1
    for code in range(size):
        # A right end at a code comes before a left end there: (2, 5] and (5, 9] do not meet.
        if is_high[code] and open_at >= 0:
            begins[n], ends[n] = open_at, code
            n += 1
            open_at = -1
        if is_low[code]:
            open_at = code
    return begins[:n], ends[:n]


def _log_likelihood_and_gap(
    records: Intervals, support: Support, mass: FloatArray, n_units: float
) -> tuple[float, float]:
    total = np.concatenate(([0.0], np.cumsum(mass)))
    chance = total[support.last + 1] - total[support.first]
    log_likelihood = float(records.weight @ np.log(chance))
    share = records.weight / chance
    m = len(mass)
    step = np.bincount(support.first, weights=share, minlength=m + 1)
    step -= np.bincount(support.last + 1, weights=share, minlength=m + 1)
    told = float(records.weight.sum())
    gap = (float(np.cumsum(step[:m]).max()) - told) / n_units
    return log_likelihood, max(gap, 0.0)


# -- current status ------------------------------------------------------------------------------------


class Levels:
    """A step function of age: `value[i]` from `age[i]` on, 0 before."""

    def __init__(self, age: FloatArray, value: FloatArray) -> None:
        self.age, self.value = age, value

    def at(self, t: FloatArray) -> FloatArray:
        """Value at ages; 1 at inf."""
        value = np.concatenate(([0.0], self.value))[np.searchsorted(self.age, t, side="right")]
        return np.where(np.isinf(t), 1.0, value)


def current_status_levels(records: Intervals) -> Levels:
    """Isotonic regression of the failed share on age."""
    failed = records.right < np.inf
    age = np.where(failed, records.right, records.left)
    ages, where = np.unique(age, return_inverse=True)
    looked = np.bincount(where, weights=records.weight)
    share: FloatArray = np.bincount(where, weights=records.weight * failed) / looked
    return Levels(ages, weighted_isotonic(share, looked.astype(np.float64)))

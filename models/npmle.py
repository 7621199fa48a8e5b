"""Nonparametric curve: the maximum-likelihood distribution of ages known only as intervals.

Nothing is assumed about the shape of the curve, and nothing is drawn where the records do not
determine it. The optimum is proved, not hoped for: see `kkt_gap_`.
"""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator

from models.conditional import chance_given
from models.errors import ModelInputError
from models.intervals import FloatArray, Intervals, check_intervals, collapse
from models.support import Support, find_support
from models.truncated import TruncatedFit, fit_truncated
from models.turnbull import maximise_likelihood, weighted_isotonic

#: Masses below this are rounding, not support.
SMALLEST_MASS = 1e-11
#: A curve whose `kkt_gap_` is above this is not given out as the maximum.
LARGEST_GAP = 1e-6


class NPMLE(BaseEstimator):  # type: ignore[misc]  # scikit-learn ships no types
    """Nonparametric maximum-likelihood estimate of F from intervals (L, R].

    Parameters
    ----------
    tolerance : float
        `kkt_gap_` at which to stop.
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
        Largest gradient excess per unit: max over ages t of (1/n) Σ_{i: L_i < t <= R_i} w_i / P_i, minus
        1. It is 0 at the maximum, and n times it bounds how far the log-likelihood is below the maximum.
        With entry ages, the greater of the gradient in the hazards and of that bound: see
        `models.truncated`.
    n_units_ : float
        Sum of weights.
    entry_age_ : float
        Age from which anyone was watched; F is the chance given survival to it. 0 without entry ages.
    status_, reason_ : str
        "ok", or a sentence says what is unusual about the curve, which but for one is still the right answer:
        "no_failures" (F is 0 as far as anyone looked), "all_failed", "no_records", "not_converged" (the maximum
        was not reached in `max_iterations`: not the right answer);
        with entry ages also "gap" (no record tells what happened between two ages: F is undetermined from
        there on) and "risk_set_emptied" (the few watched at some age all failed, and the curve ends at 1
        there, although others were first seen later, still sound: ask for `cdf(t, given=...)`).

    Notes
    -----
    Where every record is one look (current status) the answer is the isotonic regression of the failed
    share on age (Ayer, Brunk, Ewing, Reid & Silverman 1955, Ann. Math. Statist. 26:641, from memory).
    Otherwise support is Turnbull's (1976, J. R. Statist. Soc. B 38:290, from memory) and `models.turnbull`
    finds the masses; with entry ages `models.truncated` does, on the support of Frydman 1994.

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
            Ages [years] at which the units came under observation, still sound: those that had failed
            before would not be in the records. A record with left < entry is taken as (entry, right].

        Returns
        -------
        NPMLE
            Itself.

        Raises
        ------
        ModelInputError
            For an impossible record, naming the row.
        """
        given = check_intervals(left, right, weight, entry)
        self.n_units_ = given.n_units
        self.entry_age_ = 0.0
        if given.entry is not None and ((given.entry > 0) & (given.weight > 0)).any():
            return self._fit_truncated(given, given.entry)
        records = collapse(given)
        self.status_, self.reason_ = _describe(records, self.n_units_)
        support = find_support(records)
        mass, self.log_likelihood_, self.kkt_gap_ = self._masses(records, support)
        self._check_gap()
        self._keep(support.left, support.right, mass)
        share = mass / np.maximum(1.0 - np.concatenate(([0.0], np.cumsum(mass)[:-1])), mass)
        with np.errstate(divide="ignore", invalid="ignore"):
            hazard = np.where(mass > SMALLEST_MASS, -np.log1p(-share), 0.0)
        self._hazard = (support.left, support.right, hazard, hazard)
        return self

    def _fit_truncated(self, given: Intervals, entry: FloatArray) -> Self:
        self.entry_age_ = float(entry[given.weight > 0].min())
        told = (given.weight > 0) & ((given.left > entry) | (given.right < np.inf))
        records = Intervals(given.left[told], given.right[told], given.weight[told], entry[told])
        fit = fit_truncated(
            records,
            last_entry=float(entry[given.weight > 0].max()),
            tolerance=self.tolerance,
            max_iterations=self.max_iterations,
        )
        self.log_likelihood_, self.kkt_gap_ = fit.log_likelihood, fit.gap
        self.status_, self.reason_ = _describe_truncated(records, self.n_units_, fit)
        self._check_gap()
        survival = np.exp(-np.concatenate(([0.0], np.cumsum(fit.hazard))))
        mass = -np.diff(survival)
        mass[-1] += survival[-1]
        left = np.maximum(fit.left, self.entry_age_)
        self._keep(left, fit.right, mass)
        self._hazard = (left, fit.right, fit.hazard, np.where(fit.is_free, np.inf, fit.hazard))
        return self

    def _check_gap(self) -> None:
        if not self.kkt_gap_ <= LARGEST_GAP:
            self.status_ = "not_converged"
            self.reason_ = (
                f"The maximum was not reached in {self.max_iterations:,} rounds; raise max_iterations."
            )

    def _keep(self, left: FloatArray, right: FloatArray, mass: FloatArray) -> None:
        kept = mass > SMALLEST_MASS
        self.intervals_ = np.stack((left[kept], right[kept]), axis=1)
        self.mass_ = mass[kept] / mass[kept].sum() if kept.any() else mass[kept]

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

    def cdf(self, t: ArrayLike, *, given: float | None = None) -> tuple[FloatArray, FloatArray]:
        """Chance of failure by age t, as the least and greatest value the estimate allows.

        Parameters
        ----------
        t : array, any shape
            Ages [years].
        given : float, optional
            Of units sound at this age [years]; default `entry_age_`.

        Returns
        -------
        lower, upper : ndarray, shape of t
            Equal where F is determined; apart inside a support interval, and beyond a gap.

        Raises
        ------
        ModelInputError
            For an age that is not a number, or `given` before anyone was watched.
        """
        ages = np.asarray(t, dtype=np.float64)
        if np.isnan(ages).any():
            raise ModelInputError("the age asked for is not a number.", row=int(np.argmax(np.isnan(ages))))
        if given is not None and not self.entry_age_ <= given < np.inf:
            raise ModelInputError(f"given is {given:g}; no one was watched before age {self.entry_age_:g}.")
        if given is not None or self.entry_age_ > 0:
            left, right, least, most = self._hazard
            if right[-1] < np.inf:
                # Beyond the last support interval nothing is known of whoever gets there.
                left, right = np.append(left, right[-1]), np.append(right, np.inf)
                least, most = np.append(least, 0.0), np.append(most, np.inf)
            return chance_given(left, right, least, most, ages, self.entry_age_ if given is None else given)
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
    if not (records.left > (0.0 if records.entry is None else records.entry)).any():
        return "all_failed", f"All {n_units:g} had failed at the first look: F is known only from there on."
    return "ok", ""


def _describe_truncated(records: Intervals, n_units: float, fit: TruncatedFit) -> tuple[str, str]:
    status, reason = _describe(records, n_units)
    if fit.emptied is not None:
        at = fit.emptied
        return "risk_set_emptied", (
            f"All {at.n_units:g} watched between ages {at.left:g} and {at.right:g} failed there, and the curve ends at 1, "
            f"although others were first seen later, still sound; ask for the chance given age {at.right:g}."
        )
    gap = fit.is_free & (fit.right < np.inf)
    if status == "ok" and gap.any():
        at_gap = int(np.argmax(gap))
        return "gap", (
            f"No record tells how many failed between ages {fit.left[at_gap]:g} and {fit.right[at_gap]:g}: "
            "from there on the curve is not determined."
        )
    return status, reason


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

"""Likelihood intervals of an `IntervalRegression`: coefficients, chances and ages.

An interval holds all values c of a quantity for which the best fit that is forced to say c is no more than
q / 2 log-likelihood units below the best fit of all, q the chi-squared quantile on one degree of freedom
(Wilks 1938, Ann. Math. Statist. 9:60; Venzon & Moolgavkar 1988, Appl. Statist. 37:87, both from memory).
Priors of the fit count as part of the likelihood. Unlike estimate ± standard errors such intervals do not
depend on the scale, are lopsided where the records are, and exist without an estimate: where nothing was
ever seen failed, the chance of failure runs from 0 to what so many sound pipes can still be squared with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import chi2
from sklearn.utils.validation import check_is_fitted

from models.errors import ModelInputError
from models.interval_likelihood import Derivatives, flat_start
from models.intervals import FloatArray
from models.newton import Optimum, maximise
from models.predictions import asked
from models.quantities import FARTHEST, Placement, Quantity, age_of, chance_of, parameter_of
from models.regression import IntervalRegression

#: First step outwards where no standard error says how far to go [log units].
FIRST_STEP = 0.25
#: Longest first step, and the change of a coefficient by which slopes are taken.
LONGEST_FIRST_STEP = 5.0
NUDGE = 1e-6
#: Limits are found to within this [log units].
ROOT_TOLERANCE = 1e-7
#: Newton steps allowed for one value, and walks outwards.
MOST_STEPS = 40
MOST_WALKS = 6
#: Where the loss at a limit found roughly [log units] is not what is allowed to within this [root of
#: log-likelihood units], it jumped.
ROUGHLY, JUMP = 1e-3, 0.2
#: Log-likelihood that a fit may still have to gain, to count as the best there is.
LARGEST_PROMISE = 1e-4
#: Losses of log-likelihood beyond this are all alike.
LARGEST_LOSS = 1e6


@dataclass(frozen=True)
class ProfileInterval:
    """Likelihood intervals of some quantities.

    Attributes
    ----------
    lower, upper : ndarray, shape (n,)
        Limits; infinite (ages: 0 or inf, chances: 0 or 1) where the records set none.
    level : float
    """

    lower: FloatArray
    upper: FloatArray
    level: float


def parameter_intervals(fit: IntervalRegression, *, level: float = 0.95) -> ProfileInterval:
    """Likelihood intervals of all `parameters_`.

    Parameters
    ----------
    fit : IntervalRegression
        Fitted, with any status but "no_records" and "not_converged".
    level : float
        Above 0 and below 1.

    Returns
    -------
    ProfileInterval
        In the order of `parameter_names_`.

    Raises
    ------
    ModelInputError
        If the fit had no records, or had not settled.
    """
    search = _Search(fit, level)
    found = [search.interval(parameter_of(fit, i)) for i in range(len(fit.parameter_names_))]
    limits = np.array(found) / fit._unit[:, None]
    return ProfileInterval(limits[:, 0], limits[:, 1], level)


def chance_intervals(
    fit: IntervalRegression,
    age: ArrayLike,
    X: ArrayLike | None = None,
    *,
    given_survival_to: ArrayLike = 0.0,
    exposure: ArrayLike = 1.0,
    shape_X: ArrayLike | None = None,
    level: float = 0.95,
) -> ProfileInterval:
    """Likelihood intervals of the chance of failure by an age, given survival to another.

    Parameters
    ----------
    fit, level
        As in `parameter_intervals`.
    age, X, given_survival_to, exposure, shape_X
        As in `IntervalRegression.failure_probability`; each row costs some dozen short fits.

    Returns
    -------
    ProfileInterval
        0 and 0 where age <= given_survival_to.

    Raises
    ------
    ModelInputError
        If the fit had no records, shapes do not match, or a row of covariates is all 0.
    """
    search = _Search(fit, level)
    x, until, since, factor = _aligned(
        fit, X, shape_X, age=age, given_survival_to=given_survival_to, exposure=exposure
    )
    low, high = np.zeros(len(x)), np.zeros(len(x))
    for i in np.flatnonzero(until > since):
        limits = search.interval(chance_of(fit, x[i], float(until[i]), float(since[i])))
        limits = tuple(-np.expm1(-np.exp(c) * factor[i]) for c in limits)
        low[i], high[i] = limits
    return ProfileInterval(low, high, level)


def age_intervals(
    fit: IntervalRegression,
    probability: ArrayLike,
    X: ArrayLike | None = None,
    *,
    given_survival_to: ArrayLike = 0.0,
    exposure: ArrayLike = 1.0,
    shape_X: ArrayLike | None = None,
    level: float = 0.95,
) -> ProfileInterval:
    """Likelihood intervals of the age by which a share has failed [years]; as in `chance_intervals`.

    `probability` is the share, shape (n,) or scalar, above 0 and below 1.
    """
    search = _Search(fit, level)
    x, share, since, factor = _aligned(
        fit, X, shape_X, probability=probability, given_survival_to=given_survival_to, exposure=exposure
    )
    wanted = -np.log1p(-share) / factor
    found = [
        search.interval(age_of(fit, row, float(w), float(a)))
        for row, w, a in zip(x, wanted, since, strict=True)
    ]
    limits = since[:, None] + np.exp(np.array(found).reshape(-1, 2))
    return ProfileInterval(limits[:, 0], limits[:, 1], level)


def _aligned(
    fit: IntervalRegression, X: ArrayLike | None, shape_X: ArrayLike | None, **given: ArrayLike
) -> tuple[FloatArray, ...]:
    """Design rows in the fit's units and what goes with each, all of one length."""
    check_is_fitted(fit, "parameters_")
    x = fit._design_rows(X, shape_X) / fit._unit
    arrays = asked(**given)
    try:
        (n,) = np.broadcast_shapes((len(x),), *(array.shape for array in arrays))
    except ValueError as error:
        raise ModelInputError(f"{len(x)} rows of covariates do not go with {', '.join(given)}.") from error
    return np.broadcast_to(x, (n, x.shape[1])), *(np.broadcast_to(array, n) for array in arrays)


# -- search for the limits ---------------------------------------------------------------------------------


class _Search:
    """Finds where the restricted fit of a quantity becomes too bad."""

    def __init__(self, fit: IntervalRegression, level: float) -> None:
        check_is_fitted(fit, "parameters_")
        if not 0.0 < level < 1.0:
            raise ModelInputError(f"level is {level}; it must lie between 0 and 1.")
        if fit.status_ == "no_records":
            raise ModelInputError(f"there is no interval. {fit.reason_}")
        self.fit = fit
        self.objective: Derivatives = fit._objective(fit._records, fit._prior_used)
        self.root = float(np.sqrt(chi2.ppf(level, 1)))
        optimum: Optimum[FloatArray] | None = fit._optimum
        if optimum is not None and not _is_settled(optimum):
            raise ModelInputError("there is no interval: the fit itself had not settled.")
        # Without failures, or without survivors, the log-likelihood comes as near to 0 as one likes.
        self.best = 0.0 if optimum is None else optimum.value
        self.covariance: FloatArray | None = None
        if optimum is not None and fit.status_ == "ok":
            self.covariance = np.asarray(np.linalg.inv(-optimum.hessian), dtype=np.float64)
        self.coef = flat_start(fit._records) if optimum is None else optimum.x

    def interval(self, quantity: Quantity) -> tuple[float, float]:
        """Lower and upper limit on the quantity's scale."""
        lowest, highest = quantity.limits
        if self.fit._optimum is None:
            # All sound: chances may be as low and ages as high as one likes. All failed: the reverse.
            if quantity.sense == (1 if self.fit.status_ == "no_failures" else -1):
                return -np.inf, self._limit(quantity, lowest, 1.0)
            if quantity.sense:
                return self._limit(quantity, highest, -1.0), np.inf
            return -np.inf, np.inf
        centre = float(np.clip(quantity.value(self.coef), lowest, highest))
        return self._limit(quantity, centre, -1.0), self._limit(quantity, centre, 1.0)

    def _first_step(self, quantity: Quantity) -> float:
        """A little beyond where the standard error puts the limit."""
        if self.covariance is None:
            return FIRST_STEP
        nudges = np.eye(len(self.coef)) * NUDGE
        centre = quantity.value(self.coef)
        slope = np.array([quantity.value(self.coef + nudge) - centre for nudge in nudges]) / NUDGE
        variance = float(slope @ self.covariance @ slope)
        return float(np.clip(1.05 * self.root * np.sqrt(max(variance, 0.0)), 1e-3, LONGEST_FIRST_STEP))

    def _limit(self, quantity: Quantity, start: float, direction: float) -> float:
        """Walk outwards until the restricted fit is too bad, then close in.

        A restricted fit can only miss its maximum, and look worse than it is. Where that happens the loss
        jumps; then the walk goes on from before the jump, in smaller steps.
        """
        path = _Path(self, quantity, start)
        edge = quantity.limits[0] if direction < 0 else quantity.limits[1]
        if not np.isfinite(edge):
            edge = start + direction * FARTHEST
        inside, step = start, self._first_step(quantity)
        for walk in range(MOST_WALKS):
            while True:
                outside = inside + direction * step
                if (outside - edge) * direction >= 0.0:
                    outside = edge
                if path.excess(outside) >= 0.0:
                    break
                if outside == edge:
                    return direction * np.inf
                inside, step = outside, 2.0 * step
            found = brentq(path.excess, inside, outside, xtol=ROUGHLY)
            # What jumps to the last is a curve as steep as one likes.
            if abs(path.excess(found)) < JUMP or walk == MOST_WALKS - 1:
                break
            inside, step = path.back_to_last_inside(direction), max(0.1 * abs(outside - inside), 1e-3)
        # All that was tried is remembered: this goes on from there.
        return float(brentq(path.excess, inside, outside, xtol=ROOT_TOLERANCE, rtol=1e-10))


class _Path:
    """Restricted fits along the values of one quantity, each begun from its nearest neighbour's."""

    def __init__(self, search: _Search, quantity: Quantity, start: float) -> None:
        self.search, self.quantity = search, quantity
        self.first = quantity.free(search.coef)
        self.known = {start: (-search.root, self.first)}

    def excess(self, c: float) -> float:
        """Root of twice the loss of log-likelihood, less what is allowed; nearly a line in c."""
        if c not in self.known:
            restricted = _restricted(self.search.objective, self.quantity.place(c))
            begin = self.known[min(self.known, key=lambda other: abs(other - c))][1]
            # Should the neighbour's be out of bounds here, from the beginning.
            begin = begin if np.isfinite(restricted(begin)[0]) else self.first
            found = maximise(restricted, begin, max_steps=MOST_STEPS)
            loss = self.search.best - found.value if np.isfinite(found.value) else LARGEST_LOSS
            root = float(np.sqrt(2.0 * np.clip(loss, 0.0, LARGEST_LOSS)))
            self.known[c] = root - self.search.root, found.x
        return self.known[c][0]

    def back_to_last_inside(self, direction: float) -> float:
        """Forget all values that were found too bad, and return the outermost that was not."""
        self.known = {c: value for c, value in self.known.items() if value[0] < 0.0}
        return direction * max(direction * c for c in self.known)


def _is_settled(optimum: Optimum[FloatArray]) -> bool:
    """Whether another Newton step promises next to nothing; it may do so on a ridge without a peak."""
    curvature, axes = np.linalg.eigh(-optimum.hessian)
    along = axes.T @ optimum.gradient
    floor = max(float(np.abs(curvature).max()) * 1e-14, 1e-12)
    return bool(0.5 * np.sum(along**2 / np.maximum(np.abs(curvature), floor)) < LARGEST_PROMISE)


def _restricted(objective: Derivatives, place: Placement) -> Derivatives:
    """The objective as a function of the free coefficients."""

    def derivatives(free: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        coef, slope, bend = place(free)
        if not np.isfinite(coef).all():
            return -np.inf, np.zeros(len(free)), np.zeros((len(free), len(free)))
        value, gradient, hessian = objective(coef)
        return value, slope.T @ gradient, slope.T @ hessian @ slope + bend(gradient)

    return derivatives

"""What a regression can be forced to say, for the likelihood intervals of `models.profile`.

A quantity turns the search over all coefficients with a constraint into one over fewer without: forcing the
curve of one row of covariates through a point leaves its log scale a function of its log shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from models.errors import ModelInputError
from models.families import cumulative_hazard, hazard_value
from models.intervals import FloatArray
from models.regression import IntervalRegression

#: Limits of log cumulative hazard within which a chance is told from 0 and 1.
LOG_HAZARD_LIMITS = (-35.0, 4.0)
#: Curves so flat that their log scale lies beyond this are left out of the search.
FLATTEST = 1e9
#: A coefficient or log age this far [log units] from where the search began has no limit on that side.
FARTHEST = 60.0

#: Free coefficients to all coefficients, the matrix of derivatives, and the curvature that the
#: gradient by all coefficients brings in.
Placement = Callable[[FloatArray], tuple[FloatArray, FloatArray, Callable[[FloatArray], FloatArray]]]


@dataclass(frozen=True)
class Quantity:
    """Something that fits can be forced to say, on a scale c on which it is unbounded.

    `place(c)` maps free coefficients to all; `free(coef)` is the reverse; `value(coef)` is c.
    """

    place: Callable[[float], Placement]
    free: Callable[[FloatArray], FloatArray]
    value: Callable[[FloatArray], float]
    limits: tuple[float, float]
    #: 1 where c rises with the chance of failure, -1 where it falls, 0 where it does neither.
    sense: int = 0


def parameter_of(fit: IntervalRegression, index: int) -> Quantity:
    """One coefficient, in the fit's units."""
    size = len(fit.parameter_names_)
    others = np.delete(np.arange(size), index)
    slope = np.eye(size)[:, others]
    flat = np.zeros((size - 1, size - 1))

    def place(c: float) -> Placement:
        fixed = np.zeros(size)
        fixed[index] = c
        return lambda free: (fixed + slope @ free, slope, lambda _: flat)

    return Quantity(place, lambda coef: coef[others], lambda coef: float(coef[index]), (-np.inf, np.inf))


def chance_of(fit: IntervalRegression, row: FloatArray, until: float, since: float) -> Quantity:
    """Log of the cumulative hazard between two ages, for exposure 1."""
    curve = _Curve(fit, row)
    return Quantity(
        lambda c: curve.through(np.log(until), _log(since), c),
        curve.free,
        lambda coef: curve.log_hazard(coef, np.log(until), _log(since)),
        LOG_HAZARD_LIMITS,
        sense=1,
    )


def age_of(fit: IntervalRegression, row: FloatArray, wanted: float, since: float) -> Quantity:
    """Log of the years after `since` in which the cumulative hazard grows by `wanted`."""
    curve = _Curve(fit, row)

    def value(coef: FloatArray) -> float:
        def above(c: float) -> float:
            return curve.log_hazard(coef, float(np.log(since + np.exp(c))), _log(since)) - float(
                np.log(wanted)
            )

        centre = float(curve.predictors(coef)[0])
        low, high = centre - FARTHEST, centre + FARTHEST
        # A curve so flat that it gets there beyond all ages, or before them.
        if above(low) >= 0.0 or above(high) <= 0.0:
            return low if above(low) >= 0.0 else high
        return float(brentq(above, low, high))

    # Longer ages than these are no ages of pipes, nor are shorter ones told from 0.
    limits = (-FARTHEST, FARTHEST)
    return Quantity(
        lambda c: curve.through(np.log(since + np.exp(c)), _log(since), np.log(wanted)),
        curve.free,
        value,
        limits,
        sense=-1,
    )


def _log(age: float) -> float:
    return float(np.log(age)) if age > 0.0 else -np.inf


class _Curve:
    """The curve of one row of covariates, and coefficients rearranged so that one of them is its scale.

    Forcing the curve through a point leaves log scale a function m(log shape) found by root search;
    m' and m'' follow from the derivatives of the cumulative hazard (implicit function theorem).
    """

    def __init__(self, fit: IntervalRegression, row: FloatArray) -> None:
        p = int(fit.has_added_intercept_) + fit.n_features_in_
        self.family, self.x, self.z = fit.family, row[:p], row[p:]
        self.p, self.size = p, len(row)
        length = float(self.x @ self.x)
        if length == 0.0:
            raise ModelInputError("this row of covariates is all 0, so that no coefficient moves its curve.")
        self.along = np.zeros(self.size)
        self.along[:p] = self.x / length
        # Directions of β that leave this row's log scale alone, then log shape.
        across = np.linalg.svd(self.x[None, :])[2][1:].T
        self.basis = np.zeros((self.size, self.size - 1))
        self.basis[:p, : p - 1] = across
        self.basis[p:, p - 1 :] = np.eye(self.size - p)

    def predictors(self, coef: FloatArray) -> tuple[float, float]:
        return float(self.x @ coef[: self.p]), float(self.z @ coef[self.p :])

    def free(self, coef: FloatArray) -> FloatArray:
        result: FloatArray = self.basis.T @ coef
        return result

    def log_hazard(self, coef: FloatArray, log_until: float, log_since: float) -> float:
        with np.errstate(divide="ignore"):
            return float(np.log(self._growth(*self.predictors(coef), log_until, log_since)))

    def through(self, log_until: float, log_since: float, log_wanted: float) -> Placement:
        """Coefficients for which log[H(until) - H(since)] is `log_wanted`."""

        def place(
            free: FloatArray,
        ) -> tuple[FloatArray, FloatArray, Callable[[FloatArray], FloatArray]]:
            log_shape = float(self.z @ free[self.p - 1 :])
            scale, first, second = self._scale_through(log_shape, log_until, log_since, log_wanted)
            slope = self.basis.copy()
            slope[:, self.p - 1 :] += first * np.outer(self.along, self.z)

            def bend(gradient: FloatArray) -> FloatArray:
                added = np.zeros((self.size - 1, self.size - 1))
                pull = second * float(gradient @ self.along)
                added[self.p - 1 :, self.p - 1 :] = pull * np.outer(self.z, self.z)
                return added

            return self.basis @ free + self.along * scale, slope, bend

        return place

    def _growth(self, scale: float, shape: float, log_until: float, log_since: float) -> float:
        ages = np.array([log_until, log_since])
        until, since = hazard_value(self.family, ages, np.full(2, scale), np.full(2, shape))
        return float(until - since)

    def _between(self, scale: float, shape: float, log_until: float, log_since: float) -> FloatArray:
        one = np.ones(1)
        until, since = (
            cumulative_hazard(self.family, one * t, one * scale, one * shape)[:, 0]
            for t in (log_until, log_since)
        )
        result: FloatArray = until - since
        return result

    def _scale_through(
        self, shape: float, log_until: float, log_since: float, log_wanted: float
    ) -> tuple[float, float, float]:
        """Log scale and its first two derivatives by log shape."""

        def above(scale: float) -> float:
            hazard = self._growth(scale, shape, log_until, log_since)
            return float(np.log(max(hazard, 1e-300))) - log_wanted

        low, high = log_until - 1.0, log_until + 1.0
        while above(low) < 0.0 and low > -FLATTEST:
            low -= 2.0 * (high - low)
        while above(high) > 0.0 and high < FLATTEST:
            high += 2.0 * (high - low)
        if above(low) < 0.0 or above(high) > 0.0:
            return np.nan, 0.0, 0.0
        scale = float(brentq(above, low, high, xtol=1e-13, rtol=1e-14))
        _, d1, d2, d11, d12, d22 = self._between(scale, shape, log_until, log_since)
        if d1 == 0.0:
            return scale, 0.0, 0.0
        first = -d2 / d1
        return scale, first, -(d22 + 2.0 * d12 * first + d11 * first**2) / d1

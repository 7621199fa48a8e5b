"""The survival chance of a covariate row at an age, and its derivatives: what all likelihoods of looks are sums of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from models.looks import FloatArray

#: Age at which a covariate row's hazard is stated [years]. Records speak of ages about this one: stated here, what
#: they tell of the hazard and of its slope hardly depend on each other, which the age at which 63 % have failed
#: (often far beyond any record) would make them do.
REFERENCE_AGE = 40.0
#: Cap on the cumulative hazard on the log scale: beyond it S is 0 to double precision.
LARGEST_LOG_HAZARD = 20.0


@dataclass(frozen=True)
class Predictors:
    """Linear predictors, one value per covariate row (last axis), or per draw and row.

    `log_hazard` is the log cumulative hazard at `REFERENCE_AGE` and `log_shape` its log slope by log age;
    `start` is the log odds of having failed from the start, None where no pipe has.
    """

    log_hazard: FloatArray
    log_shape: FloatArray
    start: FloatArray | None

    @property
    def all(self) -> tuple[FloatArray, ...]:
        """Those that there are, in the order of the coefficients."""
        both = (self.log_hazard, self.log_shape)
        return both if self.start is None else (*both, self.start)


@dataclass(frozen=True)
class Weibull:
    """S and its derivatives by the predictors, one value per atom.

    `first[i]` is dS / dη_i and `second[i][j]` (j <= i) is d²S / dη_i dη_j, η in the order of
    `Predictors.all`.
    """

    survival: FloatArray
    failed: FloatArray
    first: tuple[FloatArray, ...]
    second: tuple[tuple[FloatArray, ...], ...]


def log_age_from_reference(age: FloatArray) -> FloatArray:
    """Log of an age over `REFERENCE_AGE`; -inf at and below 0."""
    with np.errstate(divide="ignore"):
        result: FloatArray = np.log(np.maximum(age, 0.0)) - np.log(REFERENCE_AGE)
    return result


def weibull_atoms(log_age: FloatArray, at_atom: tuple[FloatArray, ...]) -> Weibull:
    """S = (1 - δ) exp(-H), H = e^h (age / reference)^shape, and derivatives up to the second.

    `log_age` is from the reference age; `at_atom` holds h, log shape and, where pipe may have failed from the
    start, logit δ.
    """
    shape = np.exp(np.minimum(at_atom[1], LARGEST_LOG_HAZARD))
    v = shape * log_age
    hazard = np.exp(np.minimum(at_atom[0] + v, LARGEST_LOG_HAZARD))
    lost = np.logaddexp(0.0, at_atom[2]) if len(at_atom) > 2 else np.zeros_like(hazard)
    survival = np.exp(-hazard - lost)
    s_h = survival * hazard
    # d(s_h) / dh: all second derivatives come from it.
    slope = s_h * (1.0 - hazard)
    first: tuple[FloatArray, ...] = (-s_h, -s_h * v)
    second: tuple[tuple[FloatArray, ...], ...] = ((-slope,), (-slope * v, -v * (s_h + slope * v)))
    if len(at_atom) > 2:
        share = expit(at_atom[2])
        by_start = (-share * first[0], -share * first[1], -share * (1.0 - 2.0 * share) * survival)
        first, second = (*first, -share * survival), (*second, by_start)
    return Weibull(survival=survival, failed=-np.expm1(-hazard - lost), first=first, second=second)

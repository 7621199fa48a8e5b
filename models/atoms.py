"""The survival chance of a covariate row at an age, and its derivatives: what all likelihoods of looks are sums of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from models.laws import REFERENCE_AGE, link, time_scale
from models.looks import FloatArray, IntArray


@dataclass(frozen=True)
class Predictors:
    """Linear predictors, one value per covariate row (last axis), or per draw and row.

    `log_hazard` is the level at `REFERENCE_AGE` and `log_shape` the log slope by age, as `models.laws` has them;
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

    def take(self, row: IntArray) -> Predictors:
        """Predictors of some rows, or of rows that share theirs."""
        start = None if self.start is None else self.start[..., row]
        return Predictors(self.log_hazard[..., row], self.log_shape[..., row], start)


@dataclass(frozen=True)
class Atoms:
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


def life_atoms(code: int, log_age: FloatArray, at_atom: tuple[FloatArray, ...]) -> Atoms:
    """S = (1 - δ) exp(-G(u)) of a law, and derivatives up to the second.

    `log_age` is from the reference age, above 0; `at_atom` holds h, log shape and, where pipe may have failed from
    the start, logit δ.
    """
    t = time_scale(code, log_age, at_atom[1])
    of_law = link(code, at_atom[0] + t.value)
    lost = np.logaddexp(0.0, at_atom[2]) if len(at_atom) > 2 else np.zeros_like(of_law.value)
    survival = np.exp(-of_law.value - lost)
    s_u = survival * of_law.slope
    # d(s_u) / du: all second derivatives come from it.
    slope = s_u * of_law.bend
    first: tuple[FloatArray, ...] = (-s_u, -s_u * t.slope)
    by_shape = -(s_u * t.bend + slope * t.slope**2)
    second: tuple[tuple[FloatArray, ...], ...] = ((-slope,), (-slope * t.slope, by_shape))
    if len(at_atom) > 2:
        share = expit(at_atom[2])
        by_start = (-share * first[0], -share * first[1], -share * (1.0 - 2.0 * share) * survival)
        first, second = (*first, -share * survival), (*second, by_start)
    return Atoms(survival=survival, failed=-np.expm1(-of_law.value - lost), first=first, second=second)

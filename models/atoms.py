"""The survival chance of a covariate row at an age, and its derivatives: what all likelihoods of looks are sums of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from models.laws import REFERENCE_AGE, cumulative_hazard, link, time_scale
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


def life_chances(
    code: int, log_age: FloatArray, at: Predictors, row: IntArray
) -> tuple[FloatArray, FloatArray]:
    """S and 1 - S of atoms, as `life_atoms` has them."""
    hazard = cumulative_hazard(code, at.log_hazard[row], at.log_shape[row], log_age)
    if at.start is not None:
        hazard += np.logaddexp(0.0, at.start)[row]
    return np.exp(-hazard), -np.expm1(-hazard)


def life_atoms(code: int, log_age: FloatArray, at: Predictors, row: IntArray) -> Atoms:
    """S = (1 - δ) exp(-G(u)) of a law, and derivatives up to the second.

    `log_age` is from the reference age, above 0; `at` holds h, log shape and, where pipe may have failed from the
    start, logit δ of the covariate rows, of which each atom is one.
    """
    t = time_scale(code, log_age, at.log_shape[row])
    of_law = link(code, at.log_hazard[row] + t.value)
    hazard = of_law.value
    if at.start is not None:
        # Rows are few beside atoms: what an age does not change is worked out for rows.
        hazard = hazard + np.logaddexp(0.0, at.start)[row]
    survival = np.exp(-hazard)
    s_u = survival * of_law.slope
    # d(s_u) / du: all second derivatives come from it.
    slope = s_u * of_law.bend
    first: tuple[FloatArray, ...] = (-s_u, -s_u * t.slope)
    by_shape = -(s_u * t.bend + slope * t.slope**2)
    second: tuple[tuple[FloatArray, ...], ...] = ((-slope,), (-slope * t.slope, by_shape))
    if at.start is not None:
        of_row = expit(at.start)
        share = of_row[row]
        bent = (-of_row * (1.0 - 2.0 * of_row))[row]
        by_start = (-share * first[0], -share * first[1], bent * survival)
        first, second = (*first, -share * survival), (*second, by_start)
    return Atoms(survival=survival, failed=-np.expm1(-hazard), first=first, second=second)

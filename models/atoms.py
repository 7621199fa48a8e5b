"""The survival chance of a covariate row at an age, and its derivatives: what all likelihoods of looks are sums of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from models.laws import REFERENCE_AGE, Scale, cumulative_hazard, link, time_scale
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

    def take(self, row: IntArray) -> Predictors:
        """Predictors of some rows, or of rows that share theirs."""
        start = None if self.start is None else self.start[..., row]
        return Predictors(self.log_hazard[..., row], self.log_shape[..., row], start)


@dataclass(frozen=True)
class Atoms:
    """S and 1 - S, one value per atom, and what derivatives by the predictors are made of when asked for.

    All of them at once would be a dozen arrays as long as there are atoms. Predictors η are numbered: log hazard,
    log shape, start.
    """

    survival: FloatArray
    failed: FloatArray
    _fall: FloatArray
    _bend: FloatArray
    _scale: Scale
    _start: tuple[FloatArray, FloatArray] | None

    @property
    def n_predictors(self) -> int:
        """Number of predictors."""
        return 2 if self._start is None else 3

    def first(self, i: int) -> FloatArray:
        """Return dS / dη_i."""
        if i == 2:
            return -self._shares[0] * self.survival
        return -self._fall if i == 0 else -self._fall * self._scale.slope

    def second(self, i: int, j: int) -> FloatArray:
        """Return d²S / dη_i dη_j, j <= i."""
        if i == 2:
            share, bent = self._shares
            return bent * self.survival if j == 2 else -share * self.first(j)
        if i == 0:
            return -self._bend
        if j == 0:
            return -self._bend * self._scale.slope
        return -(self._fall * self._scale.bend + self._bend * self._scale.slope**2)

    @property
    def _shares(self) -> tuple[FloatArray, FloatArray]:
        assert self._start is not None
        return self._start


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
    fall = survival * of_law.slope
    start = None
    if at.start is not None:
        share = expit(at.start)
        start = share[row], (-share * (1.0 - 2.0 * share))[row]
    # d(fall) / du: all second derivatives come from it.
    return Atoms(survival, -np.expm1(-hazard), fall, fall * of_law.bend, t, start)

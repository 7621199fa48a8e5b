"""Chances of survival under many parameter draws at once, for covariate rows that share most of what they are.

A row's law is that of its covariates, times what its area does to the hazard. Rows are many (covariates by areas),
kinds of covariates and areas are few: tables are kept by kind and by area, and multiplied where they meet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray
from scipy import sparse
from scipy.special import expit

from models.fitted_lives import FittedLives
from models.laws import (
    GOMPERTZ,
    LARGEST_EXPONENT,
    LARGEST_LOG_HAZARD,
    LOG_LOGISTIC,
    REFERENCE_AGE,
    WEIBULL,
    code_of,
    standard_form,
)
from models.looks import FloatArray, IntArray
from models.patterns import Forms, kinds_of_rows, mix, words

#: Chances worked at once: with 200 draws they stay in the processor's cache.
CHANCES_AT_ONCE = 1_000


@dataclass(frozen=True)
class DrawnLaws:
    """Laws of covariate rows under parameter draws.

    Attributes
    ----------
    law : int
        From `models.laws.code_of`.
    kind, area : ndarray of int, shape (n_rows,)
        Kind of covariates and area of each row; the last area is an average one.
    log_scale, shape : ndarray, shape (n_kinds, n_draws)
        The law in its standard form (`models.laws.standard_form`).
    from_start : ndarray, shape (n_kinds, n_draws), or None
        Chance of not being bad from the start; None where no pipe is.
    of_area : ndarray, shape (n_areas + 1, n_draws)
        What the area multiplies the hazard by (the odds, where covariates multiply those).
    """

    law: int
    kind: IntArray
    area: IntArray
    log_scale: FloatArray
    shape: FloatArray
    from_start: FloatArray | None
    of_area: FloatArray

    @property
    def n_draws(self) -> int:
        """Number of parameter draws."""
        return int(self.shape.shape[1])

    def flat(self, log_hazard: float) -> DrawnLaws:
        """One draw of a Weibull law of shape 1 and the given log hazard for every row."""
        n = len(self.shape)
        return DrawnLaws(
            law=WEIBULL,
            kind=self.kind,
            area=np.zeros_like(self.area),
            log_scale=np.full((n, 1), np.log(REFERENCE_AGE) - log_hazard),
            shape=np.ones((n, 1)),
            from_start=None,
            of_area=np.ones((1, 1)),
        )


def drawn_laws(
    fitted: FittedLives,
    X: ArrayLike,
    Z: ArrayLike,
    W: ArrayLike | None,
    draws: FloatArray,
    group: IntArray | None,
) -> DrawnLaws:
    """Laws of covariate rows under draws from `fitted.draws`.

    Parameters
    ----------
    fitted : FittedLives
        The fit.
    X, Z, W : array, shape (n_rows, p), (n_rows, q) and (n_rows, r)
        As in `FittedLives.failure_probability`.
    draws : ndarray, shape (n_draws, …)
        Coefficients, and behind them the areas' effects if any.
    group : ndarray of int, shape (n_rows,), or None
        Area of each row, -1 for an average one.

    Raises
    ------
    ModelInputError
        As `FittedLives.predictors` does.
    """
    designs = [np.atleast_2d(np.asarray(a, dtype=np.float64)) for a in (X, Z, W) if a is not None]
    first, kind = kinds_of_rows(designs)
    of_kind = [design[first] for design in designs]
    at = fitted.predictors(of_kind[0], of_kind[1], of_kind[2] if W is not None else None, draws)
    n_areas = draws.shape[1] - len(fitted.names)
    area = np.full(len(kind), n_areas) if group is None else np.where(group < 0, n_areas, group)
    of_area = np.exp(np.concatenate((draws[:, len(fitted.names) :], np.zeros((len(draws), 1))), axis=1).T)
    log_scale, shape = standard_form(fitted.law, at.log_hazard.T, at.log_shape.T)
    return DrawnLaws(
        law=code_of(fitted.law),
        kind=kind,
        area=area,
        log_scale=np.ascontiguousarray(log_scale),
        shape=np.ascontiguousarray(shape),
        from_start=None if at.start is None else np.ascontiguousarray(expit(-at.start).T),
        of_area=np.ascontiguousarray(of_area),
    )


def survive(forms: Forms, laws: DrawnLaws, dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """Values of linear forms under every draw.

    Parameters
    ----------
    forms : Forms
        Sums of chances of survival.
    laws : DrawnLaws
        Of the rows that the forms point to.
    dtype : dtype
        Single precision is twice as fast, and enough where a form is a chance and no ratio is taken.

    Returns
    -------
    ndarray, shape (n_forms, n_draws)
        Not below 0.
    """
    if len(forms.row) == 0:
        return np.repeat(forms.constant[:, None], laws.n_draws, axis=1).astype(dtype)
    kind, area = laws.kind[forms.row], laws.area[forms.row]
    key = mix(words(forms.age) + mix(kind.astype(np.uint64)))
    _, first, at_age = np.unique(key, return_index=True, return_inverse=True)
    _, atom_first, atom = np.unique(at_age * len(laws.of_area) + area, return_index=True, return_inverse=True)
    hazard = _hazards(laws, kind[first], np.log(forms.age[first]), dtype)
    chance = _chances(laws, hazard, at_age[atom_first], kind[atom_first], area[atom_first])
    sums = sparse.csr_array(
        (forms.coef.astype(dtype), (forms.form, atom)), shape=(forms.n_forms, len(atom_first))
    )
    value: NDArray[Any] = sums @ chance
    value += forms.constant.astype(dtype)[:, None]
    np.maximum(value, 0.0, out=value)
    return value


def _hazards(laws: DrawnLaws, kind: IntArray, log_age: FloatArray, dtype: DTypeLike) -> NDArray[Any]:
    """Cumulative hazard (odds, under the log-logistic) of kinds at ages in an average area, shape (n, n_draws)."""
    if laws.law == GOMPERTZ:
        # Its parts may lie beyond the reach of single precision, their product does not.
        dtype = np.float64
    out = np.empty((len(kind), laws.n_draws), dtype=dtype)
    log_age, log_scale, shape = (x.astype(dtype) for x in (log_age, laws.log_scale, laws.shape))
    for a in range(0, len(kind), CHANCES_AT_ONCE):
        here, of_kind = out[a : a + CHANCES_AT_ONCE], kind[a : a + CHANCES_AT_ONCE]
        np.subtract(log_age[a : a + CHANCES_AT_ONCE, None], log_scale[of_kind], out=here)
        if laws.law == GOMPERTZ:
            np.exp(here, out=here)
            np.expm1(np.minimum(here, LARGEST_EXPONENT, out=here), out=here)
            here *= shape[of_kind]
        else:
            here *= shape[of_kind]
            np.exp(np.minimum(here, LARGEST_LOG_HAZARD, out=here), out=here)
    return out


def _chances(
    laws: DrawnLaws, hazard: NDArray[Any], at: IntArray, kind: IntArray, area: IntArray
) -> NDArray[Any]:
    """Chance of survival of atoms, each an entry of `hazard` in an area, shape (n_atoms, n_draws)."""
    out = np.empty((len(at), laws.n_draws), dtype=hazard.dtype)
    of_area = laws.of_area.astype(hazard.dtype)
    from_start = None if laws.from_start is None else laws.from_start.astype(hazard.dtype)
    for a in range(0, len(at), CHANCES_AT_ONCE):
        part = slice(a, a + CHANCES_AT_ONCE)
        here = hazard[at[part]]
        here *= of_area[area[part]]
        if laws.law == LOG_LOGISTIC:
            here += 1.0
            np.reciprocal(here, out=out[part])
        else:
            np.exp(np.negative(here, out=here), out=out[part])
        if from_start is not None:
            out[part] *= from_start[kind[part]]
    return out

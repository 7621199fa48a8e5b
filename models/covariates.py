"""Covariates as given, checked and brought to a usual size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from models.errors import ModelInputError
from models.interval_likelihood import Rows
from models.intervals import FloatArray, numbers

#: Covariates whose root mean square lies within these limits are used in the units given.
USUAL_SIZE = (0.1, 10.0)
#: Beyond this, squares are no numbers any more.
LARGEST = 1e100


def covariate_matrix(given: ArrayLike | None, n: int, name: str) -> FloatArray:
    """Covariates to fit to, shape (n, p); a flat array is one column, None is none. Names a bad row."""
    if given is None:
        return np.zeros((n, 0))
    array = numbers(given, name)
    array = array[:, None] if array.ndim == 1 else array
    if array.ndim != 2 or len(array) != n:
        raise ModelInputError(f"{name} has shape {array.shape}; it must have {n} rows.")
    _refuse_not_finite(array, name)
    return array


def exposure_factor(given: ArrayLike | None, n: int) -> FloatArray:
    """Exposure of n records, 1 where none is given. Names a bad row."""
    factor = np.ones(n) if given is None else numbers(given, "exposure")
    if factor.shape != (n,):
        raise ModelInputError(f"exposure must have {n} entries.")
    wrong = ~(np.isfinite(factor) & (factor > 0))
    if wrong.any():
        raise ModelInputError("exposure must be a number above 0.", row=int(np.argmax(wrong)))
    return factor


def spans_constant(X: FloatArray) -> bool:
    """Whether some combination of columns is constant, so that an intercept would be one too many."""
    if X.shape[1] == 0 or len(X) == 0:
        return False
    # Normal equations suffice: this only tells 0 from clearly more.
    gram, total = X.T @ X, X.sum(axis=0)
    fitted = np.linalg.lstsq(gram, total, rcond=None)[0]
    return bool(abs(len(X) - total @ fitted) < 1e-9 * len(X))


def prediction_rows(given: ArrayLike | None, n_columns: int, name: str) -> FloatArray:
    """Covariates at which to predict: rows of them, one row, or a column of the only covariate."""
    if given is None:
        return np.zeros((1, 0))
    array = numbers(given, name)
    if array.ndim <= 1:
        array = array.reshape(-1, 1) if n_columns == 1 else array.reshape(1, -1)
    _refuse_not_finite(array, name)
    return array


def _refuse_not_finite(array: FloatArray, name: str) -> None:
    wrong = ~np.isfinite(array).all(axis=1)
    if wrong.any():
        raise ModelInputError(f"{name} holds NaN or infinity.", row=int(np.argmax(wrong)))
    wrong = (np.abs(array) > LARGEST).any(axis=1)
    if wrong.any():
        raise ModelInputError(
            f"{name} holds a number beyond {LARGEST:g}; use another unit.", row=int(np.argmax(wrong))
        )


def covariate_units(rows: Rows) -> FloatArray:
    """Size of each covariate, 1 where it is usual: the search and its verdict must not depend on units."""
    size = np.concatenate([np.sqrt(np.einsum("ij,ij->j", A, A) / max(len(A), 1)) for A in (rows.X, rows.Z)])
    usual = (size == 0.0) | ((size >= USUAL_SIZE[0]) & (size <= USUAL_SIZE[1]))
    result: FloatArray = np.where(usual, 1.0, size)
    return result


def in_units(rows: Rows, unit: FloatArray) -> Rows:
    """Records with covariates divided by `unit`, itself where that changes nothing."""
    if (unit == 1.0).all():
        return rows
    p = rows.X.shape[1]
    return replace(rows, X=rows.X / unit[:p], Z=rows.Z / unit[p:])

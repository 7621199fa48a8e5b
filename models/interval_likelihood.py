"""Log-likelihood of intervals under a family of `models.families`, with gradient and Hessian.

Records are taken in blocks that fit the processor's cache: over a million records, moving arrays to and
from memory would cost more than the arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from models.families import CODE, between_ends, cumulative_hazard, join_ends, log_hazard
from models.intervals import FloatArray
from models.patterns import mix, total_by, words

#: Coefficients to (objective, gradient, Hessian).
Derivatives = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]

#: Records per block: six doubles each and their covariates stay within a second-level cache.
BLOCK = 8_192
#: Records are counted by pattern where a sample of this size repeats itself by half or more.
PATTERN_SAMPLE = 10_000


@dataclass(frozen=True)
class Rows:
    """Records ready for the likelihood; log ages are -inf at 0 and right is +inf where never seen.

    X and Z are the covariates of log scale and log shape, intercepts included.
    """

    X: FloatArray
    Z: FloatArray
    log_left: FloatArray
    log_right: FloatArray
    log_entry: FloatArray | None
    exposure: FloatArray
    weight: FloatArray

    def take(self, which: np.ndarray | slice, weight: FloatArray | None = None) -> Rows:
        """Some of the records, with new weights if given."""
        return Rows(
            self.X[which],
            self.Z[which],
            self.log_left[which],
            self.log_right[which],
            None if self.log_entry is None else self.log_entry[which],
            self.exposure[which],
            self.weight[which] if weight is None else weight,
        )

    def blocks(self) -> Iterator[Rows]:
        """Views of BLOCK records each."""
        for first in range(0, len(self.weight), BLOCK):
            yield self.take(slice(first, first + BLOCK))


def likelihood(family: str, rows: Rows, coef: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood, gradient and Hessian by (β, γ), the coefficients of X and Z.

    A record adds weight · log[S(L)^E - S(R)^E] - E log S(entry) with exposure E, or log(E h(t)) +
    E log S(t) for a known age (Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time
    Data, ch. 3, from memory).
    """
    p, size = rows.X.shape[1], len(coef)
    value, gradient, hessian = 0.0, np.zeros(size), np.zeros((size, size))
    for block in rows.blocks():
        each = _derivatives(family, block, coef)
        each *= block.weight
        X, Z = block.X, block.Z
        value += float(each[0].sum())
        gradient[:p] += each[1] @ X
        gradient[p:] += each[2] @ Z
        hessian[:p, :p] += X.T @ (each[3][:, None] * X)
        hessian[:p, p:] += X.T @ (each[4][:, None] * Z)
        hessian[p:, p:] += Z.T @ (each[5][:, None] * Z)
    hessian[p:, :p] = hessian[:p, p:].T
    return value, gradient, hessian


def log_likelihoods(family: str, rows: Rows, coef: FloatArray) -> FloatArray:
    """Log-likelihood of each record, its weight left out, shape (n,)."""
    parts = [_derivatives(family, block, coef)[0] for block in rows.blocks()]
    return np.concatenate(parts) if parts else np.zeros(0)


def _derivatives(family: str, rows: Rows, coef: FloatArray) -> FloatArray:
    """Log-likelihood of each record and its derivatives by log scale and log shape, shape (6, n)."""
    p = rows.X.shape[1]
    log_scale, log_shape = rows.X @ coef[:p], rows.Z @ coef[p:]
    each = _between(family, rows, log_scale, log_shape)
    exact = np.flatnonzero(rows.log_left == rows.log_right)
    if len(exact):
        at = rows.log_left[exact], log_scale[exact], log_shape[exact]
        density = log_hazard(family, *at)
        density[0] += np.log(rows.exposure[exact])
        each[:, exact] = density - rows.exposure[exact] * cumulative_hazard(family, *at)
    if rows.log_entry is not None:
        each += rows.exposure * cumulative_hazard(family, rows.log_entry, log_scale, log_shape)
    return each


def _between(family: str, rows: Rows, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """log[S(L)^E - S(R)^E] of each record, and its derivatives, shape (6, n)."""
    if family in CODE:
        return between_ends(CODE[family], rows.log_left, rows.log_right, log_scale, log_shape, rows.exposure)
    left, right = (
        cumulative_hazard(family, log_age, log_scale, log_shape)
        for log_age in (rows.log_left, np.where(np.isinf(rows.log_right), -np.inf, rows.log_right))
    )
    out = np.empty_like(left)
    join_ends(left, right, rows.log_right == np.inf, rows.exposure, out)
    return out


def distinct(rows: Rows) -> Rows:
    """Count identical records once, where a sample shows that it pays."""
    n = len(rows.weight)
    columns = [rows.log_left, rows.log_right, rows.exposure, *rows.X.T, *rows.Z.T]
    if rows.log_entry is not None:
        columns.append(rows.log_entry)
    sample = slice(None, None, max(n // PATTERN_SAMPLE, 1))
    if len(np.unique(_keys([c[sample] for c in columns]))) > len(columns[0][sample]) / 2:
        return rows
    _, first, where = np.unique(_keys(columns), return_index=True, return_inverse=True)
    return rows.take(first, total_by(where, rows.weight, len(first)))


def _keys(columns: list[FloatArray]) -> np.ndarray:
    """One word per record, equal where all its columns are (see `patterns.life_signature`)."""
    key = np.zeros(len(columns[0]), dtype=np.uint64)
    for column in columns:
        key = mix(key + np.uint64(1)) + words(column)
    return key


def flat_start(rows: Rows) -> FloatArray:
    """Coefficients of a flat curve through the middle of the ages."""
    ages = np.concatenate((rows.log_left, rows.log_right))
    middle = float(np.median(ages[np.isfinite(ages)]))
    to_scale = np.linalg.lstsq(rows.X.T @ rows.X, rows.X.T @ np.full(len(rows.X), middle), rcond=None)[0]
    to_shape = np.zeros(rows.Z.shape[1])
    to_shape[0] = 0.5
    return np.concatenate((to_scale, to_shape))

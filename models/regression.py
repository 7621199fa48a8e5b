"""Parametric regression on censored ages: Weibull and its neighbours, with covariates.

`IntervalRegression` takes intervals; `models.lives` is its Weibull relative for looks, where install
years, materials or verdicts are not exactly known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator

from models.compiled import compiled
from models.errors import ModelInputError
from models.families import CODE, FAMILIES, cumulative_hazard, hazard_at, log_hazard
from models.intervals import FloatArray, Intervals, check_intervals
from models.looks import BoolArray
from models.newton import Optimum, maximise
from models.patterns import mix, total_by, words

#: Records on which the search starts, before all are used: each saves a pass or two over the next.
WARM_START_ROWS = (4_000, 64_000)
#: Records are counted by pattern where a sample of this size repeats itself by half or more.
PATTERN_SAMPLE = 10_000
#: Floor on the hazard between L and R: its square's reciprocal must not overflow.
SMALLEST_GAP = 1e-140
#: A coefficient this uncertain [log units squared] is not determined by anything.
LARGEST_VARIANCE = 1e4


@dataclass(frozen=True)
class _Rows:
    """Records ready for the likelihood; log ages are -inf at 0 and right is +inf where never seen."""

    X: FloatArray
    Z: FloatArray
    log_left: FloatArray
    log_right: FloatArray
    log_entry: FloatArray | None
    exposure: FloatArray
    weight: FloatArray

    def take(self, which: np.ndarray, weight: FloatArray | None = None) -> _Rows:
        """Some of the records, with new weights if given."""
        return _Rows(
            self.X[which],
            self.Z[which],
            self.log_left[which],
            self.log_right[which],
            None if self.log_entry is None else self.log_entry[which],
            self.exposure[which],
            self.weight[which] if weight is None else weight,
        )


class IntervalRegression(BaseEstimator):  # type: ignore[misc]  # scikit-learn ships no types
    """Regression of failure age on covariates, from intervals (L, R] with counts and late entry.

    Log scale is linear in X and log shape is constant, or linear in `shape_X`. Families and their
    parameters are tabled in `models.families`.

    Parameters
    ----------
    family : {"weibull", "log-logistic", "log-normal", "gamma", "gompertz"}
    fit_intercept : bool
        Add an intercept to X, unless its columns already hold one (span the constant).
    penalty : float
        Precision of a Gaussian prior centred on 0 for every coefficient of X but the intercept.
    max_iterations : int
        Newton steps allowed.

    Attributes
    ----------
    coef_ : ndarray, shape (p,)
        Coefficients of the columns of X [log years per unit].
    intercept_ : float
        0 where X holds the intercept itself.
    log_shape_ : ndarray, shape (q,)
        Coefficients of log shape; the first is its intercept.
    scale_, shape_ : float
        exp of intercept and of the first log shape coefficient.
    parameters_ : ndarray; parameter_names_ : tuple of str
        All of them in the order of `covariance_`: intercept (where added), X, log shape.
    covariance_ : ndarray
        Inverse of the observed information (plus penalty).
    log_likelihood_ : float
        Without penalty.
    aic_ : float
        -2 log-likelihood + 2 parameters.
    n_units_ : float
    status_, reason_ : str
        "ok", "no_records", "no_failures", "all_failed", "not_identified" (e.g. a covariate that
        separates failed from sound) or "not_converged", with one sentence. But for "ok" and
        "not_converged" estimates are NaN.

    Notes
    -----
    Log-likelihood of a record: log[S(L)^E - S(R)^E] - E log S(entry) with exposure E, or
    log(E h(t)) + E log S(t) for a known age. Gradient and Hessian are analytic (for gamma, derivatives
    by shape are five-point differences of the incomplete gamma function).

    References
    ----------
    Meeker & Escobar 1998, Statistical Methods for Reliability Data, ch. 7, 8, 11 (from memory).
    """

    def __init__(
        self,
        family: str = "weibull",
        *,
        fit_intercept: bool = True,
        penalty: float = 0.0,
        max_iterations: int = 100,
    ) -> None:
        self.family = family
        self.fit_intercept = fit_intercept
        self.penalty = penalty
        self.max_iterations = max_iterations

    def fit(
        self,
        X: ArrayLike | None,
        left: ArrayLike,
        right: ArrayLike,
        weight: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        exposure: ArrayLike | None = None,
        shape_X: ArrayLike | None = None,
    ) -> Self:
        """Fit by Newton's method.

        Parameters
        ----------
        X : array, shape (n, p), or None
            Covariates of log scale; None for an intercept alone.
        left, right : array, shape (n,)
            Ages [years], (left, right]: see `models.intervals`.
        weight : array, shape (n,), optional
            Counts.
        entry : array, shape (n,), optional
            Age at which each came under observation (left truncation).
        exposure : array, shape (n,), optional
            Factor on the cumulative hazard, such as length in units of some base length; above 0.
        shape_X : array, shape (n, q), optional
            Covariates of log shape, besides its intercept.

        Returns
        -------
        IntervalRegression
            Itself.

        Raises
        ------
        ModelInputError
            For an impossible record, naming the row; unknown family; negative penalty.
        """
        if self.family not in FAMILIES:
            raise ModelInputError(f"family is '{self.family}'; choose one of {', '.join(FAMILIES)}.")
        if not self.penalty >= 0:
            raise ModelInputError(f"penalty is {self.penalty}; it must be 0 or more.")
        given = check_intervals(left, right, weight, entry)
        rows = self._rows(X, given, exposure, shape_X)
        self.n_units_ = given.n_units
        self.status_, self.reason_ = _objection(given)
        if not self.status_:
            optimum = self._maximise(_distinct(rows))
            self.status_, self.reason_ = self._verdict_on(optimum)
            self._store(optimum, rows)
        else:
            self._store(None, rows)
        return self

    def _rows(
        self, X: ArrayLike | None, given: Intervals, exposure: ArrayLike | None, shape_X: ArrayLike | None
    ) -> _Rows:
        n = len(given.left)
        covariates = _matrix(X, n, "X")
        self.n_features_in_ = covariates.shape[1]
        self.has_added_intercept_ = self.fit_intercept and not _spans_constant(covariates)
        if self.has_added_intercept_:
            covariates = np.hstack((np.ones((n, 1)), covariates))
        at_birth = (given.right == 0) & (given.weight > 0)
        if at_birth.any():
            raise ModelInputError(
                "a failure at age 0 has no place in this family.", row=int(np.argmax(at_birth))
            )
        factor = np.ones(n) if exposure is None else np.ascontiguousarray(exposure, dtype=np.float64)
        if factor.shape != (n,):
            raise ModelInputError(f"exposure must have {n} entries.")
        wrong = ~(np.isfinite(factor) & (factor > 0))
        if wrong.any():
            raise ModelInputError("exposure must be a number above 0.", row=int(np.argmax(wrong)))
        with np.errstate(divide="ignore"):
            return _Rows(
                X=covariates,
                Z=np.hstack((np.ones((n, 1)), _matrix(shape_X, n, "shape_X"))),
                log_left=np.log(given.left),
                log_right=np.log(given.right),
                log_entry=None if given.entry is None else np.log(given.entry),
                exposure=factor,
                weight=given.weight,
            )

    def _precision(self, rows: _Rows) -> FloatArray:
        p, q = rows.X.shape[1], rows.Z.shape[1]
        precision = np.zeros(p + q)
        precision[:p] = self.penalty
        if self.has_added_intercept_:
            precision[0] = 0.0
        return precision

    def _maximise(self, rows: _Rows) -> Optimum:
        n = len(rows.weight)
        start = _start(rows)
        for size in WARM_START_ROWS:
            if n > 2 * size:
                start = self._search(rows.take(np.arange(0, n, n // size)), start).x
        return self._search(rows, start)

    def _search(self, rows: _Rows, start: FloatArray) -> Optimum:
        precision = self._precision(rows)

        def derivatives(coef: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            value, gradient, hessian = likelihood(self.family, rows, coef)
            return (
                value - 0.5 * float(precision @ coef**2),
                gradient - precision * coef,
                hessian - np.diag(precision),
            )

        return maximise(derivatives, start, max_steps=self.max_iterations)

    def _verdict_on(self, optimum: Optimum) -> tuple[str, str]:
        curvature = np.linalg.eigvalsh(-optimum.hessian)
        if curvature[0] <= 1.0 / LARGEST_VARIANCE:
            return "not_identified", "These records cannot tell all terms apart: drop one, or set a penalty."
        if not optimum.converged:
            return "not_converged", f"The fit had not settled after {optimum.n_steps} steps."
        return "ok", ""

    def _store(self, optimum: Optimum | None, rows: _Rows) -> None:
        p, q, added = rows.X.shape[1], rows.Z.shape[1], int(self.has_added_intercept_)
        stands = optimum is not None and self.status_ in {"ok", "not_converged"}
        coef = optimum.x if optimum is not None and stands else np.full(p + q, np.nan)
        self.parameters_ = coef
        self.parameter_names_ = (
            *(("intercept",) if added else ()),
            *(f"x{i}" for i in range(p - added)),
            *(f"log_shape{i}" for i in range(q)),
        )
        self.intercept_ = float(coef[0]) if added else 0.0
        self.coef_ = coef[added:p]
        self.log_shape_ = coef[p:]
        self.scale_, self.shape_ = float(np.exp(self.intercept_)), float(np.exp(coef[p]))
        self.covariance_ = np.full((p + q, p + q), np.nan)
        self.log_likelihood_ = self.aic_ = float("nan")
        if optimum is not None and stands:
            self.covariance_ = np.linalg.pinv(-optimum.hessian, hermitian=True)
            self.log_likelihood_ = optimum.value + 0.5 * float(self._precision(rows) @ coef**2)
            self.aic_ = -2.0 * self.log_likelihood_ + 2.0 * (p + q)

    @property
    def standard_error_(self) -> FloatArray:
        """Standard errors of `parameters_`."""
        result: FloatArray = np.sqrt(np.diag(self.covariance_))
        return result

    # -- what the fit says --------------------------------------------------------------------------

    def draws(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draw `parameters_` from their Gaussian approximation, shape (n, number of parameters)."""
        variance, axes = np.linalg.eigh(self.covariance_)
        root = axes * np.sqrt(np.maximum(variance, 0.0))
        drawn: FloatArray = self.parameters_ + rng.standard_normal((n, len(variance))) @ root.T
        return drawn

    def failure_probability(
        self,
        age: ArrayLike,
        X: ArrayLike | None = None,
        *,
        given_survival_to: ArrayLike = 0.0,
        exposure: ArrayLike = 1.0,
        shape_X: ArrayLike | None = None,
        parameters: FloatArray | None = None,
    ) -> FloatArray:
        """Chance of failure by an age, given survival to another.

        Parameters
        ----------
        age, given_survival_to : array, shape (n,) or scalar
            Ages [years].
        X, shape_X : array, shape (n, p) and (n, q), or one row
            Covariates as in `fit`.
        exposure : array, shape (n,) or scalar
            As in `fit`.
        parameters : ndarray, optional
            Instead of `parameters_`, such as one of `draws`.

        Returns
        -------
        ndarray, shape (n,)
            0 where age <= given_survival_to.
        """
        coef = self.parameters_ if parameters is None else parameters
        n = 1 if X is None else len(np.atleast_2d(np.asarray(X)))
        n = np.broadcast_shapes((n,), np.shape(age), np.shape(given_survival_to), np.shape(exposure))[0]
        log_scale, log_shape = self._predictors(X, shape_X, n, coef)
        with np.errstate(divide="ignore"):
            until, since = (
                np.log(np.maximum(np.broadcast_to(np.asarray(a, dtype=np.float64), n), 0.0))
                for a in (age, given_survival_to)
            )
        H = [cumulative_hazard(self.family, t, log_scale, log_shape)[0] for t in (until, since)]
        chance: FloatArray = -np.expm1(-np.maximum(H[0] - H[1], 0.0) * np.asarray(exposure))
        return chance

    def quantile(
        self, probability: float, X: ArrayLike | None = None, *, shape_X: ArrayLike | None = None
    ) -> FloatArray:
        """Age by which a share has failed [years], shape (n,), by bisection on log age."""
        if not 0.0 < probability < 1.0:
            raise ModelInputError(f"probability is {probability}; it must lie between 0 and 1.")
        n = 1 if X is None else len(np.atleast_2d(np.asarray(X)))
        log_scale, log_shape = self._predictors(X, shape_X, n, self.parameters_)
        wanted = -np.log1p(-probability)
        low, high = log_scale - 60.0, log_scale + 60.0
        for _ in range(80):
            middle = (low + high) / 2.0
            below = cumulative_hazard(self.family, middle, log_scale, log_shape)[0] < wanted
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        age: FloatArray = np.exp((low + high) / 2.0)
        return age

    def _predictors(
        self, X: ArrayLike | None, shape_X: ArrayLike | None, n: int, coef: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        p = self.n_features_in_ + int(self.has_added_intercept_)
        covariates, of_shape = (
            np.zeros((n, 0))
            if a is None
            else np.broadcast_to(np.atleast_2d(np.asarray(a, np.float64)), (n, m))
            for a, m in ((X, self.n_features_in_), (shape_X, len(coef) - p - 1))
        )
        if self.has_added_intercept_:
            covariates = np.hstack((np.ones((n, 1)), covariates))
        return covariates @ coef[:p], np.hstack((np.ones((n, 1)), of_shape)) @ coef[p:]


# -- likelihood ----------------------------------------------------------------------------------------


def likelihood(family: str, rows: _Rows, coef: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood, gradient and Hessian by (β, γ)."""
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
    each *= rows.weight
    X, Z = rows.X, rows.Z
    gradient = np.concatenate((each[1] @ X, each[2] @ Z))
    cross = X.T @ (each[4][:, None] * Z)
    hessian = np.block([[X.T @ (each[3][:, None] * X), cross], [cross.T, Z.T @ (each[5][:, None] * Z)]])
    return float(each[0].sum()), gradient, hessian


def _between(family: str, rows: _Rows, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """log[S(L)^E - S(R)^E] of each record, and its derivatives by log scale and log shape, shape (6, n)."""
    if family in CODE:
        return _between_closed(
            CODE[family], rows.log_left, rows.log_right, log_scale, log_shape, rows.exposure
        )
    left, right = (
        cumulative_hazard(family, log_age, log_scale, log_shape)
        for log_age in (rows.log_left, np.where(np.isinf(rows.log_right), -np.inf, rows.log_right))
    )
    out = np.empty_like(left)
    _combine(left, right, rows.log_right == np.inf, rows.exposure, out)
    return out


@compiled
def _between_closed(
    code: int,
    log_left: FloatArray,
    log_right: FloatArray,
    log_scale: FloatArray,
    log_shape: FloatArray,
    exposure: FloatArray,
) -> FloatArray:
    """One pass over records, nothing kept between them: memory traffic would take longer than the sums."""
    out = np.empty((6, len(log_left)))
    never = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    for i in range(len(log_left)):
        left, right = never, never
        if log_left[i] > -np.inf:
            left = hazard_at(code, log_left[i], log_scale[i], log_shape[i])
        if log_right[i] < np.inf:
            right = hazard_at(code, log_right[i], log_scale[i], log_shape[i])
        _join_ends(left, right, log_right[i] == np.inf, exposure[i], out, i)
    return out


@compiled
def _combine(
    left: FloatArray, right: FloatArray, is_open: BoolArray, exposure: FloatArray, out: FloatArray
) -> None:
    for i in range(out.shape[1]):
        _join_ends(left[:, i], right[:, i], is_open[i], exposure[i], out, i)


@compiled
def _join_ends(left: Any, right: Any, is_open: bool, exposure: float, out: FloatArray, i: int) -> None:
    """log[exp(-E H_L) - exp(-E H_R)] and derivatives = -E H_L + log(1 - exp(-D)), D = E (H_R - H_L)."""
    for j in range(6):
        out[j, i] = -exposure * left[j]
    if is_open:
        return
    gap = max(exposure * (right[0] - left[0]), SMALLEST_GAP)
    q = 1.0 / math.expm1(min(gap, 700.0))
    d1, d2 = exposure * (right[1] - left[1]), exposure * (right[2] - left[2])
    bend = q * (1.0 + q)
    out[0, i] += math.log(-math.expm1(-gap))
    out[1, i] += q * d1
    out[2, i] += q * d2
    out[3, i] += q * exposure * (right[3] - left[3]) - bend * d1 * d1
    out[4, i] += q * exposure * (right[4] - left[4]) - bend * d1 * d2
    out[5, i] += q * exposure * (right[5] - left[5]) - bend * d2 * d2


# -- helpers -------------------------------------------------------------------------------------------


def _matrix(given: ArrayLike | None, n: int, name: str) -> FloatArray:
    if given is None:
        return np.zeros((n, 0))
    array = np.ascontiguousarray(given, dtype=np.float64)
    array = array[:, None] if array.ndim == 1 else array
    if array.ndim != 2 or len(array) != n:
        raise ModelInputError(f"{name} has shape {array.shape}; it must have {n} rows.")
    wrong = ~np.isfinite(array).all(axis=1)
    if wrong.any():
        raise ModelInputError(f"{name} holds a value that is not finite.", row=int(np.argmax(wrong)))
    return array


def _spans_constant(X: FloatArray) -> bool:
    """Whether some combination of columns is constant, so that an intercept would be one too many."""
    if X.shape[1] == 0 or len(X) == 0:
        return False
    # Normal equations suffice: this only tells 0 from clearly more.
    gram, total = X.T @ X, X.sum(axis=0)
    fitted = np.linalg.lstsq(gram, total, rcond=None)[0]
    return bool(abs(len(X) - total @ fitted) < 1e-9 * len(X))


def _objection(given: Intervals) -> tuple[str, str]:
    told = given.weight > 0
    if not told.any():
        return "no_records", "There are no records."
    n = given.n_units
    if not (np.isfinite(given.right) & told).any():
        return "no_failures", f"None of {n:g} was ever seen failed: no curve can be fitted without a prior."
    if not ((given.left > 0) & told).any():
        return (
            "all_failed",
            f"All {n:g} had failed at the first look: no curve can be fitted without a prior.",
        )
    return "", ""


def _distinct(rows: _Rows) -> _Rows:
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


def _start(rows: _Rows) -> FloatArray:
    """A flat curve through the middle of the ages."""
    ages = np.concatenate((rows.log_left, rows.log_right))
    middle = float(np.median(ages[np.isfinite(ages)]))
    to_scale = np.linalg.lstsq(rows.X.T @ rows.X, rows.X.T @ np.full(len(rows.X), middle), rcond=None)[0]
    to_shape = np.zeros(rows.Z.shape[1])
    to_shape[0] = 0.5
    return np.concatenate((to_scale, to_shape))

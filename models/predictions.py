"""What a fitted regression says of ages and chances; the half of `models.regression` that asks nothing new."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.covariates import prediction_rows
from models.errors import ModelInputError
from models.families import hazard_value
from models.intervals import FloatArray, numbers
from models.normal import deviations

#: What may be asked: the test that an entry passes, and its words.
_ALLOWED: dict[str, tuple[Callable[[FloatArray], NDArray[np.bool_]], str]] = {
    "age": (np.isfinite, "a finite number"),
    "given_survival_to": (np.isfinite, "a finite number"),
    "exposure": (lambda a: np.isfinite(a) & (a > 0.0), "a number above 0"),
    "probability": (lambda a: (a > 0.0) & (a < 1.0), "a number between 0 and 1"),
}


def asked(**given: ArrayLike) -> list[FloatArray]:
    """Ages, shares and exposures at which to predict, each entry checked.

    Raises
    ------
    ModelInputError
        Naming the row.
    """
    arrays = []
    for name, array in given.items():
        converted = numbers(array, name)
        passes, words = _ALLOWED[name]
        good = np.atleast_1d(passes(converted))
        if not good.all():
            row = int(np.argmin(good))
            value = np.atleast_1d(converted)[row]
            raise ModelInputError(f"{name} is {value:g}; it must be {words}.", row=row)
        arrays.append(converted)
    return arrays


class FittedCurves(BaseEstimator):  # type: ignore[misc]  # scikit-learn ships no types
    """Predictions and parameter draws from `parameters_` and `covariance_`."""

    family: str
    parameters_: FloatArray
    covariance_: FloatArray
    parameter_names_: tuple[str, ...]
    has_added_intercept_: bool
    n_features_in_: int
    reason_: str

    def draws(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draw `parameters_` from their Gaussian approximation, shape (n, number of parameters)."""
        self._refuse_without_estimates()
        drawn: FloatArray = self.parameters_ + deviations(self.covariance_, n, rng)
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
        parameters : ndarray, shape (number of parameters,) or (m, number of parameters), optional
            Instead of `parameters_`, such as `draws`.

        Returns
        -------
        ndarray, shape (n,) or (m, n)
            0 where age <= given_survival_to.

        Raises
        ------
        ModelInputError
            If the fit has no estimates (its `reason_`), or shapes do not match.
        """
        until, since, factor = asked(age=age, given_survival_to=given_survival_to, exposure=exposure)
        log_scale, log_shape = self._predictors(X, shape_X, parameters, until, since, factor)
        H = [self._hazard_by(t, log_scale, log_shape) for t in (until, since)]
        chance: FloatArray = -np.expm1(-np.maximum(H[0] - H[1], 0.0) * factor)
        return chance

    def quantile(
        self,
        probability: ArrayLike,
        X: ArrayLike | None = None,
        *,
        given_survival_to: ArrayLike = 0.0,
        exposure: ArrayLike = 1.0,
        shape_X: ArrayLike | None = None,
        parameters: FloatArray | None = None,
    ) -> FloatArray:
        """Age by which a share has failed [years], by bisection on log age.

        Parameters
        ----------
        probability : array, shape (n,) or scalar
            Share, above 0 and below 1.
        X, given_survival_to, exposure, shape_X, parameters
            As in `failure_probability`.

        Returns
        -------
        ndarray, shape (n,) or (m, n)
        """
        share, since, factor = asked(
            probability=probability, given_survival_to=given_survival_to, exposure=exposure
        )
        log_scale, log_shape = self._predictors(X, shape_X, parameters, share, since, factor)
        wanted = -np.log1p(-share) / factor + self._hazard_by(since, log_scale, log_shape)
        low, high = log_scale - 60.0, log_scale + 60.0
        for _ in range(80):
            middle = (low + high) / 2.0
            below = self._hazard(middle, log_scale, log_shape) < wanted
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        age: FloatArray = np.exp((low + high) / 2.0)
        return age

    def _refuse_without_estimates(self) -> None:
        check_is_fitted(self, "parameters_")
        if not np.isfinite(self.parameters_).all():
            raise ModelInputError(f"this fit has no estimates. {self.reason_}")

    def _checked_columns(self, X: FloatArray) -> FloatArray:
        if X.shape[-1] != self.n_features_in_:
            raise ModelInputError(
                f"X has {X.shape[-1]} features, but IntervalRegression is expecting {self.n_features_in_} "
                "features as input."
            )
        return X

    def _predictors(
        self,
        X: ArrayLike | None,
        shape_X: ArrayLike | None,
        parameters: FloatArray | None,
        *per_row: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Log scale and log shape, shape (n,) or (m, n)."""
        if parameters is None:
            self._refuse_without_estimates()
        check_is_fitted(self, "parameters_")
        coef = self.parameters_ if parameters is None else np.asarray(parameters, dtype=np.float64)
        x = self._design_rows(X, shape_X)
        try:
            n = np.broadcast_shapes((len(x),), *(a.shape for a in per_row))[0]
        except ValueError as error:
            sizes = ", ".join(str(a.size) for a in per_row)
            raise ModelInputError(
                f"{len(x)} rows of covariates do not go with {sizes} ages, shares or exposures."
            ) from error
        p = int(self.has_added_intercept_) + self.n_features_in_
        x = np.broadcast_to(x, (n, x.shape[1]))
        return coef[..., :p] @ x[:, :p].T, coef[..., p:] @ x[:, p:].T

    def _design_rows(self, X: ArrayLike | None, shape_X: ArrayLike | None) -> FloatArray:
        """Rows of all covariates with their intercepts, in the order of `parameters_`."""
        n_shape = len(self.parameter_names_) - int(self.has_added_intercept_) - self.n_features_in_ - 1
        x = self._checked_columns(prediction_rows(X, self.n_features_in_, "X"))
        z = prediction_rows(shape_X, n_shape, "shape_X")
        if z.shape[1] != n_shape:
            raise ModelInputError(f"shape_X has {z.shape[1]} columns; the fit has {n_shape}.")
        n = max(len(x), len(z))
        if {len(x), len(z)} - {1, n}:
            raise ModelInputError(f"X has {len(x)} rows and shape_X has {len(z)}.")
        one = np.ones((n, 1))
        x, z = np.broadcast_to(x, (n, x.shape[1])), np.broadcast_to(z, (n, z.shape[1]))
        return np.hstack((*((one,) if self.has_added_intercept_ else ()), x, one, z))

    def _hazard_by(self, age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            log_age = np.log(np.maximum(age, 0.0))
        return self._hazard(np.broadcast_to(log_age, log_scale.shape), log_scale, log_shape)

    def _hazard(self, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
        """H at log ages, all of one shape."""
        flat = (np.ascontiguousarray(a).ravel() for a in (log_age, log_scale, log_shape))
        value: FloatArray = hazard_value(self.family, *flat).reshape(log_scale.shape)
        return value

"""Parametric regression on censored ages: Weibull and its neighbours, with covariates.

`IntervalRegression` takes intervals; `models.lives` is its Weibull relative for looks, where install
years, materials or verdicts are not exactly known. `models.profile` gives its likelihood intervals,
`models.family_choice` chooses its family.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike

from models.covariates import covariate_matrix, covariate_units, exposure_factor, in_units, spans_constant
from models.errors import ModelInputError
from models.families import FAMILIES
from models.interval_likelihood import (
    Derivatives,
    Rows,
    distinct,
    flat_start,
    likelihood,
    log_likelihoods,
)
from models.intervals import FloatArray, Intervals, check_intervals
from models.newton import Optimum, maximise
from models.predictions import FittedCurves
from models.priors import Prior, Ridge, resolve_prior, updated_prior

#: Records on which the search starts, before all are used: each saves a pass or two over the next.
WARM_START_ROWS = (4_000, 64_000)
#: Effect of a covariate of usual size that is this uncertain [squared log units] is not determined.
LARGEST_VARIANCE = 1e4
#: The estimate of a prior's width has settled when it changes by less than this share.
WIDTH_TOLERANCE = 1e-4
WIDTH_ROUNDS = 200


class IntervalRegression(FittedCurves):
    """Regression of failure age on covariates, from intervals (L, R] with counts and late entry.

    Log scale is linear in X and log shape is constant, or linear in `shape_X`. Families and their
    parameters are tabled in `models.families`.

    Parameters
    ----------
    family : {"weibull", "log-logistic", "log-normal", "gamma", "gompertz"}
    fit_intercept : bool
        Add an intercept to X, unless its columns already hold one (span the constant) and have no prior.
    penalty : float or "estimate"
        Precision of a Gaussian prior centred on 0 for every coefficient of X but the intercept (those
        named in `priors` aside). "estimate": one precision, chosen from the data (partial pooling).
    priors : sequence of models.priors.Ridge
        Gaussian priors of some coefficients, named as in `parameter_names_`; with `sd=None` their common
        width is chosen from the data. For material × era: one-hot columns in X and a ridge over them.
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
        All of them in the order of `covariance_`: "intercept" (where added), "x0", …, "log_shape0", ….
    covariance_ : ndarray
        Inverse of the observed information (plus prior precision).
    log_likelihood_ : float
        Without priors.
    n_effective_ : float
        Number of parameters that the data determine: all of them without priors.
    aic_ : float
        -2 log-likelihood + 2 n_effective_.
    prior_sd_ : ndarray
        Width of each parameter's prior, given or chosen; inf where it has none.
    n_units_ : float
    status_, reason_ : str
        "ok", "no_records", "no_failures", "all_failed", "not_identified" (e.g. a covariate that
        separates failed from sound) or "not_converged", with one sentence. But for "ok" and
        "not_converged" estimates are NaN and predictions refused; `models.profile` still gives ranges.

    Notes
    -----
    Gradient and Hessian are analytic (for gamma, derivatives by shape are five-point differences of the
    incomplete gamma function). With proper priors on all parameters, records without any failure are
    fitted too. The fit keeps the distinct records, for `models.profile`.

    References
    ----------
    Meeker & Escobar 1998, Statistical Methods for Reliability Data, ch. 7, 8, 11 (from memory). Widths
    of priors: `models.priors.updated_prior`. Effective parameters: Hastie & Tibshirani 1990, Generalized
    Additive Models, ch. 6 (from memory).
    """

    def __init__(
        self,
        family: str = "weibull",
        *,
        fit_intercept: bool = True,
        penalty: float | Literal["estimate"] = 0.0,
        priors: Sequence[Ridge] = (),
        max_iterations: int = 100,
    ) -> None:
        self.family = family
        self.fit_intercept = fit_intercept
        self.penalty = penalty
        self.priors = priors
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
            For an impossible record, naming the row; unknown family; negative penalty; a prior of an
            unknown parameter.
        """
        self._check_settings()
        given = check_intervals(left, right, weight, entry)
        rows = self._rows(X, given, exposure, shape_X)
        if (given.weight == 0.0).any():
            rows = rows.take(given.weight > 0.0)
        self.n_units_ = given.n_units
        self._name_parameters(rows)
        self._unit = covariate_units(rows)
        self._records, prior = in_units(distinct(rows), self._unit), self._prior()
        self.status_, self.reason_ = _objection(given)
        if not self.status_ or (prior.is_proper and self.status_ != "no_records"):
            optimum, prior = self._maximise(prior)
            self.status_, self.reason_ = self._verdict_on(optimum)
            self._store(optimum, prior)
        else:
            self._store(None, prior)
        return self

    def _check_settings(self) -> None:
        if self.family not in FAMILIES:
            raise ModelInputError(f"family is '{self.family}'; choose one of {', '.join(FAMILIES)}.")
        if isinstance(self.penalty, str):
            if self.penalty != "estimate":
                raise ModelInputError(f"penalty is '{self.penalty}'; it must be a number or 'estimate'.")
        elif not 0.0 <= self.penalty < np.inf:
            raise ModelInputError(f"penalty is {self.penalty}; it must be 0 or more.")

    def _rows(
        self, X: ArrayLike | None, given: Intervals, exposure: ArrayLike | None, shape_X: ArrayLike | None
    ) -> Rows:
        n = len(given.left)
        covariates = covariate_matrix(X, n, "X")
        self.n_features_in_ = covariates.shape[1]
        held = self.penalty != 0.0 or len(self.priors) > 0
        self.has_added_intercept_ = self.fit_intercept and (held or not spans_constant(covariates))
        return self._laid_out(covariates, given, exposure, shape_X)

    def _laid_out(
        self, covariates: FloatArray, given: Intervals, exposure: ArrayLike | None, shape_X: ArrayLike | None
    ) -> Rows:
        n = len(given.left)
        at_birth = (given.right == 0) & (given.weight > 0)
        if at_birth.any():
            raise ModelInputError(
                "a failure at age 0 has no place in this family.", row=int(np.argmax(at_birth))
            )
        with np.errstate(divide="ignore"):
            return Rows(
                X=np.hstack((np.ones((n, 1)), covariates)) if self.has_added_intercept_ else covariates,
                Z=np.hstack((np.ones((n, 1)), covariate_matrix(shape_X, n, "shape_X"))),
                log_left=np.log(given.left),
                log_right=np.log(given.right),
                log_entry=None if given.entry is None else np.log(given.entry),
                exposure=exposure_factor(exposure, n),
                weight=given.weight,
            )

    def _name_parameters(self, rows: Rows) -> None:
        added = int(self.has_added_intercept_)
        self.parameter_names_ = (
            *(("intercept",) if added else ()),
            *(f"x{i}" for i in range(rows.X.shape[1] - added)),
            *(f"log_shape{i}" for i in range(rows.Z.shape[1])),
        )

    # -- search: all in units in which covariates are of usual size --------------------------------------

    def _prior(self) -> Prior:
        ridges = list(self.priors)
        named = {term for ridge in ridges for term in ridge.terms}
        rest = tuple(n for n in self.parameter_names_ if n.startswith("x") and n not in named)
        if self.penalty == "estimate":
            ridges.append(Ridge(terms=rest, sd=None))
        elif self.penalty and rest:
            ridges.append(Ridge(terms=rest, sd=float(self.penalty) ** -0.5))
        return resolve_prior(ridges, self.parameter_names_)

    def _objective(self, rows: Rows, prior: Prior) -> Derivatives:
        """Log-likelihood plus log prior as a function of coefficients in `_unit`s."""
        mean, precision = prior.mean * self._unit, prior.precision / self._unit**2

        def derivatives(coef: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            value, gradient, hessian = likelihood(self.family, rows, coef)
            away = coef - mean
            return (
                value - 0.5 * float(precision @ away**2),
                gradient - precision * away,
                hessian - np.diag(precision),
            )

        return derivatives

    def _maximise(self, prior: Prior) -> tuple[Optimum[FloatArray], Prior]:
        """Alternate between the mode and the prior widths that are to be chosen from the data."""
        optimum = self._search(prior, self._first_guess(prior))
        for _ in range(WIDTH_ROUNDS):
            if not prior.is_estimated or not optimum.converged:
                break
            covariance = np.linalg.inv(-optimum.hessian) / np.outer(self._unit, self._unit)
            wider = updated_prior(prior, optimum.x / self._unit, covariance)
            change = np.abs(np.log(wider.sd[prior.finite] / prior.sd[prior.finite])).max()
            prior = wider
            optimum = self._search(prior, optimum.x)
            if change < WIDTH_TOLERANCE:
                break
        return optimum, prior

    def _first_guess(self, prior: Prior) -> FloatArray:
        rows = self._records
        n = len(rows.weight)
        guess = flat_start(rows.take(np.arange(0, n, max(n // WARM_START_ROWS[0], 1))))
        for size in WARM_START_ROWS:
            if n > 2 * size:
                found = self._search(prior, guess, rows.take(np.arange(0, n, n // size)))
                guess = found.x if found.converged else guess
        return guess

    def _search(self, prior: Prior, start: FloatArray, rows: Rows | None = None) -> Optimum[FloatArray]:
        rows = self._records if rows is None else rows
        return maximise(self._objective(rows, prior), start, max_steps=self.max_iterations)

    def _verdict_on(self, optimum: Optimum[FloatArray]) -> tuple[str, str]:
        curvature, axes = np.linalg.eigh(-optimum.hessian)
        if curvature[0] <= 1.0 / LARGEST_VARIANCE:
            term = self.parameter_names_[int(np.argmax(np.abs(axes[:, 0])))]
            return (
                "not_identified",
                f"These records cannot tell the size of '{term}': drop it, or give it a prior.",
            )
        if not optimum.converged:
            return "not_converged", f"The fit had not settled after {optimum.n_steps} steps."
        return "ok", ""

    def _store(self, optimum: Optimum[FloatArray] | None, prior: Prior) -> None:
        self._optimum, self._prior_used = optimum, prior
        size, added = len(self.parameter_names_), int(self.has_added_intercept_)
        p = added + self.n_features_in_
        self.prior_sd_ = prior.sd
        self.parameters_, self.covariance_ = np.full(size, np.nan), np.full((size, size), np.nan)
        self.log_likelihood_ = self.aic_ = self.n_effective_ = float("nan")
        if optimum is not None and self.status_ in {"ok", "not_converged"}:
            self.parameters_ = optimum.x / self._unit
            inverse = np.linalg.pinv(-optimum.hessian, hermitian=True)
            self.covariance_ = inverse / np.outer(self._unit, self._unit)
            self.log_likelihood_ = optimum.value - prior.log_density(self.parameters_)
            # Trace of the share of each direction's information that is the data's.
            held = np.diag(prior.precision) @ self.covariance_
            self.n_effective_ = float(size - np.trace(held))
            self.aic_ = -2.0 * self.log_likelihood_ + 2.0 * self.n_effective_
        self.intercept_ = float(self.parameters_[0]) if added else 0.0
        self.coef_, self.log_shape_ = self.parameters_[added:p], self.parameters_[p:]
        self.scale_, self.shape_ = float(np.exp(self.intercept_)), float(np.exp(self.log_shape_[0]))

    @property
    def standard_error_(self) -> FloatArray:
        """Standard errors of `parameters_`."""
        result: FloatArray = np.sqrt(np.diag(self.covariance_))
        return result

    # -- how well the fit says it ------------------------------------------------------------------------

    def log_scores(
        self,
        X: ArrayLike | None,
        left: ArrayLike,
        right: ArrayLike,
        entry: ArrayLike | None = None,
        exposure: ArrayLike | None = None,
        shape_X: ArrayLike | None = None,
    ) -> FloatArray:
        """Log-likelihood of each record under the estimates; arrays as in `fit`.

        Returns
        -------
        ndarray, shape (n,)
            Log of the chance given to (left, right], or of the density of a known age; higher is better.
        """
        self._refuse_without_estimates()
        given = check_intervals(left, right, None, entry)
        covariates = self._checked_columns(covariate_matrix(X, len(given.left), "X"))
        rows = self._laid_out(covariates, given, exposure, shape_X)
        return log_likelihoods(self.family, rows, self.parameters_)

    def score(
        self,
        X: ArrayLike | None,
        left: ArrayLike,
        right: ArrayLike,
        weight: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        exposure: ArrayLike | None = None,
        shape_X: ArrayLike | None = None,
    ) -> float:
        """Mean of `log_scores` over units; higher is better, NaN without any."""
        given = check_intervals(left, right, weight, entry)
        if given.n_units == 0.0:
            return float("nan")
        each = self.log_scores(X, left, right, entry, exposure, shape_X)
        return float(np.average(each, weights=given.weight))


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

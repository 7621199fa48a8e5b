"""Weibull regression on looks at lives: the fit behind every score.

What a record does not say is summed over: install years given as a range, materials not recorded,
what the camera missed or saw wrongly, and which segment of a line an overall verdict meant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.looks import Detection, FloatArray, IntArray, LifeLooks, LineLooks, single_candidates

__all__ = [
    "Detection",
    "FittedLives",
    "LifeLooks",
    "LifeRegression",
    "LineLooks",
    "Ridge",
    "single_candidates",
]


@dataclass(frozen=True, kw_only=True)
class Ridge:
    """A Gaussian prior N(mean, sd²), independent for each of some coefficients.

    Parameters
    ----------
    terms : tuple of str
        Coefficient names as in `FittedLives.names` ("scale: …" or "shape: …").
    sd : float or None
        Prior standard deviation [log years for scale terms, log units for shape terms]. None: one sd
        for all `terms`, chosen from the data by marginal likelihood (needs two or more terms).
    mean : float
        Prior mean.
    """

    terms: tuple[str, ...]
    sd: float | None = None
    mean: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FittedLives:
    """Result of `LifeRegression.fit`.

    Attributes
    ----------
    status : str
        "ok", "no_looks", "no_failures", "all_failed", "not_identified" or "not_converged". Only with
        "ok" do the numbers stand; otherwise `coef` may be NaN and `reason` says why in one sentence.
        With proper priors on every coefficient "no_failures" and "all_failed" data are fitted and
        give "ok" with a wide range.
    reason : str
        One plain sentence; empty when ok.
    names : tuple of str
        "scale: " + name for the columns of X, then "shape: " + name for those of Z.
    coef : ndarray, shape (p + q,)
        Posterior mode: β for log scale [log years], then γ for log shape.
    covariance : ndarray, shape (p + q, p + q)
        Inverse of the observed information plus prior precision (Laplace).
    log_likelihood : float
        At the mode, without priors.
    log_marginal : float
        Laplace approximation to the log marginal likelihood; NaN where a coefficient has no prior.
    prior_sd : ndarray, shape (p + q,)
        Prior sd used for each coefficient, inf where none.
    converged : bool
    n_lives, n_looks, n_bad : int
        Lives with at least one look (own or line), looks, and bad looks used.
    excluded_lives : ndarray of int
        Lives whose looks are impossible under `detection` (bad before it was laid, for every install
        year); left out of the fit and listed here.
    detection : Detection
    """

    status: str
    reason: str
    names: tuple[str, ...]
    coef: FloatArray
    covariance: FloatArray
    log_likelihood: float
    log_marginal: float
    prior_sd: FloatArray
    converged: bool
    n_lives: int
    n_looks: int
    n_bad: int
    excluded_lives: IntArray
    detection: Detection
    n_scale: int

    @property
    def standard_error(self) -> FloatArray:
        """Square roots of the diagonal of `covariance`, shape (p + q,)."""
        return np.sqrt(np.diag(self.covariance))

    def draws(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draw coefficients from the Laplace approximation to their posterior.

        Parameters
        ----------
        n : int
            Number of draws.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        ndarray, shape (n, p + q)
        """
        raise NotImplementedError

    def failure_probability(
        self, age: ArrayLike, X: ArrayLike, Z: ArrayLike, *, draws: FloatArray | None = None
    ) -> FloatArray:
        """F(age), the chance that a life has failed by an age.

        Parameters
        ----------
        age : array, shape (n,) or scalar
            Age [years]; F is 0 at and below 0.
        X, Z : array, shape (n, p) and (n, q), or one row each
            Covariates of log scale and log shape.
        draws : ndarray, shape (n_draws, p + q), optional
            From `draws`; default the mode alone.

        Returns
        -------
        ndarray, shape (n,), or (n_draws, n) with `draws`
        """
        raise NotImplementedError

    def looks_log_likelihood(
        self, X: ArrayLike, Z: ArrayLike, looks: LifeLooks, line_looks: LineLooks | None = None
    ) -> float:
        """Log-likelihood of other looks at the mode: the held-out log score is its negative per look.

        Parameters as in `LifeRegression.fit`.
        """
        raise NotImplementedError


class LifeRegression:
    """Weibull regression on looks at lives, marginal over what the records do not say.

    A life fails at age T with S(a) = P(T > a) = exp(-(a / scale)^shape), log scale = X·β and
    log shape = Z·γ. Its looks at ages a_1 <= … <= a_m called r_1 … r_m have probability
    Σ_j c_j [S(a_j) - S(a_{j+1})] with a_0 = 0, a_{m+1} = inf and
    c_j = Π_{i<=j} P(r_i | sound) Π_{i>j} P(r_i | failed); P(bad | failed) = sensitivity and
    P(bad | sound) = 1 - specificity. That is averaged over install years (5 Gauss-Legendre nodes where
    the range is wider than half a year, else its middle) and over the candidates for its covariates.
    A line of several lives is one life whose failure time is the least of its members'; the install
    quantile is shared along the line, because segments of one line were mostly laid together.

    With sensitivity = specificity = 1, exact install years and one candidate this is exactly
    interval-censored Weibull regression.

    Parameters
    ----------
    ridges : sequence of Ridge
        Gaussian priors; a coefficient in none of them is estimated freely.
    detection : Detection
        How often a look tells the truth; default always.
    max_iterations : int
        Newton steps allowed.

    Examples
    --------
    >>> life, row, probability = single_candidates([0, 0, 0, 0])
    >>> looks = LifeLooks(
    ...     candidate_life=life, candidate_row=row, candidate_probability=probability,
    ...     install_min=[1950.0] * 4, install_max=[1950.0] * 4,
    ...     look_life=[0, 1, 2, 3], look_year=[1970.0, 1990.0, 2000.0, 2010.0],
    ...     look_bad=[False, False, True, True],
    ... )  # fmt: skip
    >>> priors = (Ridge(terms=("scale: all",), sd=1.0, mean=4.0), Ridge(terms=("shape: all",), sd=0.5, mean=1.0))
    >>> fit = LifeRegression(ridges=priors).fit([[1.0]], [[1.0]], looks, X_names=["all"], Z_names=["all"])
    >>> fit.status
    'ok'
    """

    def __init__(
        self,
        *,
        ridges: Sequence[Ridge] = (),
        detection: Detection | None = None,
        max_iterations: int = 100,
    ) -> None:
        self.ridges = tuple(ridges)
        self.detection = detection or Detection()
        self.max_iterations = max_iterations

    def fit(
        self,
        X: ArrayLike,
        Z: ArrayLike,
        looks: LifeLooks,
        line_looks: LineLooks | None = None,
        *,
        X_names: Sequence[str] | None = None,
        Z_names: Sequence[str] | None = None,
    ) -> FittedLives:
        """Fit by Newton's method with analytic gradient and Hessian.

        Parameters
        ----------
        X : array, shape (n_rows, p)
            Covariates of log scale, with the intercept column if one is wanted. Rows are what
            `looks.candidate_row` points to; many lives may share one. Give distinct rows: the cost
            grows with distinct (row, ages, results), and ages may be rounded (to 0.25 y, say) before.
        Z : array, shape (n_rows, q)
            Covariates of log shape.
        looks : LifeLooks
            Lives and their own looks.
        line_looks : LineLooks, optional
            Looks that have a verdict for a line of several lives only. A life may be in several line
            looks; those over the same members are treated jointly.
        X_names, Z_names : sequence of str, optional
            Names of the columns; default "x0", "x1", … and "z0", "z1", ….

        Returns
        -------
        FittedLives

        Raises
        ------
        ModelInputError
            If shapes do not match, X or Z is not finite, `candidate_row` is out of range, or a Ridge
            names an unknown term.
        """
        raise NotImplementedError

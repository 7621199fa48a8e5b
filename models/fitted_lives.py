"""What a fit of lives found, and what it says of other lives: chances at any age, with parameter draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from models.arrow import Arrow
from models.atoms import Predictors, log_age_from_reference
from models.errors import ModelInputError
from models.laws import code_of, cumulative_hazard
from models.likelihood import LooksLikelihood
from models.looks import Detection, FloatArray, IntArray, LifeLooks, LineLooks
from models.normal import deviations


@dataclass(frozen=True, kw_only=True)
class GroupEffects:
    """Log hazard multipliers of groups of lives, drawn together by N(0, sd²).

    Attributes
    ----------
    value : ndarray, shape (n_groups,)
        Posterior mode [log hazard]; 0 is an average group.
    standard_error : ndarray, shape (n_groups,)
        Of each, the coefficients' uncertainty included.
    sd : float
        How much groups differ, chosen from the data [log hazard].
    curvature : Arrow
        Minus the Hessian of the log posterior by coefficients and effects.
    """

    value: FloatArray
    standard_error: FloatArray
    sd: float
    curvature: Arrow

    def draws(self, apart: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Draw effects given draws of the coefficients.

        Parameters
        ----------
        apart : ndarray, shape (n_draws, p)
            Draws of the coefficients less their mode.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        ndarray, shape (n_draws, n_groups)
        """
        tip, cross = self.curvature.tip, self.curvature.cross
        noise = rng.standard_normal((len(apart), len(tip)))
        drawn: FloatArray = self.value - apart @ cross.T / tip + noise / np.sqrt(tip)
        return drawn


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
        "hazard: " + name for the columns of X, then "shape: " + name for those of Z and "start: " + name for
        those of W.
    coef : ndarray, shape (p + q + r,)
        Posterior mode: β for the level at `models.laws.REFERENCE_AGE`, γ for log shape, ω for the log odds of the
        start share.
    covariance : ndarray, shape (p + q + r, p + q + r)
        Inverse of the observed information plus prior precision (Laplace).
    log_likelihood : float
        At the mode, without priors.
    log_marginal : float
        Laplace approximation to the log marginal likelihood; NaN where a coefficient has no prior.
    prior_sd : ndarray, shape (p + q + r,)
        Prior sd used for each coefficient, inf where none.
    converged : bool
    n_lives, n_looks, n_bad : int
        Lives with at least one look (own or line), looks, and bad looks used.
    excluded_lives : ndarray of int
        Lives whose looks are impossible under `detection` (bad before it was laid, for every install
        year); left out of the fit and listed here.
    detection : Detection
    law : str
        Law of life, one of `models.laws.LAWS`.
    effects : GroupEffects or None
        What groups of lives have in common; None where no groups were given.
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
    n_hazard: int
    n_shape: int
    effects: GroupEffects | None = None
    law: str = "weibull"

    @property
    def standard_error(self) -> FloatArray:
        """Square roots of the diagonal of `covariance`, shape (p + q + r,)."""
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
        ndarray, shape (n, p + q + r), or (n, p + q + r + n_groups) where groups have effects
        """
        apart = deviations(self.covariance, n, rng)
        if self.effects is None:
            return self.coef + apart
        return np.hstack((self.coef + apart, self.effects.draws(apart, rng)))

    @property
    def mode(self) -> FloatArray:
        """Posterior mode of all that `draws` draws, in the same order."""
        return self.coef if self.effects is None else np.concatenate((self.coef, self.effects.value))

    def failure_probability(
        self,
        age: ArrayLike,
        X: ArrayLike,
        Z: ArrayLike,
        W: ArrayLike | None = None,
        *,
        draws: FloatArray | None = None,
        group: IntArray | None = None,
    ) -> FloatArray:
        """F(age), the chance that a life has failed by an age.

        Parameters
        ----------
        age : array, shape (n,) or scalar
            Age [years]; F is 0 at and below 0, and right after it the share that failed from the start.
        X, Z, W : array, shape (n, p), (n, q) and (n, r), or one row each
            Covariates of log hazard, log shape and, if it was fitted, the log odds of the start share.
        draws : ndarray, shape (n_draws, …), optional
            From `draws`; default the mode alone.
        group : ndarray of int, shape (n,), optional
            Group of each life, -1 for an average one; default all average.

        Returns
        -------
        ndarray, shape (n,), or (n_draws, n) with `draws`
        """
        return self.chance_at(age, self.predictors(X, Z, W, self.mode if draws is None else draws, group))

    def chance_at(self, age: ArrayLike, at: Predictors) -> FloatArray:
        """F(age) from linear predictors, for callers whose rows share them.

        Parameters
        ----------
        age : array
            Age [years], to be broadcast against the predictors.
        at : Predictors
            From `predictors`.

        Returns
        -------
        ndarray
        """
        years = np.asarray(age, dtype=np.float64)
        hazard = cumulative_hazard(
            code_of(self.law), at.log_hazard, at.log_shape, log_age_from_reference(years)
        )
        if at.start is not None:
            hazard = hazard + np.where(years > 0.0, np.logaddexp(0.0, at.start), 0.0)
        chance: FloatArray = -np.expm1(-hazard)
        return chance

    def predictors(
        self,
        X: ArrayLike,
        Z: ArrayLike,
        W: ArrayLike | None,
        coef: ArrayLike,
        group: IntArray | None = None,
    ) -> Predictors:
        """Linear predictors of covariate rows, what their groups do to the hazard included.

        Parameters
        ----------
        X, Z, W : array, shape (n, p), (n, q) and (n, r)
            Covariates; W is None if no start share was fitted.
        coef : array, shape (p + q + r,) or (n_draws, p + q + r), with the groups' effects behind them if any
            Coefficients.
        group : ndarray of int, shape (n,), optional
            Group of each row, -1 for an average one; default all average.

        Returns
        -------
        Predictors
            Each of shape (n,) or (n_draws, n).

        Raises
        ------
        ModelInputError
            If W is given and no start share was fitted, or the other way round, or a group is unknown.
        """
        every = np.asarray(coef, dtype=np.float64)
        p = len(self.names)
        if (W is None) != (p == self.n_hazard + self.n_shape):
            raise ModelInputError("W must be given exactly where a share failing from the start was fitted.")
        designs = [np.atleast_2d(np.asarray(a, dtype=np.float64)) for a in (X, Z, W) if a is not None]
        at = linear_predictors(designs, every[..., :p])
        if group is None:
            return at
        if group.max(initial=-1) >= every.shape[-1] - p:
            raise ModelInputError(f"there are {every.shape[-1] - p} groups, and a row is of another.")
        average = np.zeros((*every.shape[:-1], 1))
        effect = np.concatenate((every[..., p:], average), axis=-1)[..., group]
        return replace(at, log_hazard=at.log_hazard + effect)

    def looks_log_likelihood(
        self,
        X: ArrayLike,
        Z: ArrayLike,
        looks: LifeLooks,
        line_looks: LineLooks | None = None,
        *,
        W: ArrayLike | None = None,
        group: IntArray | None = None,
    ) -> float:
        """Log-likelihood of other looks at the mode: the held-out log score is its negative per look.

        Parameters as in `LifeRegression.fit`. Looks that are impossible under `detection` are left out.
        """
        system = LooksLikelihood(looks, line_looks, self.detection, law=self.law)
        return system.value(self.predictors(X, Z, W, self.mode, group))


def linear_predictors(designs: Sequence[FloatArray], coef: FloatArray) -> Predictors:
    """Linear predictors of rows, of designs and coefficients in the order hazard, shape, start."""
    ends = np.cumsum([design.shape[1] for design in designs])
    parts = np.split(coef, ends[:-1], axis=-1)
    eta = [part @ design.T for part, design in zip(parts, designs, strict=True)]
    return Predictors(eta[0], eta[1], eta[2] if len(eta) > 2 else None)

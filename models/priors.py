"""Gaussian priors on coefficients, their widths given or chosen from the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelInputError
from models.looks import FloatArray, IntArray

#: Width at which the choice of a width starts [log units].
FIRST_SD = 0.5
#: A chosen width moves by at most this factor per round, and never below SMALLEST_SD.
LARGEST_MOVE = 4.0
SMALLEST_SD = 1e-3
#: Widths that a leap takes: two steps tell the rate.
STEPS_TO_A_LEAP = 3
#: Steps that shrink more slowly than this say too little about where they end.
FASTEST_STEADY_RATE = 0.9
#: Rate of the Gamma(2, ·) prior on a chosen width [per log unit]: its mean is 1, a factor of e between
#: materials, and its mode one half.
WIDTH_RATE = 2.0


@dataclass(frozen=True, kw_only=True)
class Ridge:
    """A Gaussian prior N(mean, sd²), independent for each of some coefficients.

    Parameters
    ----------
    terms : tuple of str
        Coefficient names as in `FittedLives.names` ("hazard: …", "shape: …" or "start: …").
    sd : float or None
        Prior standard deviation [log units]. None: one sd
        for all `terms`, chosen from the data by marginal likelihood (needs two or more terms).
    mean : float
        Prior mean.
    """

    terms: tuple[str, ...]
    sd: float | None = None
    mean: float = 0.0


@dataclass(frozen=True)
class Prior:
    """Independent Gaussian priors on all coefficients; sd inf where there is none.

    `group` numbers the ridge whose width is to be chosen for a coefficient, -1 where it is not.
    """

    mean: FloatArray
    sd: FloatArray
    group: IntArray

    @property
    def precision(self) -> FloatArray:
        """1 / sd², 0 where there is no prior."""
        result: FloatArray = 1.0 / self.sd**2
        return result

    @property
    def finite(self) -> NDArray[np.bool_]:
        """Which coefficients have a prior."""
        return np.isfinite(self.sd)

    @property
    def is_proper(self) -> bool:
        """Whether every coefficient has a prior."""
        return bool(self.finite.all())

    @property
    def is_estimated(self) -> bool:
        """Whether some width is to be chosen from the data."""
        return bool((self.group >= 0).any())

    def log_density(self, coef: FloatArray) -> float:
        """Log prior density up to the constant that the widths decide."""
        return float(-0.5 * np.sum(self.precision * (coef - self.mean) ** 2))

    def log_marginal(self, log_posterior: float, hessian: FloatArray) -> float:
        """Laplace approximation to the log marginal likelihood; NaN unless all priors are proper."""
        if not self.is_proper:
            return float("nan")
        _, log_det = np.linalg.slogdet(-hessian)
        return float(log_posterior - np.log(self.sd).sum() - 0.5 * log_det)


def resolve_prior(ridges: Sequence[Ridge], names: Sequence[str]) -> Prior:
    """Lay ridges over the coefficients.

    Raises
    ------
    ModelInputError
        If a ridge names an unknown term or one already in another, has a width not above 0, or is to
        choose its width from fewer than two terms.
    """
    position = {name: i for i, name in enumerate(names)}
    mean, sd = np.zeros(len(names)), np.full(len(names), np.inf)
    group = np.full(len(names), -1, dtype=np.int64)
    for number, ridge in enumerate(ridges):
        unknown = [term for term in ridge.terms if term not in position]
        if unknown:
            raise ModelInputError(f"a prior names '{unknown[0]}', which is not a term of this model.")
        where = [position[term] for term in ridge.terms]
        if np.isfinite(sd[where]).any() or len(set(where)) < len(where):
            raise ModelInputError(f"two priors were given for one of {', '.join(ridge.terms)}.")
        if ridge.sd is None and len(where) < 2:
            raise ModelInputError(
                "the width of a prior can be chosen from the data for two or more terms only."
            )
        if ridge.sd is not None and not ridge.sd > 0.0:
            raise ModelInputError(f"the width of a prior is {ridge.sd}; it must be above 0.")
        mean[where] = ridge.mean
        sd[where] = FIRST_SD if ridge.sd is None else ridge.sd
        group[where] = number if ridge.sd is None else -1
    return Prior(mean, sd, group)


def updated_prior(prior: Prior, coef: FloatArray, covariance: NDArray[np.floating]) -> Prior:
    """One round of choosing widths by marginal likelihood, kept off zero.

    Notes
    -----
    Fixed point of the Laplace marginal likelihood (MacKay 1992, Neural Computation 4:415, from memory)
    with a Gamma(2, r) prior on sd, r = WIDTH_RATE: r sd³ + (γ - 1) sd² = Σθ², where γ = m - Σvar / sd² is
    the number of coefficients that the data determine. The prior keeps sd off zero (Chung, Rabe-Hesketh,
    Dorie, Gelman & Liu 2013, Psychometrika 78:685, from memory) and, where the data determine nothing,
    from growing without bound. Where they determine little the slower EM step r sd³ + (m - 1) sd² =
    Σθ² + Σvar is taken; both have the same fixed point.
    """
    sd = prior.sd.copy()
    for number in np.unique(prior.group[prior.group >= 0]):
        where = prior.group == number
        variance = np.diag(covariance)[where]
        sd[where] = updated_width(float(prior.sd[where][0]), (coef - prior.mean)[where], variance)
    return replace(prior, sd=sd)


def updated_width(old: float, apart: FloatArray, variance: NDArray[np.floating]) -> float:
    """One round of choosing the width of coefficients drawn together: see `updated_prior`.

    Parameters
    ----------
    old : float
        The width so far.
    apart : ndarray, shape (m,)
        Coefficients less their prior mean.
    variance : ndarray, shape (m,)
        Their posterior variances.

    Returns
    -------
    float
        The next width.
    """
    m, squares, total = len(apart), float(np.sum(apart**2)), float(variance.sum())
    determined = m - total / old**2
    known = determined > 1.5
    new = _width(determined - 1.0, squares) if known else _width(m - 1.0, squares + total)
    return max(float(np.clip(new, old / LARGEST_MOVE, old * LARGEST_MOVE)), SMALLEST_SD)


def _width(count: float, squares: float) -> float:
    """Positive root of WIDTH_RATE sd³ + count sd² = squares."""
    roots = np.roots([WIDTH_RATE, count, 0.0, -max(squares, SMALLEST_SD**3)])
    return float(roots[np.abs(roots.imag) < 1e-9].real.max())


class Extrapolation:
    """Leaps over a sequence of log widths that closes in at a steady rate.

    Notes
    -----
    Aitken's delta-squared process for each width by itself, begun anew after each leap (Steffensen's iteration;
    Henrici 1964, Elements of Numerical Analysis, ch. 4; from memory). A width whose steps do not shrink steadily is
    left where it is.
    """

    def __init__(self) -> None:
        self.seen: list[FloatArray] = []

    def next(self, log_width: FloatArray) -> FloatArray:
        """Take in the widths of one more round and return those to go on with."""
        self.seen.append(log_width)
        if len(self.seen) < STEPS_TO_A_LEAP:
            return log_width
        before, last = (b - a for a, b in zip(self.seen[:-1], self.seen[1:], strict=True))
        rate = np.divide(last, before, out=np.zeros_like(last), where=before != 0.0)
        steady = (rate > 0.0) & (rate < FASTEST_STEADY_RATE)
        leapt = log_width + np.where(steady, last * rate / (1.0 - rate), 0.0)
        leapt = np.maximum(leapt, np.log(SMALLEST_SD))
        self.seen = [leapt]
        return leapt

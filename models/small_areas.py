"""Rates of small areas drawn towards the whole, or towards their neighbours, by an amount the data choose.

Counts of rare events: Marshall, Clayton-Kaldor and negative-binomial estimators. Failure of pipe is not
rare: `models.area_hazards` has the estimators for single looks with their own chances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.special import gammaln

from models.errors import ModelInputError
from models.local_statistics import Weights, with_self
from models.looks import FloatArray


@dataclass(frozen=True, kw_only=True)
class SmoothedRates:
    """Rates drawn towards a mean.

    Attributes
    ----------
    rate : ndarray, shape (n,)
        Smoothed rate of each area.
    mean : ndarray, shape (n,)
        What it was drawn towards.
    between_variance : ndarray, shape (n,)
        Variance between areas, 0 or more.
    """

    rate: FloatArray
    mean: FloatArray
    between_variance: FloatArray


@dataclass(frozen=True, kw_only=True)
class GammaRates:
    """Gamma prior of the areas' relative risks, and their posterior means.

    Attributes
    ----------
    shape, rate : float
        Gamma prior.
    relative_risk : ndarray, shape (n,)
        Posterior means.
    """

    shape: float
    rate: float
    relative_risk: FloatArray


def marshall_global(
    events: ArrayLike, exposure: ArrayLike, *, family: Literal["poisson", "binomial"] = "poisson"
) -> SmoothedRates:
    """Draw rates towards the overall rate by the method of moments.

    Parameters
    ----------
    events, exposure : array, shape (n,)
        Counts, and what they are divided by (above 0).
    family : 'poisson' or 'binomial'
        Law of the counts.

    Notes
    -----
    R. J. Marshall, "Mapping disease and mortality rates using empirical Bayes estimators", Applied Statistics
    40, 283-294, 1991. Binomial: M. Martuzzi and P. Elliott, "Empirical Bayes estimation of small area
    prevalence of non-rare conditions", Statistics in Medicine 15, 1867-1873, 1996.
    """
    y, n = _counts(events, exposure)
    mean = y.sum() / n.sum()
    rate = y / n
    spread = float(np.sum(n * (rate - mean) ** 2) / n.sum())
    between = max(spread - mean / n.mean(), 0.0)
    if family == "poisson":
        weight = between / (between + mean / n) if between > 0 else np.zeros(len(y))
    else:
        own = mean * (1 - mean) / n.mean()
        weight = n * (spread - own) / ((n - 1) * spread + (n.mean() - n) * own)
        weight = np.clip(weight, 0.0, 1.0)
        between = max(spread - own, 0.0)
    return SmoothedRates(
        rate=mean + weight * (rate - mean),
        mean=np.full(len(y), mean),
        between_variance=np.full(len(y), between),
    )


def marshall_local(
    events: ArrayLike,
    exposure: ArrayLike,
    weights: Weights,
    *,
    centre: Literal["neighbourhood", "own"] = "neighbourhood",
) -> SmoothedRates:
    """Draw each rate towards that of its neighbours and itself.

    Parameters
    ----------
    events, exposure : array, shape (n,)
    weights : csr_array, shape (n, n)
        Binary neighbours, without the area itself.
    centre : 'neighbourhood' or 'own'
        Around what the spread in a neighbourhood is taken: its mean, or the means of its members' own
        neighbourhoods. Programs differ; the first is the more natural.

    Notes
    -----
    Marshall 1991. Where an area and all its neighbours have no event the rate is 0, as the neighbourhood's is.
    """
    y, n = _counts(events, exposure)
    around = with_self(weights)
    size = np.asarray(around.sum(axis=1)).ravel()
    exposed = around @ n
    mean = (around @ y) / exposed
    rate = y / n
    if centre == "neighbourhood":
        spread = (around @ (n * rate**2) - 2 * mean * (around @ y) + mean**2 * exposed) / exposed
    else:
        spread = (around @ (n * (rate - mean) ** 2)) / exposed
    between = np.maximum(spread - mean / (exposed / size), 0.0)
    own = between + mean / n
    smoothed = np.where(own > 0, mean + (rate - mean) * between / np.where(own > 0, own, 1.0), mean)
    return SmoothedRates(rate=smoothed, mean=mean, between_variance=between)


def clayton_kaldor(
    events: ArrayLike, expected: ArrayLike, *, tolerance: float = 1e-12, most: int = 10_000
) -> GammaRates:
    """Gamma-Poisson relative risks with moment estimates.

    Notes
    -----
    D. Clayton and J. Kaldor, "Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping", Biometrics 43, 671-681, 1987: mean and variance of the posterior means are matched in turn.
    """
    y, e = _counts(events, expected)
    shape = rate = 1.0
    for _ in range(most):
        risk = (y + shape) / (e + rate)
        mean = risk.mean()
        variance = float(np.sum((1 + rate / e) * (risk - mean) ** 2) / (len(y) - 1))
        if variance <= 0:
            break
        new_rate = mean / variance
        new_shape = mean * new_rate
        moved = abs(new_rate - rate) + abs(new_shape - shape)
        shape, rate = new_shape, new_rate
        if moved < tolerance * (shape + rate):
            break
    return GammaRates(shape=shape, rate=rate, relative_risk=(y + shape) / (e + rate))


def negative_binomial(events: ArrayLike, expected: ArrayLike) -> GammaRates:
    """Gamma-Poisson relative risks with maximum-likelihood estimates (Clayton and Kaldor 1987)."""
    y, e = _counts(events, expected)

    def cost(parameters: FloatArray) -> float:
        shape, rate = np.exp(parameters)
        each = gammaln(y + shape) - gammaln(shape) + shape * np.log(rate / (e + rate))
        return -float(np.sum(each + y * np.log(e / (e + rate))))

    found = minimize(
        cost, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 2000}
    )
    shape, rate = (float(value) for value in np.exp(found.x))
    return GammaRates(shape=shape, rate=rate, relative_risk=(y + shape) / (e + rate))


def _counts(events: ArrayLike, exposure: ArrayLike) -> tuple[FloatArray, FloatArray]:
    y, n = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    if y.shape != n.shape or y.ndim != 1 or len(y) < 2:
        raise ModelInputError("events and exposure must be flat arrays of one length, two areas at least.")
    bad = ~(np.isfinite(y) & (y >= 0) & np.isfinite(n) & (n > 0))
    if bad.any():
        raise ModelInputError("events must be 0 or more and exposure above 0.", row=int(np.argmax(bad)))
    return y, n

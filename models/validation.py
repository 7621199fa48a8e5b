"""How good predicted chances were, once the looks are in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.counts import mixed_count_pmf
from models.errors import ModelInputError
from models.looks import FloatArray

#: A chance of exactly 0 or 1 that proves wrong would score infinitely badly; it is held this far off.
EDGE = 1e-12


@dataclass(frozen=True)
class Calibration:
    """Predicted against seen, in groups of like prediction.

    Attributes
    ----------
    n : ndarray of int, shape (n_groups,)
        Looks in the group.
    predicted, observed : ndarray, shape (n_groups,)
        Mean chance and share that was bad.
    slope, intercept : float
        Of the logistic regression of outcome on logit of the chance: 1 and 0 where chances are right; NaN
        where all outcomes or all chances are alike, or where chances separate outcomes.
    """

    n: np.ndarray
    predicted: FloatArray
    observed: FloatArray
    slope: float
    intercept: float


def log_score(chance: ArrayLike, bad: ArrayLike) -> float:
    """Mean of -log of the chance given to what happened; lower is better.

    Parameters
    ----------
    chance : array, shape (n,)
        Predicted chance of bad.
    bad : array of bool or 0/1, shape (n,)
        What was seen.

    Returns
    -------
    float
    """
    p, y = _checked(chance, bad)
    p = np.clip(p, EDGE, 1.0 - EDGE)
    return float(-np.mean(np.where(y, np.log(p), np.log1p(-p))))


def brier_score(chance: ArrayLike, bad: ArrayLike) -> float:
    """Mean squared difference of chance and outcome; parameters as in `log_score`."""
    p, y = _checked(chance, bad)
    return float(np.mean((p - y) ** 2))


def calibration(chance: ArrayLike, bad: ArrayLike, *, n_groups: int = 10) -> Calibration:
    """Group looks by predicted chance and compare with what was seen.

    Parameters
    ----------
    chance, bad : array, shape (n,)
        As in `log_score`.
    n_groups : int
        Groups of about equal size (deciles by default); ties stay together.

    Returns
    -------
    Calibration

    Notes
    -----
    Slope and intercept: Cox 1958, Biometrika 45:562 (from memory).
    """
    p, y = _checked(chance, bad)
    cuts = np.unique(np.quantile(p, np.linspace(0, 1, n_groups + 1)[1:-1]))
    _, group = np.unique(np.searchsorted(cuts, p, side="right"), return_inverse=True)
    n = np.bincount(group)
    slope, intercept = _logistic_line(p, y)
    return Calibration(
        n=n,
        predicted=np.bincount(group, weights=p) / n,
        observed=np.bincount(group, weights=y) / n,
        slope=slope,
        intercept=intercept,
    )


def _logistic_line(p: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept of logit P(bad) on logit p, by Newton's method."""
    x = np.clip(p, EDGE, 1.0 - EDGE)
    design = np.stack((np.log(x) - np.log1p(-x), np.ones(len(x))), axis=1)
    if np.ptp(design[:, 0]) < 1e-9 or y.min() == y.max():
        return float("nan"), float("nan")
    coef = np.array([1.0, 0.0])
    for _ in range(50):
        mean = 1.0 / (1.0 + np.exp(-np.clip(design @ coef, -30, 30)))
        information = design.T @ (design * (mean * (1.0 - mean))[:, None])
        if np.linalg.cond(information) > 1e14:
            break
        step = np.linalg.solve(information, design.T @ (y - mean))
        coef = coef + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-10:
            return float(coef[0]), float(coef[1])
    return float("nan"), float("nan")


def chance_at_least(k: int, probability: ArrayLike) -> float:
    """Chance that at least k of a group fail.

    Parameters
    ----------
    k : int
        Number of failures.
    probability : array, shape (m,) or (n_draws, m)
        Chance of each member, or of each under each parameter draw: see `counts.mixed_count_pmf`.

    Returns
    -------
    float
    """
    pmf = mixed_count_pmf(np.atleast_2d(np.asarray(probability, dtype=np.float64)))
    return float(min(pmf[max(k, 0) :].sum(), 1.0))


def _checked(chance: ArrayLike, bad: ArrayLike) -> tuple[FloatArray, FloatArray]:
    p, y = np.asarray(chance, dtype=np.float64), np.asarray(bad, dtype=np.float64)
    if p.shape != y.shape or p.ndim != 1 or len(p) == 0:
        raise ModelInputError(
            f"chances of shape {p.shape} and outcomes of shape {y.shape} cannot be compared."
        )
    for wrong, text in (
        (~((p >= 0) & (p <= 1)), "a chance lies outside 0 to 1."),
        ((y != 0) & (y != 1), "an outcome is neither 0 nor 1."),
    ):
        if wrong.any():
            raise ModelInputError(text, row=int(np.argmax(wrong)))
    return p, y

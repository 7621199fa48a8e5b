"""Which of several models foretold looks best that none of them had seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import roc_auc_score

from models.errors import ModelInputError
from models.intervals import FloatArray, IntArray
from models.validation import brier_score, calibration, log_score

#: A baseline is no surer than this many records more, half of them failed, would make it.
ADDED_RECORDS = 1.0


@dataclass(frozen=True)
class Scored:
    """How well chances foretold looks.

    Attributes
    ----------
    n, n_bad, n_groups : int
        Looks, bad ones among them, and groups of looks that resemble each other.
    brier, log_score : float
        Lower is better.
    log_score_error : float
        Standard error of the log score, groups taken as independent; NaN with fewer than two.
    auc : float
        Chance that a bad look was given the higher chance than a good one; NaN where all are alike.
    calibration_slope : float
        1 where chances are as extreme as they should be, less where they are too extreme.
    """

    n: int
    n_bad: int
    n_groups: int
    brier: float
    log_score: float
    log_score_error: float
    auc: float
    calibration_slope: float


@dataclass(frozen=True)
class Lead:
    """By how much one model's log score is better than another's.

    Attributes
    ----------
    by : float
        Mean difference per look; above 0 the first is better.
    error : float
        Its standard error, groups taken as independent; NaN with fewer than two.
    """

    by: float
    error: float

    @property
    def is_clear(self) -> bool:
        """Whether it exceeds twice its standard error."""
        return bool(np.isfinite(self.error) and abs(self.by) > 2.0 * self.error)


def score_looks(chance: ArrayLike, bad: ArrayLike, group: ArrayLike) -> Scored:
    """Score chances that were given to looks before they were seen.

    Parameters
    ----------
    chance : array, shape (n,)
        Chance of bad.
    bad : array of 0 and 1, shape (n,)
        What was seen.
    group : array, shape (n,)
        Looks that resemble each other, such as those of one subdivision.

    References
    ----------
    Proper scores: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359-378 (from memory).
    """
    p, y, g = np.asarray(chance, dtype=float), np.asarray(bad, dtype=float), np.asarray(group)
    losses = _losses(p, y)
    both = 0 < y.sum() < len(y)
    return Scored(
        n=len(y),
        n_bad=int(y.sum()),
        n_groups=len(np.unique(g)),
        brier=brier_score(p, y),
        log_score=log_score(p, y),
        log_score_error=clustered_error(losses, g),
        auc=float(roc_auc_score(y, p)) if both else float("nan"),
        calibration_slope=calibration(p, y).slope,
    )


def lead_of(chance: ArrayLike, other: ArrayLike, bad: ArrayLike, group: ArrayLike) -> Lead:
    """Compare the log scores of two models on the same looks; parameters as in `score_looks`."""
    y = np.asarray(bad, dtype=float)
    apart = _losses(np.asarray(other, dtype=float), y) - _losses(np.asarray(chance, dtype=float), y)
    return Lead(float(apart.mean()), clustered_error(apart, np.asarray(group)))


def clustered_error(values: FloatArray, group: ArrayLike) -> float:
    """Return the standard error of a mean whose terms resemble each other within groups.

    References
    ----------
    Ratio estimator of a cluster sample: Cochran 1977, Sampling Techniques, section 9A.1 (from memory).
    """
    _, number = np.unique(np.asarray(group), return_inverse=True)
    n_groups = int(number.max()) + 1
    if n_groups < 2:
        return float("nan")
    sums = np.bincount(number, weights=values - values.mean())
    return float(np.sqrt(n_groups / (n_groups - 1) * (sums**2).sum()) / len(values))


def base_rate(bad: ArrayLike, n: int) -> FloatArray:
    """Return the share of bad looks as the chance of n others."""
    y = np.asarray(bad, dtype=float)
    return np.full(n, (y.sum() + ADDED_RECORDS / 2) / (len(y) + ADDED_RECORDS))


def age_curve(age: ArrayLike, bad: ArrayLike, at: ArrayLike) -> FloatArray:
    """Return the share failed by age alone, the nonparametric estimate for current status.

    Parameters
    ----------
    age, bad : array, shape (n,)
        Age at the look [years] and what was seen.
    at : array, shape (m,)
        Ages asked for [years].

    Returns
    -------
    ndarray, shape (m,)
        Held off 0 and 1 by half a record in n + 1, since its ends are 0 and 1 wherever they can be.

    References
    ----------
    Isotonic regression is that estimate: Groeneboom & Wellner 1992, Information Bounds and Nonparametric
    Maximum Likelihood Estimation, part II (from memory).
    """
    y = np.asarray(bad, dtype=float)
    edge = ADDED_RECORDS / 2 / (len(y) + ADDED_RECORDS)
    rising = IsotonicRegression(y_min=edge, y_max=1.0 - edge, out_of_bounds="clip")
    fitted: FloatArray = rising.fit(np.asarray(age, dtype=float), y).predict(np.asarray(at, dtype=float))
    return fitted


def dealt_folds(group: ArrayLike, n_folds: int) -> Iterator[tuple[IntArray, IntArray]]:
    """Rows to fit on and rows left out, whole groups at a time, folds of like size.

    Parameters
    ----------
    group : array, shape (n,)
        Group of each row.
    n_folds : int
        2 or more; no more than there are groups.
    """
    _, number, size = np.unique(np.asarray(group), return_inverse=True, return_counts=True)
    if not 2 <= n_folds <= len(size):
        raise ModelInputError(f"{n_folds} folds cannot be made of {len(size)} groups.")
    fold = np.empty(len(size), dtype=np.int64)
    # The largest first, each to the fold that has least.
    filled = np.zeros(n_folds)
    for position in np.argsort(-size, kind="stable"):
        fold[position] = int(np.argmin(filled))
        filled[fold[position]] += size[position]
    for number_of_fold in range(n_folds):
        out = fold[number] == number_of_fold
        yield np.flatnonzero(~out), np.flatnonzero(out)


def share_ranges(n: IntArray, share: FloatArray, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Ranges of shares seen among n looks each.

    References
    ----------
    Wilson 1927, J. Am. Stat. Assoc. 22:209-212 (from memory).
    """
    z = float(norm.ppf(0.5 + level / 2.0))
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    return np.clip(middle - half, 0.0, 1.0), np.clip(middle + half, 0.0, 1.0)


def _losses(chance: FloatArray, bad: FloatArray) -> FloatArray:
    held = np.clip(chance, 1e-12, 1.0 - 1e-12)
    losses: FloatArray = -np.where(bad == 1, np.log(held), np.log1p(-held))
    return losses

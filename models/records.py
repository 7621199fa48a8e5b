"""Tests for records that look too good, too round or too late to be true.

Each returns what was counted and how surprising that is; what to call suspicious is the caller's choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from models.errors import ModelInputError
from models.looks import FloatArray

#: Whole numbers that end in 0 or 5, among ten final digits.
ROUND_SHARE = 0.2
#: Steepest wear-out granted to honest records: F grows at most like age to this power before the first
#: failures are seen. Fitted shapes of sewer pipes lie at 2 to 4; this is beyond them.
STEEPEST_SHAPE = 5.0


@dataclass(frozen=True)
class HeapedAges:
    """Ages that end in 0 or 5, against one in five.

    Attributes
    ----------
    n, n_round : int
        Whole ages of 10 or more, and those ending in 0 or 5.
    share : float
        NaN where n is 0.
    p_value : float
        One-sided: chance of so many round ages or more if final digits were even.
    """

    n: int
    n_round: int
    share: float
    p_value: float


@dataclass(frozen=True)
class UnchangedRepeats:
    """Repeat looks that carry the same class as the look before.

    Attributes
    ----------
    n_pairs, n_unchanged : int
    share, lower, upper : float
        Share and its exact 95 % limits (Clopper & Pearson 1934); NaN, 0 and 1 without pairs.
    """

    n_pairs: int
    n_unchanged: int
    share: float
    lower: float
    upper: float


@dataclass(frozen=True)
class OldestGroup:
    """The oldest ages' failed share against the share just before them.

    Attributes
    ----------
    oldest_from, before_from : float
        Age at which the two groups start [years].
    n_oldest, n_failed_oldest, n_before, n_failed_before : int
    p_value : float
        One-sided Fisher exact test that the share falls; 1 where it does not.
    """

    oldest_from: float
    before_from: float
    n_oldest: int
    n_failed_oldest: int
    n_before: int
    n_failed_before: int
    p_value: float


@dataclass(frozen=True)
class RecodedYoung:
    """No failure at all below an age at which they then start at once.

    Attributes
    ----------
    age : float
        Youngest age with a failure [years]; NaN where there is none.
    n_below : int
        Looks below it, none of them bad.
    n_at, n_failed_at : int
        Looks and bad looks in the band that starts there.
    expected_below : float
        Bad looks below that even steep wear-out would have brought.
    p_value : float
        Chance of none of them.
    """

    age: float
    n_below: int
    n_at: int
    n_failed_at: int
    expected_below: float
    p_value: float


def heaped_ages(age: ArrayLike) -> HeapedAges:
    """Count whole ages that end in 0 or 5.

    Parameters
    ----------
    age : array, shape (n,)
        Ages or years [years]. Fractions and ages under 10 are left out: the young are often exact.

    Returns
    -------
    HeapedAges

    Notes
    -----
    One-sided exact binomial test against 1 in 5; digit preference as in Whipple's index (UN Demographic
    Yearbook, from memory).
    """
    ages = np.asarray(age, dtype=np.float64)
    whole = ages[np.isfinite(ages) & (ages >= 10) & (ages == np.round(ages))]
    n, n_round = len(whole), int((whole % 5 == 0).sum())
    if n == 0:
        return HeapedAges(0, 0, float("nan"), 1.0)
    p_value = stats.binomtest(n_round, n, ROUND_SHARE, alternative="greater").pvalue
    return HeapedAges(n, n_round, n_round / n, float(p_value))


def unchanged_repeats(n_pairs: int, n_unchanged: int) -> UnchangedRepeats:
    """Share of successive looks at the same life that carry the same class.

    Parameters
    ----------
    n_pairs : int
        Pairs of successive looks.
    n_unchanged : int
        Pairs with the same class.

    Returns
    -------
    UnchangedRepeats

    Raises
    ------
    ModelInputError
        Unless 0 <= n_unchanged <= n_pairs.
    """
    if not 0 <= n_unchanged <= n_pairs:
        raise ModelInputError(f"{n_unchanged} unchanged of {n_pairs} pairs is impossible.")
    if n_pairs == 0:
        return UnchangedRepeats(0, 0, float("nan"), 0.0, 1.0)
    limits = stats.binomtest(n_unchanged, n_pairs).proportion_ci(0.95, method="exact")
    return UnchangedRepeats(
        n_pairs, n_unchanged, n_unchanged / n_pairs, float(limits.low), float(limits.high)
    )


def oldest_group(age: ArrayLike, bad: ArrayLike, *, band_years: float = 10.0) -> OldestGroup:
    """Test whether the failed share falls at the oldest ages.

    Parameters
    ----------
    age : array, shape (n,)
        Age at each look [years].
    bad : array of bool or 0/1, shape (n,)
        What was seen.
    band_years : float
        Width of the two bands compared: the one that holds the oldest look, and the next younger one
        that has looks.

    Returns
    -------
    OldestGroup
        With p_value 1 where there are not two bands.

    Notes
    -----
    Failing pipes get replaced and leave the records; those that stay are survivors. One-sided Fisher
    exact test (Fisher 1935).
    """
    ages, failed = _looks(age, bad)
    bands = np.floor(ages / band_years)
    present = np.unique(bands)
    if len(present) < 2:
        nan = float("nan")
        return OldestGroup(nan, nan, len(ages), int(failed.sum()), 0, 0, 1.0)
    oldest, before = bands == present[-1], bands == present[-2]
    n_old, d_old = int(oldest.sum()), int(failed[oldest].sum())
    n_before, d_before = int(before.sum()), int(failed[before].sum())
    table = [[d_old, n_old - d_old], [d_before, n_before - d_before]]
    p_value = stats.fisher_exact(table, alternative="less").pvalue
    return OldestGroup(
        float(present[-1] * band_years),
        float(present[-2] * band_years),
        n_old,
        d_old,
        n_before,
        d_before,
        float(min(p_value, 1.0)),
    )


def recoded_young(age: ArrayLike, bad: ArrayLike, *, band_years: float = 5.0) -> RecodedYoung:
    """Test whether young ages carry no failures where there must have been some.

    Parameters
    ----------
    age, bad : array, shape (n,)
        As in `oldest_group`.
    band_years : float
        Width of the band from the first failing age on whose failed share is the yardstick.

    Returns
    -------
    RecodedYoung

    Notes
    -----
    With share s failed just past age a, wear-out no steeper than (t / a)^STEEPEST_SHAPE leaves a chance of
    at least s (t / a)^STEEPEST_SHAPE at t < a; the p-value is the chance that none of the looks below was
    bad. The yardstick is the lower 95 % limit of s, so that one odd failure proves nothing.
    """
    ages, failed = _looks(age, bad)
    if not failed.any():
        return RecodedYoung(float("nan"), len(ages), 0, 0, 0.0, 1.0)
    first = float(ages[failed].min())
    in_band = (ages >= first) & (ages < first + band_years)
    n_at, n_failed = int(in_band.sum()), int(failed[in_band].sum())
    share = stats.binomtest(n_failed, n_at).proportion_ci(0.95, method="exact").low
    below = ages[ages < first]
    chance = share * (below / first) ** STEEPEST_SHAPE
    none = float(np.exp(np.log1p(-np.minimum(chance, 1.0 - 1e-12)).sum()))
    return RecodedYoung(first, len(below), n_at, n_failed, float(chance.sum()), none)


def _looks(age: ArrayLike, bad: ArrayLike) -> tuple[FloatArray, np.ndarray]:
    ages, failed = np.asarray(age, dtype=np.float64), np.asarray(bad).astype(np.bool_)
    if ages.shape != failed.shape or ages.ndim != 1:
        raise ModelInputError(
            f"ages of shape {ages.shape} and outcomes of shape {failed.shape} do not match."
        )
    wrong = ~(np.isfinite(ages) & (ages >= 0))
    if wrong.any():
        raise ModelInputError("age is not a number of 0 or more.", row=int(np.argmax(wrong)))
    return ages, failed

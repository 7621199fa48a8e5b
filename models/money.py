"""Money over the years: ranges of prices, escalation, discounting, and what a reserve must take in.

Conventions, those of engineering-economy handbooks: amounts of year t (t = 1, 2, …) fall at the end of that
year; rates are yearly and compound; "now" is the beginning of year 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from models.errors import ModelInputError
from models.looks import FloatArray

#: Weight of the likely value against the two ends in a PERT range.
PERT_WEIGHT = 4.0


@dataclass(frozen=True, slots=True)
class Spread:
    """A sum or a number that is known as a range.

    Attributes
    ----------
    low, likely, high : float
        Least, most likely and greatest value, in this order, none negative.
    """

    low: float
    likely: float
    high: float

    def __post_init__(self) -> None:
        """Refuse a range that is none."""
        values = (self.low, self.likely, self.high)
        if not all(np.isfinite(value) for value in values):
            raise ModelInputError(f"the range {values} holds a value that is not a finite number.")
        if min(values) < 0.0:
            raise ModelInputError(f"the range {values} holds a negative value.")
        if not self.low <= self.likely <= self.high:
            raise ModelInputError(f"the range {values} does not rise from low over likely to high.")

    @property
    def mean(self) -> float:
        """Mean of the PERT distribution: (low + 4 likely + high) / 6."""
        return (self.low + PERT_WEIGHT * self.likely + self.high) / (PERT_WEIGHT + 2.0)


def pert_quantile(low: ArrayLike, likely: ArrayLike, high: ArrayLike, share: ArrayLike) -> FloatArray:
    """Quantile of the PERT distribution, by which "low, likely, high" becomes a distribution.

    Parameters
    ----------
    low, likely, high : array
        Ends and mode, rising; equal ends give that value.
    share : array, in [0, 1]
        Which quantile; broadcast against the others.

    Returns
    -------
    ndarray

    References
    ----------
    .. [1] D. G. Malcolm, J. H. Roseboom, C. E. Clark, W. Fazar, "Application of a technique for research and
       development program evaluation", Operations Research 7 (1959) 646-669: mean (low + 4 likely + high) / 6.
       The beta distribution with weight 4 is the usual reading of it; from memory.
    """
    least, mode, most = (np.asarray(value, dtype=np.float64) for value in (low, likely, high))
    width = most - least
    safe = np.where(width > 0.0, width, 1.0)
    place = np.where(width > 0.0, (mode - least) / safe, 0.5)
    quantile: FloatArray = least + width * betaincinv(
        1.0 + PERT_WEIGHT * place, 1.0 + PERT_WEIGHT * (1.0 - place), share
    )
    return quantile


def growth_factors(n_years: int, rate: float, *, lead_years: float = 0.0) -> FloatArray:
    """Price of year t over the price of the base year, (1 + rate)^(lead + t), shape (n_years,).

    Parameters
    ----------
    n_years : int
        Years 1 .. n_years.
    rate : float
        Yearly escalation, above -1.
    lead_years : float
        Years from the base year of the prices to now [years].

    Raises
    ------
    ModelInputError
        If the rate is -1 or less, or there is no year.
    """
    _check_years_and_rate(n_years, rate)
    factors: FloatArray = np.power(1.0 + rate, lead_years + np.arange(1.0, n_years + 1))
    return factors


def discount_factors(n_years: int, rate: float) -> FloatArray:
    """Present worth of one dollar at the end of year t, (P/F, rate, t) = (1 + rate)^-t, shape (n_years,)."""
    _check_years_and_rate(n_years, rate)
    factors: FloatArray = np.power(1.0 + rate, -np.arange(1.0, n_years + 1))
    return factors


def present_value(amounts: ArrayLike, rate: float) -> FloatArray:
    """Present worth of amounts at the ends of years 1, 2, … (last axis)."""
    given = np.asarray(amounts, dtype=np.float64)
    worth: FloatArray = given @ discount_factors(given.shape[-1], rate)
    return worth


def _check_years_and_rate(n_years: int, rate: float) -> None:
    if n_years < 1:
        raise ModelInputError(f"a horizon of {n_years} years has no year in it.")
    if not rate > -1.0:
        raise ModelInputError(f"a yearly rate of {rate} is not above -1.")


def least_contribution(
    costs: ArrayLike, *, opening: float, interest: float, growth: float = 0.0
) -> FloatArray:
    """First-year contribution with which a reserve just never runs dry.

    Parameters
    ----------
    costs : array, shape (..., n_years)
        What is paid out at the end of each year.
    opening : float
        Balance now.
    interest : float
        Yearly interest on the balance.
    growth : float
        Yearly growth of the contribution, which is paid at the end of each year, before that year's costs.

    Returns
    -------
    ndarray, shape (...)
        Never below 0.

    Notes
    -----
    The balance at the end of year t is, discounted to now, opening + c · A_t - K_t, with A_t the worth of
    contributions of one growing dollar (the geometric-gradient factor) and K_t that of the costs so far. It
    is never negative for c = max over t of (K_t - opening) / A_t. With the same cost each year and no opening
    balance c is that cost; with one cost at the end it is that cost times the sinking-fund factor (A/F).
    """
    given = np.asarray(costs, dtype=np.float64)
    n_years = given.shape[-1]
    worth = discount_factors(n_years, interest)
    paid_in = np.cumsum(worth * (1.0 + growth) ** np.arange(n_years))
    paid_out = np.cumsum(given * worth, axis=-1)
    least: FloatArray = np.maximum((paid_out - opening) / paid_in, 0.0).max(axis=-1)
    return least


def fair_contribution(costs: ArrayLike, *, interest: float, growth: float = 0.0) -> float:
    """First-year contribution that on average pays for everything by the end: mean worth over that of one dollar."""
    given = np.asarray(costs, dtype=np.float64)
    n_years = given.shape[-1]
    worth = discount_factors(n_years, interest)
    return float((given @ worth).mean() / (worth @ (1.0 + growth) ** np.arange(n_years)))


def least_opening(
    costs: ArrayLike, *, contribution: float, interest: float, growth: float = 0.0
) -> FloatArray:
    """Balance now with which a reserve just never runs dry, given its contributions; never below 0."""
    given = np.asarray(costs, dtype=np.float64)
    n_years = given.shape[-1]
    worth = discount_factors(n_years, interest)
    paid_in = np.cumsum(worth * contribution * (1.0 + growth) ** np.arange(n_years))
    least: FloatArray = np.maximum(np.cumsum(given * worth, axis=-1) - paid_in, 0.0).max(axis=-1)
    return least


def balances(
    costs: ArrayLike, *, opening: float, contribution: float, interest: float, growth: float = 0.0
) -> FloatArray:
    """Balance of a reserve at the end of each year; below 0 where it has run dry. Shape as `costs`."""
    given = np.asarray(costs, dtype=np.float64)
    n_years = given.shape[-1]
    worth = discount_factors(n_years, interest)
    paid_in = np.cumsum(worth * contribution * (1.0 + growth) ** np.arange(n_years))
    left: FloatArray = (opening + paid_in - np.cumsum(given * worth, axis=-1)) / worth
    return left


def chance_above(values: ArrayLike, limit: float) -> float:
    """Share of draws above a limit."""
    return float(np.mean(np.asarray(values, dtype=np.float64) > limit))

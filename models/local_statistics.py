"""Local statistics of areas or points with their neighbours: Getis-Ord, Moran, false-discovery control.

Tails are analytic. Permutation p-values cannot go below one over the number of permutations, so that among
thousands of places none could pass a control of false discoveries.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.spatial import KDTree
from scipy.special import ndtr

from models.errors import ModelInputError
from models.looks import BoolArray, FloatArray, IntArray

#: A sparse matrix of weights, shape (n, n): `scipy.sparse.csr_array`, which has no types of its own.
Weights: TypeAlias = Any


@dataclass(frozen=True, kw_only=True)
class LocalMoran:
    """Local Moran statistics; arrays of shape (n,).

    Attributes
    ----------
    statistic, expectation, variance, z : ndarray
    p_value : ndarray
        Two-sided.
    """

    statistic: FloatArray
    expectation: FloatArray
    variance: FloatArray
    z: FloatArray
    p_value: FloatArray


@dataclass(frozen=True, kw_only=True)
class Moran:
    """Moran's I of all places with its expectation and variance under randomisation."""

    statistic: float
    expectation: float
    variance: float


@dataclass(frozen=True, kw_only=True)
class Discoveries:
    """Benjamini-Hochberg: adjusted p-values, and which are kept at the wanted rate."""

    q_value: FloatArray
    is_kept: BoolArray


def neighbour_matrix(focal: ArrayLike, neighbour: ArrayLike, n: int) -> Weights:
    """Binary weights from pairs.

    Parameters
    ----------
    focal, neighbour : array of int, shape (n_pairs,)
        Place, and its neighbour, from 0.
    n : int
        Number of places.
    """
    rows, columns = np.asarray(focal, dtype=np.int64), np.asarray(neighbour, dtype=np.int64)
    outside = (rows < 0) | (rows >= n) | (columns < 0) | (columns >= n)
    if outside.any():
        raise ModelInputError(f"a neighbour is not one of the {n} places.", row=int(np.argmax(outside)))
    return sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=(n, n))


def nearest(x: ArrayLike, y: ArrayLike, k: int) -> Weights:
    """Binary weights of the k nearest others of each place; fewer where there are fewer."""
    places = np.column_stack((np.asarray(x, dtype=float), np.asarray(y, dtype=float)))
    n = len(places)
    k = min(k, n - 1)
    if k < 1:
        return sparse.csr_array((n, n), dtype=float)
    near = KDTree(places).query(places, k=k + 1, workers=-1)[1]
    # A place that shares its point with others may not be the first of its own list.
    own = near == np.arange(n)[:, None]
    own[~own.any(axis=1), -1] = True
    others = near[~own].reshape(n, k)
    pairs = np.arange(0, n * k + 1, k)
    return sparse.csr_array((np.ones(n * k), others.ravel(), pairs), shape=(n, n))


def within(x: ArrayLike, y: ArrayLike, distance: float) -> Weights:
    """Binary weights of all others up to a distance, that distance included."""
    places = np.column_stack((np.asarray(x, dtype=float), np.asarray(y, dtype=float)))
    pairs = KDTree(places).query_pairs(distance * (1 + 1e-12), output_type="ndarray")
    both = np.concatenate((pairs, pairs[:, ::-1]))
    return neighbour_matrix(both[:, 0], both[:, 1], len(places))


def with_self(weights: Weights) -> Weights:
    """Add every place to its own neighbours."""
    return sparse.csr_array(weights + sparse.eye_array(weights.shape[0], format="csr"))


def row_standardised(weights: Weights) -> Weights:
    """Divide each row by its sum; a place without neighbours keeps none."""
    total = np.asarray(weights.sum(axis=1)).ravel()
    return sparse.csr_array(
        sparse.diags_array(np.where(total > 0, 1 / np.maximum(total, 1e-300), 0.0)) @ weights
    )


def getis_ord(values: ArrayLike, weights: Weights, *, star: bool = True) -> FloatArray:
    """Getis-Ord Gi* (or Gi) of each place, as a standard normal deviate.

    Parameters
    ----------
    values : array, shape (n,)
    weights : csr_array, shape (n, n)
        Without the place itself; Gi* adds it with weight 1.
    star : bool
        Gi*, which counts the place itself; False gives Gi, which leaves it out.

    Returns
    -------
    ndarray, shape (n,)
        NaN where a place has no neighbours or nothing varies.

    Notes
    -----
    J. K. Ord and A. Getis, "Local spatial autocorrelation statistics", Geographical Analysis 27, 286-306, 1995.
    """
    x, n = _values(values, weights), weights.shape[0]
    if star:
        weights = with_self(weights)
        mean, variance, trials = x.mean(), x.var(), n
    else:
        trials = n - 1
        mean = (x.sum() - x) / trials
        variance = (np.square(x).sum() - np.square(x)) / trials - mean**2
    total, squares = _row_sums(weights)
    spread = np.maximum(variance, 0.0) * (trials * squares - total**2) / (trials - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(spread > 0, (weights @ x - mean * total) / np.sqrt(spread), np.nan)


def local_moran(
    values: ArrayLike, weights: Weights, *, null: Literal["conditional", "total"] = "conditional"
) -> LocalMoran:
    """Local Moran statistics with analytic moments.

    Parameters
    ----------
    values : array, shape (n,)
    weights : csr_array, shape (n, n)
        Used as given; row-standardise first where that is wanted.
    null : 'conditional' or 'total'
        Whether the place keeps its own value when values are shuffled.

    Returns
    -------
    LocalMoran

    Notes
    -----
    L. Anselin, "Local indicators of spatial association", Geographical Analysis 27, 93-115, 1995; conditional
    moments by R. R. Sokal and others 1998 (from memory). The variance is divided by n; programs that divide
    by n - 1 give (n - 1) / n of this statistic.
    """
    x, n = _values(values, weights), weights.shape[0]
    z = x - x.mean()
    second = float(np.mean(z**2))
    if second <= 0:
        nothing = np.full(n, np.nan)
        return LocalMoran(
            statistic=nothing, expectation=nothing, variance=nothing, z=nothing, p_value=nothing
        )
    total, squares = _row_sums(weights)
    statistic = z / second * (weights @ z)
    if null == "conditional":
        expectation = -(z**2) * total / ((n - 1) * second)
        variance = (
            (z / second) ** 2 * (n / (n - 2)) * (squares - total**2 / (n - 1)) * (second - z**2 / (n - 1))
        )
    else:
        kurtosis = float(np.mean(z**4)) / second**2
        expectation = -total / (n - 1)
        variance = (
            squares * (n - kurtosis) / (n - 1)
            + (total**2 - squares) * (2 * kurtosis - n) / ((n - 1) * (n - 2))
            - (total / (n - 1)) ** 2
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        deviate = np.where(variance > 0, (statistic - expectation) / np.sqrt(variance), np.nan)
    return LocalMoran(
        statistic=statistic,
        expectation=expectation,
        variance=variance,
        z=deviate,
        p_value=2 * upper_tail(np.abs(deviate)),
    )


def moran(values: ArrayLike, weights: Weights) -> Moran:
    """Moran's I; variance under randomisation (A. D. Cliff and J. K. Ord, "Spatial Processes", 1981)."""
    x, n = _values(values, weights), weights.shape[0]
    z = x - x.mean()
    s0 = float(weights.sum())
    both = weights + weights.T
    s1 = 0.5 * float(both.multiply(both).sum())
    sums = np.asarray(weights.sum(axis=1)).ravel() + np.asarray(weights.sum(axis=0)).ravel()
    s2 = float(np.square(sums).sum())
    kurtosis = float(np.mean(z**4) / np.mean(z**2) ** 2)
    expectation = -1.0 / (n - 1)
    first = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * s0**2)
    second = kurtosis * ((n**2 - n) * s1 - 2 * n * s2 + 6 * s0**2)
    variance = (first - second) / ((n - 1) * (n - 2) * (n - 3) * s0**2) - expectation**2
    return Moran(
        statistic=float(n / s0 * (z @ (weights @ z)) / (z @ z)), expectation=expectation, variance=variance
    )


def rate_moran(events: ArrayLike, exposure: ArrayLike, weights: Weights) -> float:
    """Moran's I of rates, each divided by its own standard error.

    Notes
    -----
    R. M. Assuncao and E. A. Reis, "A new proposal to adjust Moran's I for population density", Statistics in
    Medicine 18, 2147-2162, 1999.
    """
    y, e = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    rate, mean = y / e, y.sum() / e.sum()
    between = float(np.sum(e * (rate - mean) ** 2) / e.sum() - mean / e.mean())
    variance = between + mean / e
    variance = np.where(variance < 0, mean / e, variance)
    z = (rate - mean) / np.sqrt(variance)
    z = z - z.mean()
    return float(len(z) / weights.sum() * (z @ (weights @ z)) / (z @ z))


def upper_tail(z: ArrayLike) -> FloatArray:
    """Chance of a standard normal deviate above z."""
    tail: FloatArray = ndtr(-np.asarray(z, dtype=float))
    return tail


def benjamini_hochberg(p_value: ArrayLike, *, rate: float = 0.05) -> Discoveries:
    """Adjust p-values so that at most a share `rate` of what is kept is false on average.

    Parameters
    ----------
    p_value : array, shape (n,)
        NaN where there is no test; it is not counted, not kept and stays NaN.
    rate : float

    Returns
    -------
    Discoveries

    Notes
    -----
    Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57, 289-300, 1995. It also holds where tests of
    neighbouring places are positively dependent (Benjamini and Yekutieli 2001, from memory).
    """
    p = np.asarray(p_value, dtype=float)
    tested = np.flatnonzero(~np.isnan(p))
    q = np.full(p.shape, np.nan)
    order = tested[np.argsort(p[tested], kind="stable")]
    scaled = p[order] * len(order) / np.arange(1, len(order) + 1)
    q[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return Discoveries(q_value=q, is_kept=np.nan_to_num(q, nan=2.0) <= rate)


def excess_deviate(events: ArrayLike, chance: ArrayLike, weights: Weights) -> FloatArray:
    """Events above expectation among each place's neighbours and itself, as a normal deviate.

    Parameters
    ----------
    events : array, shape (n,)
        0 or 1.
    chance : array, shape (n,)
        Chance of each by a model that knows nothing of places.
    weights : csr_array, shape (n, n)
        Without the place itself, which is added.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Gi* with the model's moments in place of those of a shuffle: shuffling would take all places to be alike.
    The sum of unequal Bernoulli counts is skewed and goes by steps: half a step is taken off, and the deviate
    g is the one whose Cornish-Fisher expansion g + (s / 6)(g² - 1), s the skewness, is the standardised sum
    (E. A. Cornish and R. A. Fisher 1938, from memory). That keeps far tails honest where few events are
    expected, which a control of false discoveries needs.
    """
    y, p = _values(events, weights), _values(chance, weights)
    around = with_self(weights)
    variance = around @ (p * (1 - p))
    third = around @ (p * (1 - p) * (1 - 2 * p))
    excess = around @ (y - p)
    excess = np.sign(excess) * np.maximum(np.abs(excess) - 0.5, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(variance > 0, excess / np.sqrt(variance), np.nan)
        sixth = np.where(variance > 0, third / variance**1.5, 0.0) / 6
    bent = np.sqrt(np.maximum(1 + 4 * sixth * (z + sixth), 0.0))
    # The root of the quadratic that is near z, in a form that does not cancel where there is no skewness.
    return np.asarray(2 * (z + sixth) / (1 + bent), dtype=float)


def _values(values: ArrayLike, weights: Weights) -> FloatArray:
    x = np.asarray(values, dtype=float)
    if x.shape != (weights.shape[0],):
        raise ModelInputError(f"{weights.shape[0]} values are needed, not shape {x.shape}.")
    if not np.isfinite(x).all():
        raise ModelInputError("a value is not finite.", row=int(np.argmax(~np.isfinite(x))))
    return x


def _row_sums(weights: Weights) -> tuple[FloatArray, FloatArray]:
    """Sums of weights and of their squares in each row."""
    return (
        np.asarray(weights.sum(axis=1)).ravel(),
        np.asarray(weights.multiply(weights).sum(axis=1)).ravel(),
    )


def block_edges(near: Weights) -> tuple[IntArray, IntArray]:
    """Pairs of neighbours, each once, of weights made symmetric."""
    upper = sparse.triu(near + near.T, k=1).tocoo()
    return upper.row.astype(np.int64), upper.col.astype(np.int64)

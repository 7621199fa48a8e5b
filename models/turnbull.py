"""Masses of the nonparametric curve on given support: the numerical core of `models.npmle`.

The likelihood Π (F[b_i] - F[a_i])^w_i is concave in the levels F_1 <= … <= F_{m-1} of the curve between
support intervals. Iterative convex minorant steps, which move all levels at once (Jongbloed 1998,
J. Comput. Graph. Statist. 7:310), alternate with EM steps, which keep them from stalling (Wellner & Zhan
1997, J. Amer. Statist. Assoc. 92:945; both from memory), until the gradient condition holds. Twenty to
forty rounds settle 100,000 records, each a pass over the distinct (a, b) pairs; what they do not settle,
`models.polish` does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.polish import BURST, polished

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@compiled
def weighted_isotonic(value: FloatArray, weight: FloatArray) -> FloatArray:
    """Nondecreasing least-squares fit, by pooling adjacent violators.

    Parameters
    ----------
    value, weight : ndarray, shape (n,)
        Weights above 0.

    Returns
    -------
    ndarray, shape (n,)
    """
    n = len(value)
    mean, total, size = np.empty(n), np.empty(n), np.empty(n, np.int64)
    k = 0
    for i in range(n):
        mean[k], total[k], size[k] = value[i], weight[i], 1
        while k > 0 and mean[k - 1] >= mean[k]:
            joint = total[k - 1] + total[k]
            mean[k - 1] = (mean[k - 1] * total[k - 1] + mean[k] * total[k]) / joint
            total[k - 1] = joint
            size[k - 1] += size[k]
            k -= 1
        k += 1
    out = np.empty(n)
    at = 0
    for j in range(k):
        out[at : at + size[j]] = mean[j]
        at += size[j]
    return out


@compiled
def _value(F: FloatArray, a: IntArray, b: IntArray, w: FloatArray) -> float:
    total = 0.0
    for i in range(len(a)):
        chance = F[b[i]] - F[a[i]]
        if chance <= 0.0:
            return -np.inf
        total += w[i] * np.log(chance)
    return total


@compiled
def _slopes(F: FloatArray, a: IntArray, b: IntArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gradient by the levels and (minus) the diagonal of the Hessian."""
    gradient, curvature = np.zeros(len(F)), np.zeros(len(F))
    for i in range(len(a)):
        chance = F[b[i]] - F[a[i]]
        share = w[i] / chance
        gradient[b[i]] += share
        gradient[a[i]] -= share
        curvature[b[i]] += share / chance
        curvature[a[i]] += share / chance
    return gradient, curvature


@compiled
def _gradient(F: FloatArray, a: IntArray, b: IntArray, w: FloatArray) -> FloatArray:
    """Gradient by the levels alone."""
    gradient = np.zeros(len(F))
    for i in range(len(a)):
        share = w[i] / (F[b[i]] - F[a[i]])
        gradient[b[i]] += share
        gradient[a[i]] -= share
    return gradient


@compiled
def _excess(gradient: FloatArray, n: float) -> FloatArray:
    """Σ_{i covers k} w_i / P_i - n for each support interval k, from the gradient by levels."""
    m = len(gradient) - 1
    excess = np.empty(m)
    running = 0.0
    for k in range(m - 1, -1, -1):
        running += gradient[k + 1]
        excess[k] = running
    excess -= n
    return excess


@compiled
def _em_step(F: FloatArray, gradient: FloatArray, n: float) -> FloatArray:
    excess = _excess(gradient, n)
    out = np.zeros(len(F))
    for k in range(len(excess)):
        out[k + 1] = out[k] + (F[k + 1] - F[k]) * (1.0 + excess[k] / n)
    out /= out[-1]
    return out


@compiled
def rising_step(
    F: FloatArray, direction: FloatArray, gradient: FloatArray, a: IntArray, b: IntArray, w: FloatArray
) -> FloatArray:
    """Go along a direction, the step halved until the likelihood rises; F itself where it never does."""
    slope = (gradient * direction)[1 : len(F) - 1].sum()
    before = _value(F, a, b, w)
    length = 1.0
    for _ in range(30):
        trial = F + length * direction
        if _value(trial, a, b, w) >= before + 1e-4 * length * slope:
            return trial
        length *= 0.5
    return F


@compiled
def _icm_step(
    F: FloatArray, a: IntArray, b: IntArray, w: FloatArray, gradient: FloatArray, curvature: FloatArray
) -> FloatArray:
    """One convex minorant step with the step length halved until the likelihood rises."""
    m = len(F) - 1
    target = F.copy()
    inner = F[1:m] + gradient[1:m] / curvature[1:m]
    target[1:m] = np.minimum(np.maximum(weighted_isotonic(inner, curvature[1:m]), 0.0), 1.0)
    return rising_step(F, target - F, gradient, a, b, w)


@compiled
def _climb(
    F: FloatArray, a: IntArray, b: IntArray, w: FloatArray, tolerance: float, steps: int
) -> tuple[FloatArray, float]:
    """Alternate convex minorant and EM steps until the gradient condition holds."""
    n = w.sum()
    gap = np.inf
    for _ in range(steps):
        gradient, curvature = _slopes(F, a, b, w)
        gap = _excess(gradient, n).max() / n
        if gap < tolerance:
            break
        F = _icm_step(F, a, b, w, gradient, curvature)
        F = _em_step(F, _gradient(F, a, b, w), n)
    return F, gap


def maximise_likelihood(
    first: IntArray, last: IntArray, weight: FloatArray, m: int, tolerance: float, max_iterations: int
) -> FloatArray:
    """Masses that maximise the likelihood of records covering runs of support intervals.

    Parameters
    ----------
    first, last : ndarray of int, shape (n,)
        First and last support interval inside each record, inclusive.
    weight : ndarray, shape (n,)
        Counts, above 0.
    m : int
        Number of support intervals.
    tolerance : float
        Gradient excess per unit at which to stop.
    max_iterations : int
        Rounds allowed; the caller checks the gap.

    Returns
    -------
    ndarray, shape (m,)
    """
    pair, where = np.unique(first * (m + 1) + last + 1, return_inverse=True)
    counts: FloatArray = np.bincount(where, weights=weight).astype(np.float64)
    levels = np.arange(m + 1) / m
    a, b = pair // (m + 1), pair % (m + 1)
    for start in range(0, max_iterations, BURST):
        levels, gap = _climb(levels, a, b, counts, tolerance, min(BURST, max_iterations - start))
        if gap < tolerance or start + BURST >= max_iterations:
            break
        levels = polished(
            levels,
            a,
            b,
            lambda F: _value(F, a, b, counts),
            lambda F: (_slopes(F, a, b, counts)[0], counts / (F[b] - F[a]) ** 2),
            top_is_fixed=True,
        )
    return np.diff(levels)

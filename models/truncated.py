"""Nonparametric curve of units that came under observation at some age: left truncation.

In the masses of the curve this likelihood is not concave. In the cumulative hazard it is: a record that
entered at E and failed in (L, R] has log chance -H(E, L] + log(1 - exp(-H(L, R])), which is concave in the
hazard added in each support interval. So there is one maximum, it is found by convex steps, and a dual
bound proves how near it is. What such records cannot tell is then visible interval by interval:

- no one was watched there: any hazard fits as well, and the curve beyond is undetermined;
- everyone watched there failed there: the hazard is infinite and the curve ends at 1, even where others
  came under observation later, still sound. The chance given survival to a later age remains estimable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.intervals import LARGEST_TABLED_AGE, FloatArray, IntArray, Intervals
from models.polish import BURST, polished
from models.support import find_support, numbered
from models.turnbull import weighted_isotonic


@dataclass(frozen=True)
class Emptied:
    """All `n_units` that were watched between ages `left` and `right` failed there."""

    left: float
    right: float
    n_units: float


@dataclass(frozen=True)
class TruncatedFit:
    """Hazard in each support interval.

    Attributes
    ----------
    left, right : ndarray, shape (m,)
        Support intervals (left, right], or a point where equal, by age.
    hazard : ndarray, shape (m,)
        Cumulative hazard added in each: 0 or more, inf where all who were watched failed; the least that
        fits where `is_free`.
    is_free : ndarray of bool, shape (m,)
        No record says anything of this interval.
    log_likelihood : float
    gap : float
        Per unit, the greater of a bound on how far `log_likelihood` is below the maximum and of the largest
        gradient.
    emptied : Emptied or None
        The first interval in which all who were watched failed although others were seen sound later.
    """

    left: FloatArray
    right: FloatArray
    hazard: FloatArray
    is_free: NDArray[np.bool_]
    log_likelihood: float
    gap: float
    emptied: Emptied | None


@dataclass(frozen=True)
class _Spans:
    """Records that failed within runs of support intervals, `first` to `last` inclusive, with counts."""

    first: IntArray
    last: IntArray
    weight: FloatArray

    def covering(self, m: int, value: FloatArray) -> FloatArray:
        """Sum over the spans that cover each of m support intervals."""
        step = np.bincount(self.first, weights=value, minlength=m + 1)
        step = step - np.bincount(self.last + 1, weights=value, minlength=m + 1)
        return np.cumsum(step[:m])

    def where(self, kept: NDArray[np.bool_]) -> _Spans:
        return _Spans(self.first[kept], self.last[kept], self.weight[kept])


def fit_truncated(
    records: Intervals, *, last_entry: float, tolerance: float, max_iterations: int
) -> TruncatedFit:
    """Maximise the likelihood of records with entry ages.

    Parameters
    ----------
    records : Intervals
        With `entry`; weights above 0; each tells more than its entry.
    last_entry : float
        Latest age at which any unit, of these or others, was sound at entry.
    tolerance : float
        `gap` at which to stop.
    max_iterations : int
        Rounds allowed.

    Returns
    -------
    TruncatedFit

    References
    ----------
    Turnbull 1976, J. R. Statist. Soc. B 38:290; Frydman 1994, J. R. Statist. Soc. B 56:71; Alioum &
    Commenges 1996, Biometrics 52:512 (support). Steps as in `models.turnbull`. All from memory; that the
    likelihood is concave in the hazards is shown at the top of this module.
    """
    records = _count_whole(records)
    support = find_support(records)
    m = len(support.left)
    _, low, _, entry = numbered(records)
    watched = _Spans(
        np.searchsorted(support.begins, entry, side="left"),
        np.searchsorted(support.ends, low, side="right") - 1,
        records.weight,
    )
    watched = watched.where(watched.first <= watched.last)
    cost = watched.covering(m, watched.weight)
    # Sums of fractions leave crumbs; who is watched at all is counted.
    cost[watched.covering(m, np.ones(len(watched.first))) == 0] = 0.0
    failures = _count_pairs(support.first, support.last, records)
    certain = _certain_failures(failures.first, failures.last, cost)
    reached = np.concatenate(([0], np.cumsum(certain)))
    rest = failures.where(reached[failures.last + 1] == reached[failures.first])
    told = rest.covering(m, np.ones(len(rest.first))) > 0
    hazard, right, log_likelihood, gap = _solve(
        rest, cost, told, support.right, records.n_units, tolerance, max_iterations
    )
    emptied = None
    first_certain = int(np.argmax(certain))
    if certain.any() and last_entry >= support.right[first_certain]:
        n_failed = failures.covering(m, failures.weight)[first_certain]
        emptied = Emptied(float(support.left[first_certain]), float(right[first_certain]), float(n_failed))
    hazard[certain] = np.inf
    free = (cost == 0) & ~told & ~certain
    return TruncatedFit(support.left, right, hazard, free, log_likelihood, gap, emptied)


def _count_whole(records: Intervals) -> Intervals:
    """Count identical records of whole ages once; real-valued ages hardly ever agree."""
    if records.entry is None:
        return records
    ages = np.stack((records.left, records.right, records.entry))
    finite = np.isfinite(ages)
    if ages.size == 0 or (ages[finite] != np.floor(ages[finite])).any():
        return records
    size = int(ages[finite].max()) + 2
    if size > LARGEST_TABLED_AGE:
        return records
    left, right, entry = np.where(finite, ages, size - 1).astype(np.int64)
    key, where = np.unique((entry * size + left) * size + right, return_inverse=True)
    weight: FloatArray = np.bincount(where, weights=records.weight).astype(np.float64)
    rest, right = np.divmod(key, size)
    entry, left = np.divmod(rest, size)
    age = np.append(np.arange(size - 1, dtype=np.float64), np.inf)
    return Intervals(age[left], age[right], weight, age[entry])


def _count_pairs(first: IntArray, last: IntArray, records: Intervals) -> _Spans:
    failed = np.isfinite(records.right)
    size = int(last.max(initial=0)) + 1
    pair, where = np.unique(first[failed] * size + last[failed], return_inverse=True)
    weight = np.bincount(where, weights=records.weight[failed], minlength=len(pair))
    return _Spans(pair // size, pair % size, weight.astype(np.float64))


@compiled
def _certain_failures(first: IntArray, last: IntArray, cost: FloatArray) -> NDArray[np.bool_]:
    """Support intervals of infinite hazard: no one was seen to outlive them, and some failure needs them.

    Of several that would serve, the latest, so that the curve does not end sooner than the records force.
    """
    certain = np.zeros(len(cost), np.bool_)
    latest = np.empty(len(cost), np.int64)
    seen = -1
    for k in range(len(cost)):
        if cost[k] == 0.0:
            seen = k
        latest[k] = seen
    reach = latest[last]
    chosen = -1
    for i in np.argsort(reach):
        if reach[i] >= first[i] and chosen < first[i]:
            chosen = reach[i]
            certain[chosen] = True
    return certain


def _solve(
    failures: _Spans,
    cost: FloatArray,
    told: NDArray[np.bool_],
    right: FloatArray,
    n_units: float,
    tolerance: float,
    max_iterations: int,
) -> tuple[FloatArray, FloatArray, float, float]:
    """Finite hazards, right ends widened where neighbours serve as well, log-likelihood and gap."""
    hazard, right = np.zeros(len(cost)), right.copy()
    if len(failures.first) == 0:
        return hazard, right, 0.0, 0.0
    edge = np.zeros(len(cost) + 1, np.int64)
    edge[failures.first] = edge[failures.last + 1] = 1
    group = np.cumsum(edge[:-1])
    best, last_equal = _cheapest(group, cost, told)
    right[best] = right[last_equal]
    a = np.searchsorted(group[best], group[failures.first])
    b = np.searchsorted(group[best], group[failures.last]) + 1
    w, c = failures.weight, cost[best]
    levels = _start(a, b, w, c)
    gap = np.inf
    for start in range(0, max_iterations, BURST):
        levels, gap = _climb(levels, a, b, w, c, n_units, tolerance, min(BURST, max_iterations - start))
        if gap < tolerance or start + BURST >= max_iterations:
            break
        levels = polished(
            levels,
            a,
            b,
            lambda H: _value(H, a, b, w, c),
            lambda H: _slopes(H, a, b, w, c),
            top_is_fixed=False,
        )
    hazard[best] = np.diff(levels)
    return hazard, right, _value(levels, a, b, w, c), gap


def _cheapest(group: IntArray, cost: FloatArray, told: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """Of neighbours inside the same failures' spans, the one that fewest outlived, which takes all the hazard;
    and the last of those equal to it, which would serve as well.
    """
    kept = np.flatnonzero(told)
    order = kept[np.lexsort((kept, cost[kept], group[kept]))]
    best = order[np.unique(group[order], return_index=True)[1]]
    least, last_equal = np.full(len(cost) + 1, np.inf), np.zeros(len(cost) + 1, np.int64)
    least[group[best]] = cost[best]
    equal = kept[cost[kept] <= least[group[kept]] * (1.0 + 1e-12)]
    np.maximum.at(last_equal, group[equal], equal)
    return best, last_equal[group[best]]


@compiled
def _value(H: FloatArray, a: IntArray, b: IntArray, w: FloatArray, cost: FloatArray) -> float:
    total = 0.0
    for i in range(len(a)):
        added = H[b[i]] - H[a[i]]
        if added <= 0.0:
            return -np.inf
        total += w[i] * np.log(-np.expm1(-added))
    for k in range(len(cost)):
        total -= cost[k] * (H[k + 1] - H[k])
    return total


@compiled
def _pull(H: FloatArray, a: IntArray, b: IntArray, w: FloatArray) -> FloatArray:
    """Derivative of each record's term by the hazard in its span."""
    out = np.empty(len(a))
    for i in range(len(a)):
        out[i] = w[i] / np.expm1(H[b[i]] - H[a[i]])
    return out


@compiled
def _covering(a: IntArray, b: IntArray, value: FloatArray, m: int) -> FloatArray:
    step = np.zeros(m + 1)
    for i in range(len(a)):
        step[a[i]] += value[i]
        step[b[i]] -= value[i]
    return np.cumsum(step)[:m]


@compiled
def _dual_gap(
    H: FloatArray, a: IntArray, b: IntArray, w: FloatArray, cost: FloatArray, y: FloatArray, pull: FloatArray
) -> float:
    """Bound on how far the log-likelihood is below its maximum.

    Any y >= 0 with Σ_{i covers k} y_i <= c_k bounds it by Σ max over x of w log(1 - exp(-x)) - y x; the
    derivatives themselves, scaled down until they satisfy that, are such a y.
    """
    scale = min(1.0, (cost / pull).min())
    bound = 0.0
    for i in range(len(w)):
        z = scale * y[i]
        bound -= w[i] * np.log1p(z / w[i])
        if z > 0.0:
            bound -= z * np.log1p(w[i] / z)
    return bound - _value(H, a, b, w, cost)


@compiled
def _slopes(
    H: FloatArray, a: IntArray, b: IntArray, w: FloatArray, cost: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gradient by the levels, and minus the second derivative of each record's term."""
    y = _pull(H, a, b, w)
    gradient = np.zeros(len(H))
    for i in range(len(a)):
        gradient[b[i]] += y[i]
        gradient[a[i]] -= y[i]
    gradient[1:] -= cost
    gradient[:-1] += cost
    return gradient, y * (1.0 + y / w)


@compiled
def _minorant_step(H: FloatArray, a: IntArray, b: IntArray, w: FloatArray, cost: FloatArray) -> FloatArray:
    """Isotonic step in the levels of the cumulative hazard, halved until the likelihood rises."""
    gradient, bend = _slopes(H, a, b, w, cost)
    curvature = np.zeros(len(H))
    for i in range(len(a)):
        curvature[b[i]] += bend[i]
        curvature[a[i]] += bend[i]
    direction = -H
    direction[1:] += np.maximum(weighted_isotonic(H[1:] + gradient[1:] / curvature[1:], curvature[1:]), 0.0)
    slope = (gradient * direction)[1:].sum()
    before = _value(H, a, b, w, cost)
    length = 1.0
    for _ in range(30):
        trial = H + length * direction
        if _value(trial, a, b, w, cost) >= before + 1e-4 * length * slope:
            return trial
        length *= 0.5
    return H


@compiled
def _start(a: IntArray, b: IntArray, w: FloatArray, cost: FloatArray) -> FloatArray:
    """Where each support interval alone would put its hazard, as if it were one of many."""
    m = len(cost)
    covered = _covering(a, b, w, m)
    H = np.zeros(m + 1)
    H[1:] = np.cumsum(covered / (covered + cost)) / m
    return H


@compiled
def _climb(
    H: FloatArray,
    a: IntArray,
    b: IntArray,
    w: FloatArray,
    cost: FloatArray,
    n_units: float,
    tolerance: float,
    steps: int,
) -> tuple[FloatArray, float]:
    """Alternate minorant and EM steps until gradient and dual bound are small."""
    m = len(cost)
    covered = _covering(a, b, w, m)
    gap = np.inf
    for _ in range(steps):
        y = _pull(H, a, b, w)
        pull = _covering(a, b, y, m)
        gap = max(_dual_gap(H, a, b, w, cost, y, pull), (pull - cost).max(), 0.0) / n_units
        if gap < tolerance:
            break
        H = _minorant_step(H, a, b, w, cost)
        # EM, each record's failures Poisson and at least one (Turnbull's self-consistency, in hazards).
        pull = _covering(a, b, _pull(H, a, b, w), m)
        H[1:] = np.cumsum((H[1:] - H[:-1]) * (covered + pull) / (covered + cost))
    return H, gap

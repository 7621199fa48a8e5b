"""Greatest likelihood of interval-censored records with the curve held to a value at one age.

The same convex steps as `models.turnbull`, on either side of the age: levels before it stay at or below the value,
later ones at or above. A Newton step on the levels at which the curve then rises follows each: begun at the free
maximum, three or four rounds settle a curve. Used by `models.interval_bands`.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from models.compiled import compiled, compiled_for_threads, n_threads
from models.intervals import FloatArray, IntArray
from models.turnbull import _climb, _excess, _gradient, _slopes, _value, rising_step, weighted_isotonic

#: A held curve is fitted until its log-likelihood is within this of the best one.
LIKELIHOOD_GAP = 5e-4
#: Limits are found to this.
RESOLUTION = 2e-5
#: Values of F nearer than this to 0 or 1 are not told apart.
EDGE = 1e-6
#: Rounds allowed; a few suffice.
ROUNDS = 2000
#: A round that gains less log-likelihood than this is up against rounding: EM steps, which need no comparison, go on.
LEAST_GAIN = 1e-6
#: Share of a straight line in the curve begun at, so that no chance begins too near 0.
STRAIGHT_SHARE = 0.01


@compiled
def _held_start(F: FloatArray, place: int, theta: float) -> FloatArray:
    """The free maximum with a level more after `place`, which holds theta, and either side stretched to meet it."""
    m, k = len(F), place + 1
    free = np.empty(m + 1)
    free[:k], free[k + 1 :] = F[:k], F[k:]
    free[k] = min(max(theta, F[place]), F[k])
    below, above = free[k], 1.0 - free[k]
    out = np.empty(m + 1)
    for i in range(m + 1):
        if i <= k:
            straight = theta * i / k
            stretched = free[i] * (theta / below) if below > 0.0 else straight
        else:
            straight = theta + (1.0 - theta) * (i - k) / (m - k)
            stretched = 1.0 - (1.0 - free[i]) * ((1.0 - theta) / above) if above > 0.0 else straight
        out[i] = stretched + STRAIGHT_SHARE * (straight - stretched)
    out[k], out[m] = theta, 1.0
    return out


@compiled
def _held_minorant_step(
    F: FloatArray,
    a: IntArray,
    b: IntArray,
    w: FloatArray,
    k: int,
    gradient: FloatArray,
    curvature: FloatArray,
) -> FloatArray:
    m, theta = len(F) - 1, F[k]
    direction = np.zeros(m + 1)
    if k > 1:
        inner = F[1:k] + gradient[1:k] / curvature[1:k]
        fitted = weighted_isotonic(inner, curvature[1:k])
        direction[1:k] = np.minimum(np.maximum(fitted, 0.0), theta) - F[1:k]
    if k < m - 1:
        inner = F[k + 1 : m] + gradient[k + 1 : m] / curvature[k + 1 : m]
        fitted = weighted_isotonic(inner, curvature[k + 1 : m])
        direction[k + 1 : m] = np.minimum(np.maximum(fitted, theta), 1.0) - F[k + 1 : m]
    return rising_step(F, direction, gradient, a, b, w)


@compiled
def _support_step(F: FloatArray, a: IntArray, b: IntArray, w: FloatArray, k: int) -> FloatArray:
    """Newton's step on the levels at which the curve rises, no further than where two of them would meet."""
    m = len(F) - 1
    number = np.zeros(m + 1, np.int64)
    for i in range(1, m + 1):
        number[i] = number[i - 1] + (F[i] > F[i - 1])
    size = number[m] + 1
    by_level = _gradient(F, a, b, w)
    gradient, bent = np.zeros(size), np.zeros((size, size))
    for i in range(m + 1):
        gradient[number[i]] += by_level[i]
    for i in range(len(a)):
        chance = F[b[i]] - F[a[i]]
        bend, low, high = w[i] / chance / chance, number[a[i]], number[b[i]]
        bent[low, low] += bend
        bent[high, high] += bend
        bent[low, high] -= bend
        bent[high, low] -= bend
    for fixed in (0, number[k], size - 1):
        gradient[fixed], bent[fixed, :], bent[:, fixed] = 0.0, 0.0, 0.0
    for i in range(size):
        # A little stiffer, so that it can always be solved; a level that no record ends at stays.
        bent[i, i] = bent[i, i] * (1.0 + 1e-12) if bent[i, i] > 0.0 else 1.0
    direction = np.linalg.solve(bent, gradient)[number]
    length = 1.0
    for i in range(1, m + 1):
        fall = direction[i - 1] - direction[i]
        if fall > 0.0 and length * fall > F[i] - F[i - 1]:
            length = (F[i] - F[i - 1]) / fall
    return rising_step(F, length * direction, by_level, a, b, w)


@compiled
def _held_em_step(F: FloatArray, gradient: FloatArray, n: float, k: int) -> FloatArray:
    """Self-consistent masses, scaled on either side to what the held value leaves them."""
    m, theta = len(F) - 1, F[k]
    excess = _excess(gradient, n)
    mass = (F[1:] - F[:-1]) * (1.0 + excess / n)
    for side, share in ((slice(0, k), theta), (slice(k, m), 1.0 - theta)):
        total = mass[side].sum()
        # On a side that no record covers, any masses do.
        mass[side] = mass[side] * (share / total) if total > 0.0 else (F[1:] - F[:-1])[side]
    out = np.zeros(m + 1)
    out[1:] = np.cumsum(mass)
    out[k], out[m] = theta, 1.0
    return out


@compiled
def held_log_likelihood(
    a: IntArray, b: IntArray, w: FloatArray, F: FloatArray, place: int, theta: float
) -> float:
    """Greatest Σ w log(F[b] - F[a]) with F, which rises from 0 to 1, held to theta just after level `place`.

    Parameters
    ----------
    a, b : ndarray of int, shape (n,)
        Levels 0 to m at the ends of each record.
    w : ndarray, shape (n,)
        Counts.
    F : ndarray, shape (m + 1,)
        The free maximum, or near it.
    place : int
        The level after which F is held, below m.
    theta : float
        Between 0 and 1.

    Returns
    -------
    float
    """
    n, k = w.sum(), place + 1
    a, b = a + (a >= k), b + (b >= k)
    held = _held_start(F, place, theta)
    value = _value(held, a, b, w)
    for _ in range(ROUNDS):
        gradient, curvature = _slopes(held, a, b, w)
        excess = _excess(gradient, n)
        if theta * excess[:k].max() + (1.0 - theta) * excess[k:].max() < LIKELIHOOD_GAP:
            break
        held = _held_minorant_step(held, a, b, w, k, gradient, curvature)
        held = _support_step(held, a, b, w, k)
        before, value = value, _value(held, a, b, w)
        if value - before < LEAST_GAIN:
            held = _held_em_step(held, _gradient(held, a, b, w), n, k)
            value = _value(held, a, b, w)
    return value


def held_limits(
    a: IntArray, b: IntArray, w: FloatArray, F: FloatArray, places: IntArray, critical: float
) -> tuple[FloatArray, FloatArray]:
    """Least and greatest value at which F can be held after each level for no more than `critical`.

    Parameters
    ----------
    a, b : ndarray of int, shape (n,)
        Levels at the ends of each record.
    w : ndarray, shape (n,)
        Counts.
    F : ndarray, shape (m + 1,)
        The free maximum.
    places : ndarray of int, shape (k,)
        Levels above 0 and below the last, rising.
    critical : float

    Returns
    -------
    low, high : ndarray, shape (k,)
    """
    m, inside = len(F) - 1, np.clip(F[places], EDGE, 1.0 - EDGE)
    # Seen from the other end, what is greatest is least.
    sides = (
        (a, b, w, F, places, inside, critical),
        (m - b, m - a, w, 1.0 - F[::-1], (m - 1 - places)[::-1], 1.0 - inside[::-1], critical),
    )
    with ThreadPoolExecutor(n_threads()) as threads:
        # Neither needs the other.
        low, high = threads.map(lambda side: _lowest(*side), sides)
    return low, 1.0 - high[::-1]


@compiled_for_threads
def _lowest(
    a: IntArray,
    b: IntArray,
    w: FloatArray,
    F: FloatArray,
    places: IntArray,
    inside: FloatArray,
    critical: float,
) -> FloatArray:
    """Least value after each of some levels, which rise, given one that is believed."""
    top = _value(F, a, b, w)
    low, outside = np.zeros(len(places)), EDGE
    for j in range(len(places)):
        # What is too low at one age is too low at every later one.
        outside = min(_held_root(a, b, w, F, places[j], inside[j], outside, top, critical), inside[j])
        low[j] = outside if outside > EDGE else 0.0
    return low


@compiled
def _held_root(
    a: IntArray,
    b: IntArray,
    w: FloatArray,
    F: FloatArray,
    place: int,
    inside: float,
    outside: float,
    top: float,
    critical: float,
) -> float:
    """Where the ratio reaches `critical` between a believed and an unbelieved value; the latter if nowhere.

    False position (Illinois) on the root of the ratio, which is nearly straight, with a bisection where it is slow.
    """
    aim = np.sqrt(critical)
    above = _ratio_root(a, b, w, F, place, outside, top) - aim
    if above <= 0.0:
        return outside
    below = -aim
    for step in range(60):
        if abs(outside - inside) <= RESOLUTION:
            break
        share = below / (below - above) if step % 4 < 3 else 0.5
        middle = inside + share * (outside - inside)
        found = _ratio_root(a, b, w, F, place, middle, top) - aim
        if abs(found) < 1e-4:
            return middle
        if found <= 0.0:
            inside, below = middle, found
            above *= 0.5
        else:
            outside, above = middle, found
            below *= 0.5
    return inside


@compiled
def _ratio_root(
    a: IntArray, b: IntArray, w: FloatArray, F: FloatArray, place: int, theta: float, top: float
) -> float:
    """Root of twice the log likelihood ratio of holding F to theta after a level."""
    return float(np.sqrt(max(2.0 * (top - held_log_likelihood(a, b, w, F, place, theta)), 0.0)))


@compiled_for_threads
def ratios_at_truth(
    a: IntArray, b: IntArray, w: FloatArray, m: int, places: IntArray, thetas: FloatArray
) -> FloatArray:
    """Twice the log likelihood ratio of given values after each of some levels.

    Parameters
    ----------
    a, b : ndarray of int, shape (n,)
        Levels 0 to m at the ends of each record; not every level need be one.
    w : ndarray, shape (n,)
        Counts above 0.
    m : int
        Last level.
    places, thetas : ndarray, shape (k,)
        Levels and the values after them.

    Returns
    -------
    ndarray, shape (k,)
    """
    used = np.zeros(m + 1, np.bool_)
    used[0] = used[m] = True
    for i in range(len(a)):
        used[a[i]] = used[b[i]] = True
    number = np.cumsum(used) - 1
    a, b, last = number[a], number[b], number[m]
    F, _ = _climb(np.arange(last + 1) / last, a, b, w, LIKELIHOOD_GAP / w.sum(), ROUNDS)
    top = _value(F, a, b, w)
    out = np.zeros(len(places))
    for j in range(len(places)):
        place = number[places[j]]
        if place > 0:
            out[j] = 2.0 * (top - held_log_likelihood(a, b, w, F, place, thetas[j]))
    return out

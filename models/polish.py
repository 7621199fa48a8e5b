"""Newton steps on the levels of a curve, for records in long overlapping chains.

Isotonic and EM steps move neighbours; where each record overlaps only the next, what one tells travels one record a
round. These steps solve for all levels at once, on the support found so far. Used by `turnbull` and `truncated`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import splu

from models.intervals import FloatArray, IntArray

#: Rounds of the usual steps before these are tried.
BURST = 300
#: Newton steps at a time.
STEPS = 20
#: Support with less than this share of the whole is left out.
SMALLEST_SHARE = 1e-13


def polished(
    levels: FloatArray,
    a: IntArray,
    b: IntArray,
    value: Callable[[FloatArray], float],
    slopes: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    *,
    top_is_fixed: bool,
) -> FloatArray:
    """Raise the likelihood of levels by Newton steps that keep them in order.

    Parameters
    ----------
    levels : ndarray, shape (m + 1,)
        Nondecreasing, from 0.
    a, b : ndarray of int, shape (n,)
        Levels at the ends of each record, whose term depends on their difference only.
    value : callable
        Log-likelihood of levels.
    slopes : callable
        Its gradient by the levels, shape (m + 1,), and minus the second derivative of each record's term by that
        difference, shape (n,).
    top_is_fixed : bool
        The last level is not to move.

    Returns
    -------
    ndarray, shape (m + 1,)
    """
    for _ in range(STEPS):
        step = _step(levels, a, b, value, slopes, top_is_fixed=top_is_fixed)
        if step is None:
            break
        levels = step
    return levels


def _step(
    levels: FloatArray,
    a: IntArray,
    b: IntArray,
    value: Callable[[FloatArray], float],
    slopes: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    *,
    top_is_fixed: bool,
) -> FloatArray | None:
    """One step, or None where nothing is gained."""
    mass = np.diff(levels)
    kept = mass > SMALLEST_SHARE * levels[-1]
    number = np.concatenate(([0], np.cumsum(kept)))
    last = int(number[-1]) - int(top_is_fixed)
    if last < 1:
        return None
    gradient, bend = slopes(levels)
    by_level = np.bincount(number, weights=gradient)
    direction = np.zeros(int(number[-1]) + 1)
    bent = _bent(number[a], number[b], bend, len(direction))[1 : last + 1, 1 : last + 1]
    direction[1 : last + 1] = splu(csc_array(bent)).solve(by_level[1 : last + 1])
    gain = float(by_level @ direction)
    change, own = np.diff(direction), mass[kept]
    falls = change < 0
    length = min(1.0, float((-own[falls] / change[falls]).min(initial=1.0)))
    before = value(levels)
    for _ in range(40):
        trial = np.maximum.accumulate(levels + length * direction[number])
        if value(trial) > before + 1e-4 * length * gain:
            return trial
        length *= 0.5
    return None


def _bent(a: IntArray, b: IntArray, bend: FloatArray, size: int) -> csc_array:
    """Minus the second derivatives by the levels, a little stiffened so that it can always be solved."""
    diagonal = np.bincount(a, weights=bend, minlength=size) + np.bincount(b, weights=bend, minlength=size)
    own = np.arange(size)
    values = np.concatenate((-bend, -bend, diagonal * (1.0 + 1e-12)))
    rows, columns = np.concatenate((a, b, own)), np.concatenate((b, a, own))
    return coo_array((values, (rows, columns)), shape=(size, size)).tocsc()

"""Where a nonparametric curve can carry mass: Turnbull's intervals, with entry ages Frydman's.

Ages are numbered so that 2i stands just before the i-th distinct age and 2i + 1 at it: a known age is then
(2i, 2i + 1], and every record is half-open like the others. Used by `npmle` and `truncated`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.compiled import compiled
from models.intervals import FloatArray, IntArray, Intervals


@dataclass(frozen=True)
class Support:
    """Intervals that can carry mass, and for each record the first and last one it covers.

    Attributes
    ----------
    left, right : ndarray, shape (m,)
        Support intervals (left, right], or a point where equal.
    first, last : ndarray, shape (n,)
        Positions of the support intervals inside each record, `first` to `last` inclusive.
    begins, ends : ndarray of int, shape (m,)
        The same intervals in numbered ages.
    """

    left: FloatArray
    right: FloatArray
    first: IntArray
    last: IntArray
    begins: IntArray
    ends: IntArray


def numbered(records: Intervals) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """Distinct ages, and the records' left, right and entry ages as numbers.

    Returns
    -------
    ages : ndarray, shape (k,)
    low, high, entry : ndarray of int, shape (n,)
        `entry` is 0 where a unit was watched from age 0 on, and empty where `records.entry` is None.
    """
    parts = [records.left, records.right]
    if records.entry is not None:
        parts.append(records.entry)
    ages = np.unique(np.concatenate(parts))
    low = 2 * np.searchsorted(ages, records.left) + np.where(records.left == records.right, 0, 1)
    high = 2 * np.searchsorted(ages, records.right) + 1
    entry = np.empty(0, np.int64)
    if records.entry is not None:
        # Sound at entry means after that age; at 0 it says nothing, not even about a failure at 0.
        entry = np.where(records.entry > 0, 2 * np.searchsorted(ages, records.entry) + 1, 0)
    return ages, low, high, entry


def find_support(records: Intervals) -> Support:
    """Intervals that start at some left and end at some right or entry with none of them in between.

    Mass just before an entry age costs nothing to those who enter there; Turnbull 1976 overlooked it
    (Frydman 1994, J. R. Statist. Soc. B 56:71; Alioum & Commenges 1996, Biometrics 52:512; pages from
    memory).
    """
    if len(records.left) == 0:
        none = np.empty(0, np.int64)
        return Support(np.array([0.0]), np.array([np.inf]), none, none, np.array([1]), np.array([3]))
    ages, low, high, entry = numbered(records)
    begins, ends = _support_codes(low, np.concatenate((high, entry)), 2 * len(ages))
    return Support(
        left=np.where(begins % 2 == 0, ages[ends // 2], ages[begins // 2]),
        right=ages[ends // 2],
        first=np.searchsorted(begins, low, side="left"),
        last=np.searchsorted(ends, high, side="right") - 1,
        begins=begins,
        ends=ends,
    )


@compiled
def _support_codes(low: IntArray, high: IntArray, size: int) -> tuple[IntArray, IntArray]:
    is_low, is_high = np.zeros(size, np.bool_), np.zeros(size, np.bool_)
    for i in range(len(low)):
        is_low[low[i]] = True
    for i in range(len(high)):
        is_high[high[i]] = True
    begins, ends = np.empty(size, np.int64), np.empty(size, np.int64)
    n, open_at = 0, -1
    for code in range(size):
        # A right end at a code comes before a left end there: (2, 5] and (5, 9] do not meet.
        if is_high[code] and open_at >= 0:
            begins[n], ends[n] = open_at, code
            n += 1
            open_at = -1
        if is_low[code]:
            open_at = code
    return begins[:n], ends[:n]

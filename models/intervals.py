"""Censored ages: the one convention (L, R], checked once, identical records counted.

A record says that the event came after age L and no later than age R. R = inf: never seen failed;
L = 0: already failed at the first look; L == R: the age itself is known. Used by `npmle` and `regression`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import issparse

from models.compiled import compiled
from models.errors import ModelInputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Whole ages up to this are counted in a table instead of being sorted.
LARGEST_TABLED_AGE = 1000


@dataclass(frozen=True)
class Intervals:
    """Checked records (left, right], each standing for `weight` units seen from age `entry` on.

    Attributes
    ----------
    left, right : ndarray, shape (n,)
        Ages [years]; 0 <= left <= right <= inf.
    weight : ndarray, shape (n,)
        Counts, 0 or more.
    entry : ndarray, shape (n,), or None
        Age at which the unit came under observation (left truncation); None where always from 0.
    """

    left: FloatArray
    right: FloatArray
    weight: FloatArray
    entry: FloatArray | None

    @property
    def n_units(self) -> float:
        """Sum of weights."""
        return float(self.weight.sum())


def check_intervals(
    left: ArrayLike,
    right: ArrayLike,
    weight: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> Intervals:
    """Turn arrays into `Intervals`, or refuse the first impossible record.

    Parameters
    ----------
    left, right : array, shape (n,)
        Ages [years] after which and by which the event came; right may be inf.
    weight : array, shape (n,), optional
        Counts; default 1 each.
    entry : array, shape (n,), optional
        Ages at entry [years]; a record with left < entry is taken as (entry, right].

    Returns
    -------
    Intervals

    Raises
    ------
    ModelInputError
        Naming the row: NaN, a negative age or weight, right < left, an infinite left or weight, or
        right <= entry (it would never have been seen).
    """
    low, high = _flat(left, "left"), _flat(right, "right")
    counts = np.ones(len(low)) if weight is None else _flat(weight, "weight")
    start = None if entry is None else _flat(entry, "entry")
    for name, array in (("right", high), ("weight", counts), ("entry", start)):
        if array is not None and len(array) != len(low):
            raise ModelInputError(f"left has {len(low)} records and {name} has {len(array)}.")
    fault = _first_fault(low, high, counts)
    if fault >= 0:
        _explain(fault, low, high, counts)
    if start is not None:
        low, start = _check_entry(low, high, start)
    return Intervals(low, high, counts, start)


def numbers(given: ArrayLike, name: str) -> FloatArray:
    """Turn what was given into an array of doubles, or say what in it is not a number.

    Raises
    ------
    ModelInputError
        Naming the array, and the row where one entry is to blame.
    """
    if issparse(given):
        raise ModelInputError(f"{name} is a sparse matrix; give a dense array.")
    try:
        array = np.asarray(given)
        converted = array.astype(np.float64, copy=False) if array.dtype.kind != "c" else None
    except (TypeError, ValueError) as error:
        row, value = _first_not_a_number(given)
        where = row if row >= 0 else None
        what = "is not an array of numbers" if value is None else f"holds {value!r}, which is not a number"
        raise ModelInputError(f"{name} {what}.", row=where) from error
    if converted is None:
        raise ModelInputError(f"{name}: Complex data not supported.")
    return np.ascontiguousarray(converted).reshape(array.shape)


def _first_not_a_number(given: ArrayLike) -> tuple[int, object]:
    """Row and value of the first entry that cannot be read; row -1 where no single entry is to blame."""
    if not isinstance(given, Iterable) or isinstance(given, str):
        return -1, given
    for row, value in enumerate(given):
        try:
            np.asarray(value, dtype=np.float64)
        except (TypeError, ValueError):
            inner = _first_not_a_number(value)[1]
            return row, value if inner is None else inner
    return -1, None


def _flat(given: ArrayLike, name: str) -> FloatArray:
    array = numbers(given, name)
    if array.ndim != 1:
        raise ModelInputError(f"{name} must be a flat array, not of shape {array.shape}.")
    return array


@compiled
def _first_fault(left: FloatArray, right: FloatArray, weight: FloatArray) -> int:
    for i in range(len(left)):
        # Written so that a NaN anywhere fails it.
        if not (0.0 <= left[i] <= right[i] and left[i] < np.inf and 0.0 <= weight[i] < np.inf):
            return i
    return -1


def _explain(row: int, left: FloatArray, right: FloatArray, weight: FloatArray) -> None:
    """Raise the one sentence that fits the first fault of a row."""
    low, high, count = float(left[row]), float(right[row]), float(weight[row])
    faults = (
        (np.isnan(low), "left is not a number."),
        (np.isnan(high), "right is not a number; write inf where the event was never seen."),
        (low < 0, f"left is {low:g}; an age cannot be negative."),
        (high < 0, f"right is {high:g}; an age cannot be negative."),
        (np.isinf(low), "left is infinite; the last age seen without the event must be a number."),
        (high < low, f"right ({high:g}) is less than left ({low:g})."),
        (np.isnan(count), "weight is not a number."),
        (count < 0, f"weight is {count:g}; it cannot be negative."),
        (True, "weight is infinite."),
    )
    raise ModelInputError(next(text for is_so, text in faults if is_so), row=row)


def _check_entry(left: FloatArray, right: FloatArray, entry: FloatArray) -> tuple[FloatArray, FloatArray]:
    wrong = ~(np.isfinite(entry) & (entry >= 0))
    if wrong.any():
        raise ModelInputError("entry is not a number of 0 or more.", row=int(np.argmax(wrong)))
    unseen = right <= entry
    unseen &= entry > 0
    if unseen.any():
        row = int(np.argmax(unseen))
        raise ModelInputError(
            f"right ({right[row]:g}) is not after entry ({entry[row]:g}): this unit would never be seen.",
            row=row,
        )
    return np.where(right > left, np.maximum(left, entry), left), entry


def collapse(intervals: Intervals) -> Intervals:
    """Count identical (left, right] once; needs no entry ages.

    Records of weight 0 and the empty statement (0, inf] vanish.
    """
    left, right, weight = intervals.left, intervals.right, intervals.weight
    if _are_whole(left, right):
        size = int(max(left.max(initial=0.0), right[right < np.inf].max(initial=0.0))) + 2
        table = _count_table(left, right, weight, size)
        low, high = np.nonzero(table)
        ages = np.append(np.arange(size - 1, dtype=np.float64), np.inf)
        left, right, weight = ages[low], ages[high], table[low, high]
    else:
        left, right, weight = _count_sorted(left, right, weight)
    told = (weight > 0) & ((left > 0) | (right < np.inf))
    return Intervals(left[told], right[told], weight[told], None)


@compiled
def _are_whole(left: FloatArray, right: FloatArray) -> bool:
    for i in range(len(left)):
        if left[i] > LARGEST_TABLED_AGE or left[i] != np.floor(left[i]):
            return False
        if right[i] < np.inf and (right[i] > LARGEST_TABLED_AGE or right[i] != np.floor(right[i])):
            return False
    return True


@compiled
def _count_table(left: FloatArray, right: FloatArray, weight: FloatArray, size: int) -> FloatArray:
    table = np.zeros((size, size))
    for i in range(len(left)):
        j = size - 1 if right[i] == np.inf else int(right[i])
        table[int(left[i]), j] += weight[i]
    return table


def _count_sorted(
    left: FloatArray, right: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    if len(left) == 0:
        return left, right, weight
    order = np.lexsort((right, left))
    left, right, weight = left[order], right[order], weight[order]
    new = np.ones(len(left), dtype=np.bool_)
    new[1:] = (left[1:] != left[:-1]) | (right[1:] != right[:-1])
    first = np.flatnonzero(new)
    return left[first], right[first], np.add.reduceat(weight, first)

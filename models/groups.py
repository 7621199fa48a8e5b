"""Groups of lives that fail alike: whose factors, terms and patterns are whose, and sums by group."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from models.arrow import Arrow
from models.looks import FloatArray, IntArray
from models.patterns import total_by


@dataclass(frozen=True)
class Groups:
    """Which group each covariate row belongs to, `n` where none, and how many groups there are."""

    of_row: IntArray
    n: int

    def totals(self, value: FloatArray) -> FloatArray:
        """Sums of the rows' values by group, shape (n,)."""
        return total_by(self.of_row, value, self.n + 1)[: self.n]

    def by_kind(self, value: FloatArray, kind: IntArray, n_kinds: int) -> sparse.csr_array:
        """Sums of the rows' values by group and kind of row, shape (n, n_kinds)."""
        rows = self.rows
        entries = (value[rows], (self.of_row[rows], kind[rows]))
        return sparse.csr_array(entries, shape=(self.n, n_kinds))

    @cached_property
    def rows(self) -> IntArray:
        """Rows that have a group."""
        return np.flatnonzero(self.of_row < self.n)


class Members:
    """Things sorted by the group each belongs to, for sums by group.

    Parameters
    ----------
    of : ndarray of int, shape (n_things,)
        Group of each, 0 .. n - 1, or n where none.
    n : int
        Number of groups.
    """

    def __init__(self, of: IntArray, n: int) -> None:
        self.n = n
        order = np.argsort(of, kind="stable")
        # Of the type that sparse matrices index by, which else is looked over and copied at every sum.
        self.first = np.searchsorted(of[order], np.arange(n + 1)).astype(np.int32)
        self.grouped = order[: self.first[-1]].astype(np.int32)

    def squares(self, rows: FloatArray, weight: FloatArray | float) -> Arrow:
        """Σ weight · row rowᵀ, the last entry of each row standing for the effect of its own group."""
        weighted = rows * np.broadcast_to(weight, len(rows))[:, None]
        p = rows.shape[1] - 1
        corner = rows[:, :p].T @ weighted[:, :p]
        if self.n == 0:
            return Arrow(corner, np.zeros((0, p)), np.zeros(0))
        entries = (rows[self.grouped, p], self.grouped, self.first)
        to_group = sparse.csr_array(entries, shape=(self.n, len(rows)))
        beside = to_group @ weighted
        return Arrow(corner, beside[:, :p], beside[:, p])

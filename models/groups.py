"""Groups of lives that fail alike: whose factors, terms and patterns are whose, and sums by group."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True)
class Membership:
    """Group of each factor, term and pattern; `n` where none."""

    of_factor: IntArray
    of_term: IntArray
    of_pattern: IntArray
    n: int

    def totals(self, per_factor: FloatArray) -> FloatArray:
        """Sums over the factors of each group, shape (n,)."""
        return total_by(self.of_factor, per_factor, self.n + 1)[: self.n]

    def squares(self, rows: FloatArray, group: IntArray, weight: FloatArray | float) -> Arrow:
        """Σ weight · row rowᵀ, the last entry of each row standing for the effect of its own group."""
        weighted = rows * np.broadcast_to(weight, len(rows))[:, None]
        p = rows.shape[1] - 1
        corner = rows[:, :p].T @ weighted[:, :p]
        if self.n == 0:
            return Arrow(corner, np.zeros((0, p)), np.zeros(0))
        to_group = sparse.csr_array(
            (rows[:, p], (group, np.arange(len(rows)))), shape=(self.n + 1, len(rows))
        )
        beside = to_group @ weighted
        return Arrow(corner, beside[: self.n, :p], beside[: self.n, p])

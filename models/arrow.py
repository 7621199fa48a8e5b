"""Symmetric matrices of many effects that each touch only the few coefficients all have in common."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Arrow:
    """The matrix [[corner, crossᵀ], [cross, diag(tip)]].

    The Hessian of coefficients and group effects has this form, because no record belongs to two groups.
    Kept this way it costs as much memory and time as there are groups, not their square.

    Attributes
    ----------
    corner : ndarray, shape (p, p)
        Among the coefficients.
    cross : ndarray, shape (n_groups, p)
        Between a group's effect and the coefficients.
    tip : ndarray, shape (n_groups,)
        Of each effect alone.
    """

    corner: FloatArray
    cross: FloatArray
    tip: FloatArray

    def reduced(self) -> FloatArray:
        """Schur complement of the tip, shape (p, p): its inverse is the coefficients' block of the inverse.

        Returns
        -------
        ndarray, shape (p, p)
            corner - crossᵀ diag(1 / tip) cross.
        """
        result: FloatArray = self.corner - self.cross.T @ (self.cross / self.tip[:, None])
        return result

    def tip_of_inverse(self, corner_of_inverse: FloatArray) -> FloatArray:
        """Diagonal of the inverse at the effects, from the coefficients' block of the inverse.

        Parameters
        ----------
        corner_of_inverse : ndarray, shape (p, p)
            Inverse of `reduced()`.

        Returns
        -------
        ndarray, shape (n_groups,)
        """
        slope = self.cross / self.tip[:, None]
        result: FloatArray = 1.0 / self.tip + ((slope @ corner_of_inverse) * slope).sum(axis=1)
        return result

    def __add__(self, other: Arrow) -> Arrow:
        """Sum of two of one shape."""
        return Arrow(self.corner + other.corner, self.cross + other.cross, self.tip + other.tip)

    def negated(self) -> Arrow:
        """Return minus this matrix."""
        return Arrow(-self.corner, -self.cross, -self.tip)

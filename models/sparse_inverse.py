"""Diagonal of the inverse of a large sparse matrix: marginal variances under a sparse precision.

The inverse itself is full, but the part of it on the pattern of the triangular factor needs nothing else than that part
(K. Takahashi, J. Fagan and M.-S. Chin, 1973; A. M. Erisman and W. F. Tinney, "On computing certain elements of the
inverse of a sparse matrix", Communications of the ACM 18, 177-179, 1975; H. Rue and S. Martino, Journal of Statistical
Planning and Inference 137, 3177-3192, 2007, section 2; from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import sparse

from models.compiled import compiled_for_threads
from models.errors import ModelInputError
from models.looks import FloatArray, IntArray


def inverse_diagonal(factor: Any) -> FloatArray:
    """Return the diagonal of the inverse of a symmetric positive definite matrix.

    Parameters
    ----------
    factor : scipy.sparse.linalg.SuperLU
        Of the matrix, with pivots on its diagonal (`SymmetricMode`, `diag_pivot_thresh=0`).

    Returns
    -------
    ndarray, shape (n,)
        In the order of the rows that were factored.

    Raises
    ------
    ModelInputError
        Rows were exchanged without their columns: then the factor's two halves are not each other's mirror image.
    """
    place = factor.perm_c
    if not np.array_equal(factor.perm_r, place):
        raise ModelInputError("the matrix was not factored symmetrically.")
    below = sparse.tril(factor.L, k=-1, format="csc")
    found = _diagonal(
        below.indptr.astype(np.int64), below.indices.astype(np.int64), below.data, factor.U.diagonal()
    )
    return np.asarray(found[place], dtype=float)


@compiled_for_threads
def _diagonal(start: IntArray, row: IntArray, below: FloatArray, pivot: FloatArray) -> FloatArray:
    """Takahashi's equations from the last column to the first, on the pattern of the factor below its diagonal."""
    n = len(pivot)
    inverse, diagonal = np.zeros(len(row)), np.empty(n)
    place = np.full(n, -1)
    for j in range(n - 1, -1, -1):
        here = range(start[j], start[j + 1])
        for p in here:
            place[row[p]] = p
        # Column j below its diagonal is minus the inverse among its rows, all later columns, times the factor's column.
        for p in here:
            k = row[p]
            inverse[p] -= diagonal[k] * below[p]
            for q in range(start[k], start[k + 1]):
                other = place[row[q]]
                if other >= 0:
                    inverse[other] -= inverse[q] * below[p]
                    inverse[p] -= inverse[q] * below[other]
        total = 0.0
        for p in here:
            total += below[p] * inverse[p]
            place[row[p]] = -1
        diagonal[j] = 1.0 / pivot[j] - total
    return diagonal

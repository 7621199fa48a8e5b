"""Draws from the normal approximation to a posterior."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def deviations(covariance: FloatArray, n: int, rng: np.random.Generator) -> FloatArray:
    """Draw deviations from the mode, N(0, covariance); a direction known for certain has none.

    Parameters
    ----------
    covariance : ndarray, shape (p, p)
        Symmetric; eigenvalues that rounding took below 0 count as 0.
    n : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (n, p)
    """
    variance, axes = np.linalg.eigh(covariance)
    # The symmetric root: of axes with equal variances any may come out, and rounding would choose other draws.
    root = (axes * np.sqrt(np.maximum(variance, 0.0))) @ axes.T
    drawn: FloatArray = rng.standard_normal((n, len(variance))) @ root
    return drawn

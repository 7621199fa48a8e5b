"""A smoothed map of observed over expected events, for display."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter

from models.errors import ModelInputError
from models.looks import FloatArray


@dataclass(frozen=True, kw_only=True)
class Surface:
    """Relative risk on a grid, for display.

    Attributes
    ----------
    x, y : ndarray, shape (n_columns,) and (n_rows,)
        Middles of the cells.
    relative_risk : ndarray, shape (n_rows, n_columns)
        Smoothed observed over smoothed expected; NaN where hardly anything is expected nearby.
    expected : ndarray, shape (n_rows, n_columns)
        Expected events that the smoothing takes in, in all: how much stands behind the ratio.
    """

    x: FloatArray
    y: FloatArray
    relative_risk: FloatArray
    expected: FloatArray


def risk_surface(
    x: ArrayLike,
    y: ArrayLike,
    events: ArrayLike,
    expected: ArrayLike,
    *,
    bandwidth: float,
    size: float,
    least_expected: float = 3.0,
) -> Surface:
    """Smooth observed and expected events and divide.

    Parameters
    ----------
    x, y : array, shape (n,)
        Places.
    events, expected : array, shape (n,)
    bandwidth : float
        Standard deviation of the Gaussian kernel, in the unit of x and y.
    size : float
        Side of a cell, likewise.
    least_expected : float
        Where the kernel takes in fewer expected events than this the ratio is NaN.

    Notes
    -----
    Ratio of two kernel estimates (J. F. Bithell, "An application of density estimation to geographical
    epidemiology", Statistics in Medicine 9, 691-701, 1990), for display only: it is no test.
    """
    across, along = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if not (size > 0 and bandwidth > 0):
        raise ModelInputError(f"cell size {size} and bandwidth {bandwidth} must be above 0.")
    margin = 1
    left, low = across.min() - margin * size, along.min() - margin * size
    column = np.floor((across - left) / size).astype(np.int64)
    row = np.floor((along - low) / size).astype(np.int64)
    shape = (int(row.max()) + 1 + margin, int(column.max()) + 1 + margin)
    smoothed = []
    for given in (events, expected):
        grid = np.zeros(shape)
        np.add.at(grid, (row, column), np.asarray(given, dtype=float))
        smoothed.append(gaussian_filter(grid, bandwidth / size, mode="constant", truncate=4.0))
    # The kernel's weights at their middle are 1, so that the sum counts events taken in.
    taken = smoothed[1] * 2 * np.pi * (bandwidth / size) ** 2
    enough = taken >= least_expected
    ratio = np.where(enough, smoothed[0] / np.maximum(smoothed[1], 1e-300), np.nan)
    return Surface(
        x=left + (np.arange(shape[1]) + 0.5) * size,
        y=low + (np.arange(shape[0]) + 0.5) * size,
        relative_risk=ratio,
        expected=taken,
    )

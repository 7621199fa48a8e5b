"""Average chance of failure over many unlike lives, at many ages and parameter draws."""

from __future__ import annotations

import numpy as np

from models.atoms import LARGEST_LOG_HAZARD
from models.looks import FloatArray, IntArray

#: Lives are sorted into this many steps of log hazard, each shared between its two neighbours.
STEPS = 128


def average_failure(
    ages: FloatArray, shape: FloatArray, log_hazard: FloatArray, share: FloatArray, lost: FloatArray
) -> FloatArray:
    """Average F over lives that share a shape and a start share, and differ in their hazard.

    Parameters
    ----------
    ages : ndarray, shape (n_ages,)
        Ages, 0 or more.
    shape : ndarray, shape (n_draws,)
        Weibull shape.
    log_hazard : ndarray, shape (n_draws, n_lives)
        Log cumulative hazard at age 1 (in the unit of `ages`).
    share : ndarray, shape (n_lives,)
        Weights of the lives, adding up to 1.
    lost : ndarray, shape (n_draws,)
        Cumulative hazard of those failed from the start, -log(1 - share failed), added at every age above 0.

    Returns
    -------
    ndarray, shape (n_draws, n_ages)
        Mean over the lives of 1 - exp(-lost - e^h age^shape).

    Notes
    -----
    Lives are first sorted by their hazard, which is exact to the square of a step (the mean of each pair of
    neighbouring steps is kept): thousands of lives then cost as much as STEPS.
    """
    centre, weight = _steps(log_hazard, share)
    out = np.zeros((len(shape), len(ages)))
    for position, age in enumerate(ages):
        if age > 0:
            hazard = np.exp(np.minimum(shape[:, None] * np.log(age) + centre, LARGEST_LOG_HAZARD))
            out[:, position] = 1.0 - np.exp(-lost) * (np.exp(-hazard) * weight).sum(axis=1)
    return out


def _steps(value: FloatArray, share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values and weights of each draw's steps, both of shape (n_draws, STEPS)."""
    n_draws, n_lives = value.shape
    if n_lives <= STEPS:
        return value, np.broadcast_to(share, value.shape)
    low = value.min(axis=1, keepdims=True)
    width = np.maximum(value.max(axis=1, keepdims=True) - low, 1e-12) / (STEPS - 1)
    place = (value - low) / width
    below: IntArray = np.minimum(place.astype(np.int64), STEPS - 2)
    upper = (place - below) * share
    slot = below + STEPS * np.arange(n_draws)[:, None]
    size = n_draws * STEPS
    weight = np.bincount(slot.ravel(), weights=(share - upper).ravel(), minlength=size)
    weight = weight + np.bincount(slot.ravel() + 1, weights=upper.ravel(), minlength=size)
    centre: FloatArray = low + width * np.arange(STEPS)
    totals: FloatArray = weight.reshape(n_draws, STEPS).astype(np.float64)
    return centre, totals

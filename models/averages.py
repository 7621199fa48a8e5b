"""Average chance of failure over many unlike lives, at many ages and parameter draws."""

from __future__ import annotations

import numpy as np

from models.laws import code_of, link, time_scale
from models.looks import FloatArray, IntArray

#: Lives are sorted into this many steps of log hazard, each shared between its two neighbours.
STEPS = 128


def average_failure(
    ages: FloatArray,
    log_shape: FloatArray,
    log_hazard: FloatArray,
    share: FloatArray,
    lost: FloatArray,
    law: str = "weibull",
) -> FloatArray:
    """Average F over lives that share a shape and a start share, and differ in their hazard.

    Parameters
    ----------
    ages : ndarray, shape (n_ages,)
        Ages, 0 or more [`models.laws.REFERENCE_AGE`].
    log_shape : ndarray, shape (n_draws,)
        Log shape.
    log_hazard : ndarray, shape (n_draws, n_lives)
        Level at the reference age.
    share : ndarray, shape (n_lives,)
        Weights of the lives, adding up to 1.
    lost : ndarray, shape (n_draws,)
        Cumulative hazard of those failed from the start, -log(1 - share failed), added at every age above 0.
    law : str
        One of `models.laws.LAWS`.

    Returns
    -------
    ndarray, shape (n_draws, n_ages)
        Mean over the lives of 1 - exp(-lost) S(age).

    Notes
    -----
    Lives are first sorted by their hazard, which is exact to the square of a step (the mean of each pair of
    neighbouring steps is kept): thousands of lives then cost as much as STEPS.
    """
    centre, weight = _steps(log_hazard, share)
    code, out = code_of(law), np.zeros((len(log_shape), len(ages)))
    for position, age in enumerate(ages):
        if age > 0:
            t = time_scale(code, np.log(age), log_shape).value
            hazard = link(code, t[:, None] + centre).value
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

"""One shift of the log odds for a group of chances, as an intercept of its own would be."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from models.errors import ModelInputError
from models.looks import FloatArray

#: Largest shift; a group all of whose looks are bad would otherwise have an endless one.
LARGEST_SHIFT = 20.0


def shifted_log_odds(chance: ArrayLike, shift: ArrayLike) -> FloatArray:
    """Chances with a shift added to their log odds.

    Parameters
    ----------
    chance : array, shape (…, n)
        0 to 1; both ends stay where they are.
    shift : array, shape (n,), or number
    """
    p, odds = np.asarray(chance, dtype=float), np.exp(np.asarray(shift, dtype=float))
    return np.asarray(p * odds / (1 - p + p * odds), dtype=float)


def shift_of_log_odds(chance: ArrayLike, events: ArrayLike) -> float:
    """Shift under which as many events are expected as were seen.

    Parameters
    ----------
    chance : array, shape (n,)
        Above 0 and below 1.
    events : array of 0 or 1, shape (n,)

    Returns
    -------
    float
        The maximum-likelihood intercept of a logistic regression with the chances' log odds as offset; half an
        event is taken off, or added, where all, or none, of the group had one.

    Raises
    ------
    ModelInputError
        No chances, or one of 0 or 1.

    Notes
    -----
    "Calibration in the large": D. R. Cox, Biometrika 45, 562-565, 1958 (from memory).
    """
    p, y = np.asarray(chance, dtype=float), np.asarray(events, dtype=float)
    if not len(p) or p.shape != y.shape or not ((p > 0) & (p < 1)).all():
        raise ModelInputError("a shift of log odds needs chances between 0 and 1, one for each event.")
    wanted = float(np.clip(y.sum(), 0.5, len(y) - 0.5))
    low, high = (float(shifted_log_odds(p, end).sum()) - wanted for end in (-LARGEST_SHIFT, LARGEST_SHIFT))
    if low >= 0 or high <= 0:
        return -LARGEST_SHIFT if low >= 0 else LARGEST_SHIFT
    found: float = brentq(
        lambda shift: float(shifted_log_odds(p, shift).sum()) - wanted, -LARGEST_SHIFT, LARGEST_SHIFT
    )
    return found

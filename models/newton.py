"""Newton's method with safeguards, shared by the likelihood fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
#: Coefficients to (objective, gradient, Hessian).
Derivatives = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]

#: Half the Newton decrement at which the objective has no more to gain: log-likelihood units.
GAIN_TOLERANCE = 1e-10
#: Longest step in any coefficient; coefficients are on log scales, where 2 is a factor of 7.
LONGEST_STEP = 2.0


@dataclass(frozen=True)
class Optimum:
    """Where the search ended."""

    x: FloatArray
    value: float
    gradient: FloatArray
    hessian: FloatArray
    converged: bool
    n_steps: int


def maximise(
    derivatives: Derivatives,
    start: FloatArray,
    *,
    max_steps: int = 100,
) -> Optimum:
    """Maximise a smooth function whose Hessian may be indefinite on the way.

    Directions of wrong curvature are followed uphill by flipping the sign of their eigenvalue (the
    saddle-free Newton step), steps are shortened to LONGEST_STEP and halved until the value rises.

    Parameters
    ----------
    derivatives : callable
        Coefficients to (objective, gradient, Hessian).
    start : ndarray, shape (p,)
        Where to begin; the objective must be finite there.
    max_steps : int
        Steps allowed.

    Returns
    -------
    Optimum
        `converged` only where a further Newton step promises less than GAIN_TOLERANCE and the Hessian
        is negative definite.
    """
    x = np.array(start, dtype=np.float64)
    best, gradient, hessian = derivatives(x)
    for step_number in range(max_steps):
        curvature, axes = np.linalg.eigh(-hessian)
        smallest = max(np.abs(curvature).max(initial=0.0) * 1e-14, 1e-12)
        along = axes.T @ gradient
        step_along = along / np.maximum(np.abs(curvature), smallest)
        if 0.5 * along @ step_along < GAIN_TOLERANCE:
            return Optimum(x, best, gradient, hessian, bool(curvature.min(initial=1.0) > 0), step_number)
        step = axes @ step_along
        step *= min(1.0, LONGEST_STEP / max(np.abs(step).max(), 1e-300))
        moved = _line_search(derivatives, x, best, step, float(gradient @ step))
        if moved is None:
            # No representable gain left: judge by the promise of the last step relative to the value.
            done = bool(0.5 * along @ step_along < 1e-9 * (1.0 + abs(best)))
            definite = bool(curvature.min(initial=1.0) > 0)
            return Optimum(x, best, gradient, hessian, done and definite, step_number)
        x, (best, gradient, hessian) = moved
    return Optimum(x, best, gradient, hessian, False, max_steps)


def _line_search(
    derivatives: Derivatives, x: FloatArray, best: float, step: FloatArray, slope: float
) -> tuple[FloatArray, tuple[float, FloatArray, FloatArray]] | None:
    """Halve the step until the value rises by a small part of what the slope promises.

    The first trial is nearly always taken, so derivatives are worked out at once.
    """
    length = 1.0
    for _ in range(40):
        candidate = x + length * step
        found = derivatives(candidate)
        if np.isfinite(found[0]) and found[0] >= best + 1e-4 * length * slope:
            return candidate, found
        length /= 2.0
    return None

"""Newton's method with safeguards, shared by the likelihood fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.arrow import Arrow

FloatArray = NDArray[np.float64]
#: A Hessian: in full, or as an arrow where most coefficients are effects of one group each.
H = TypeVar("H", FloatArray, Arrow)

#: Half the Newton decrement at which the objective has no more to gain: log-likelihood units.
GAIN_TOLERANCE = 1e-10
#: Longest step in any coefficient; coefficients are on log scales, where 2 is a factor of 7.
LONGEST_STEP = 2.0


@dataclass(frozen=True)
class Optimum(Generic[H]):
    """Where the search ended."""

    x: FloatArray
    value: float
    gradient: FloatArray
    hessian: H
    converged: bool
    n_steps: int


def maximise(
    derivatives: Callable[[FloatArray], tuple[float, FloatArray, H]],
    start: FloatArray,
    *,
    max_steps: int = 100,
    tolerance: float = GAIN_TOLERANCE,
) -> Optimum[H]:
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
    tolerance : float
        Gain that is not worth another step.

    Returns
    -------
    Optimum
        `converged` only where a further Newton step promises less than `tolerance` and the Hessian
        is negative definite.
    """
    x = np.array(start, dtype=np.float64)
    best, gradient, hessian = derivatives(x)
    for step_number in range(max_steps):
        step, is_peak = _ascent(hessian, gradient)
        promise = 0.5 * float(gradient @ step)
        if promise < tolerance:
            return Optimum(x, best, gradient, hessian, is_peak, step_number)
        step *= min(1.0, LONGEST_STEP / max(np.abs(step).max(), 1e-300))
        moved = _line_search(derivatives, x, best, step, float(gradient @ step))
        if moved is None:
            # No representable gain left: judge by the promise of the last step relative to the value.
            done = promise < 1e-9 * (1.0 + abs(best))
            return Optimum(x, best, gradient, hessian, done and is_peak, step_number)
        x, (best, gradient, hessian) = moved
    return Optimum(x, best, gradient, hessian, False, max_steps)


def _ascent(hessian: FloatArray | Arrow, gradient: FloatArray) -> tuple[FloatArray, bool]:
    """The saddle-free Newton step, and whether the Hessian is negative definite."""
    if isinstance(hessian, Arrow):
        return _arrow_ascent(hessian.negated(), gradient)
    curvature, axes = np.linalg.eigh(-hessian)
    smallest = max(np.abs(curvature).max(initial=0.0) * 1e-14, 1e-12)
    step: FloatArray = axes @ ((axes.T @ gradient) / np.maximum(np.abs(curvature), smallest))
    return step, bool(curvature.min(initial=1.0) > 0)


def _arrow_ascent(curvature: Arrow, gradient: FloatArray) -> tuple[FloatArray, bool]:
    """The same through the Schur complement: first the coefficients, then each effect given them."""
    p = len(curvature.corner)
    tip = np.maximum(np.abs(curvature.tip), 1e-12)
    shown = Arrow(curvature.corner, curvature.cross, tip)
    common = gradient[:p] - shown.cross.T @ (gradient[p:] / tip)
    step, is_peak = _ascent(-shown.reduced(), common)
    by_group = (gradient[p:] - shown.cross @ step) / tip
    return np.concatenate((step, by_group)), is_peak and bool((curvature.tip > 0).all())


def _line_search(
    derivatives: Callable[[FloatArray], tuple[float, FloatArray, H]],
    x: FloatArray,
    best: float,
    step: FloatArray,
    slope: float,
) -> tuple[FloatArray, tuple[float, FloatArray, H]] | None:
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

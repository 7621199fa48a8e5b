"""Lifetime families: cumulative hazard and log hazard with derivatives by log scale and log shape.

Every family is written S(t) = exp(-H(t; η1, η2)) with η1 = log scale [log years] and η2 = log shape, so
that covariates on η1 stretch time (accelerated failure time). Rows of the arrays returned are the value
and its derivatives by (η1), (η2), (η1, η1), (η1, η2), (η2, η2).

| family | S(t), with s = exp(η1), k = exp(η2) |
|---|---|
| weibull | exp(-(t/s)^k) |
| log-logistic | 1 / (1 + (t/s)^k) |
| log-normal | 1 - Φ(k log(t/s)): 1/k is the standard deviation of log t |
| gompertz | exp(-k (exp(t/s) - 1)): hazard (k/s) exp(t/s) |
| gamma | upper incomplete gamma ratio Q(k, t/s) |
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from models.compiled import compiled

FloatArray = NDArray[np.float64]

FAMILIES = ("weibull", "log-logistic", "log-normal", "gamma", "gompertz")
#: Cap on k log(t/s) and on t/s: beyond it S is 0 to double precision and derivatives overflow.
LARGEST_EXPONENT = 300.0
#: Floor on the hazard between L and R: its square's reciprocal must not overflow.
SMALLEST_GAP = 1e-140
_WEIBULL, _LOG_LOGISTIC, _LOG_NORMAL, _GOMPERTZ = 0, 1, 2, 3
#: Families with closed derivatives, by the number their compiled code knows them by.
CODE = {"weibull": _WEIBULL, "log-logistic": _LOG_LOGISTIC, "log-normal": _LOG_NORMAL, "gompertz": _GOMPERTZ}
_ROOT_2PI = math.sqrt(2.0 * math.pi)


def cumulative_hazard(
    family: str, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray
) -> FloatArray:
    """H and its derivatives, shape (6, n)."""
    if family == "gamma":
        return _gamma_hazard(log_age, log_scale, log_shape)
    return _hazard(CODE[family], log_age, log_scale, log_shape)


def hazard_value(
    family: str, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray
) -> FloatArray:
    """H alone, shape (n,): for the gamma, ten times faster than with its derivatives."""
    if family == "gamma":
        seen = log_age > -np.inf
        log_v = np.where(seen, np.minimum(log_age - log_scale, LARGEST_EXPONENT), 0.0)
        return np.where(seen, -_log_upper_gamma(log_shape, log_v), 0.0)
    value: FloatArray = _hazard(CODE[family], log_age, log_scale, log_shape)[0]
    return value


def log_hazard(family: str, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """Log of dH/dt and its derivatives, shape (6, n)."""
    if family == "gamma":
        return _gamma_log_hazard(log_age, log_scale, log_shape)
    return _log_hazard(CODE[family], log_age, log_scale, log_shape)


@compiled
def _mills(u: float) -> float:
    """φ(u) / (1 - Φ(u)), by a continued fraction where the ratio of tiny numbers would fail."""
    if u < 5.0:
        tail = 0.5 * math.erfc(u * 0.7071067811865476)
        return math.exp(-0.5 * u * u) / (_ROOT_2PI * tail)
    fraction = u
    for i in range(40, 0, -1):
        fraction = u + i / fraction
    return fraction


@compiled
def _log_tail(u: float) -> float:
    """log(1 - Φ(u)), with all digits on both sides."""
    if u < -1.0:
        return math.log1p(-0.5 * math.erfc(-u * 0.7071067811865476))
    if u < 5.0:
        return math.log(0.5 * math.erfc(u * 0.7071067811865476))
    return -0.5 * u * u - math.log(_ROOT_2PI * _mills(u))


@compiled
def _standard(code: int, u: float) -> tuple[float, float, float]:
    """H(u), H', H'' of the standard law of u = k log(t/s)."""
    if code == _WEIBULL:
        e = np.exp(u)
        return e, e, e
    if code == _LOG_LOGISTIC:
        e = np.exp(-abs(u))
        p = 1.0 / (1.0 + e) if u > 0 else e / (1.0 + e)
        return max(u, 0.0) + np.log1p(e), p, p * (1.0 - p)
    ratio = _mills(u)
    return -_log_tail(u), ratio, ratio * (ratio - u)


@compiled
def hazard_at(
    code: int, log_age: float, log_scale: float, k: float
) -> tuple[float, float, float, float, float, float]:
    """H and its derivatives at one age above 0, for the families of CODE; k is the shape."""
    if code == _GOMPERTZ:
        v = min(math.exp(min(log_age - log_scale, LARGEST_EXPONENT)), LARGEST_EXPONENT)
        e = math.exp(v)
        h = k * math.expm1(v)
        cross = -k * v * e
        return h, cross, h, k * v * (1.0 + v) * e, cross, h
    u = min(k * (log_age - log_scale), LARGEST_EXPONENT)
    h, d, dd = _standard(code, u)
    bend = u * dd + d
    return h, -k * d, u * d, k * k * dd, -k * bend, u * bend


@compiled
def _hazard(code: int, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    out = np.zeros((6, len(log_age)))
    for i in range(len(log_age)):
        if log_age[i] == -np.inf:
            continue
        k = math.exp(min(log_shape[i], LARGEST_EXPONENT))
        found = hazard_at(code, log_age[i], log_scale[i], k)
        for j in range(6):
            out[j, i] = found[j]
    return out


@compiled
def _log_hazard(code: int, log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    out = np.zeros((6, len(log_age)))
    for i in range(len(log_age)):
        if code == _GOMPERTZ:
            v = min(np.exp(min(log_age[i] - log_scale[i], LARGEST_EXPONENT)), LARGEST_EXPONENT)
            out[0, i] = log_shape[i] - log_scale[i] + v
            out[1, i], out[2, i], out[3, i] = -1.0 - v, 1.0, v
            continue
        k = np.exp(min(log_shape[i], LARGEST_EXPONENT))
        u = min(k * (log_age[i] - log_scale[i]), LARGEST_EXPONENT)
        # log h = log H'(u) + η2 - log t; a and b are the first two derivatives of log H' by u.
        if code == _WEIBULL:
            value, a, b = u, 1.0, 0.0
        elif code == _LOG_LOGISTIC:
            e = np.exp(-abs(u))
            p = 1.0 / (1.0 + e) if u > 0 else e / (1.0 + e)
            value, a, b = min(u, 0.0) - np.log1p(e), 1.0 - p, -p * (1.0 - p)
        else:
            ratio = _mills(u)
            value, a, b = np.log(ratio), ratio - u, ratio * (ratio - u) - 1.0
        out[0, i] = value + log_shape[i] - log_age[i]
        out[1, i] = -k * a
        out[2, i] = u * a + 1.0
        out[3, i] = k * k * b
        out[4, i] = -k * (u * b + a)
        out[5, i] = u * (u * b + a)
    return out


# -- between two looks: here, since numba's saved code does not notice changes in another file ---------


@compiled
def between_ends(
    code: int,
    log_left: FloatArray,
    log_right: FloatArray,
    log_scale: FloatArray,
    log_shape: FloatArray,
    exposure: FloatArray,
) -> FloatArray:
    """log[S(L)^E - S(R)^E] and derivatives by log scale and log shape, shape (6, n), for families of CODE."""
    out = np.empty((6, len(log_left)))
    never = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    last, shape = np.nan, np.nan
    for i in range(len(log_left)):
        if log_shape[i] != last:  # mostly one shape for all
            last = log_shape[i]
            shape = math.exp(min(last, LARGEST_EXPONENT))
        left, right = never, never
        if log_left[i] > -np.inf:
            left = hazard_at(code, log_left[i], log_scale[i], shape)
        if log_right[i] < np.inf:
            right = hazard_at(code, log_right[i], log_scale[i], shape)
        _join_ends(left, right, log_right[i] == np.inf, exposure[i], out, i)
    return out


@compiled
def join_ends(
    left: FloatArray, right: FloatArray, is_open: NDArray[np.bool_], exposure: FloatArray, out: FloatArray
) -> None:
    """Fill in the same from hazards at both ends, each of shape (6, n); those at open ends are not read."""
    for i in range(out.shape[1]):
        _join_ends(left[:, i], right[:, i], is_open[i], exposure[i], out, i)


@compiled
def _join_ends(left: Any, right: Any, is_open: bool, exposure: float, out: FloatArray, i: int) -> None:
    """log[exp(-E H_L) - exp(-E H_R)] and derivatives = -E H_L + log(1 - exp(-D)), D = E (H_R - H_L)."""
    for j in range(6):
        out[j, i] = -exposure * left[j]
    if is_open:
        return
    gap = max(exposure * (right[0] - left[0]), SMALLEST_GAP)
    inside = -math.expm1(-gap)
    # exp(-D) / (1 - exp(-D)), by the same exponential.
    q = 1.0 / inside - 1.0
    d1, d2 = exposure * (right[1] - left[1]), exposure * (right[2] - left[2])
    bend = q / inside
    out[0, i] += math.log(inside)
    out[1, i] += q * d1
    out[2, i] += q * d2
    out[3, i] += q * exposure * (right[3] - left[3]) - bend * d1 * d1
    out[4, i] += q * exposure * (right[4] - left[4]) - bend * d1 * d2
    out[5, i] += q * exposure * (right[5] - left[5]) - bend * d2 * d2


# -- gamma: no closed form for derivatives by shape ---------------------------------------------------

#: Step in log shape: the error of the five-point formulas, about step⁴ and 1e-16 / step², stays below 1e-8.
GAMMA_STEP = 5e-3


#: Below this log v the series of the incomplete gamma function is its first term to double precision.
SMALL_LOG_V = -40.0
#: Terms of the continued fraction of the upper tail, used where it converges in fewer.
TAIL_TERMS = 60


def _log_upper_gamma(log_shape: FloatArray, log_v: FloatArray) -> FloatArray:
    """Log Q(k, v), by a continued fraction where Q underflows, by its first term where v does.

    Early ages need log(1 - P): Q itself rounds to 1 there, and intervals would lose their chance.
    """
    k, v = np.exp(log_shape), np.exp(log_v)
    with np.errstate(divide="ignore"):
        value = np.log(special.gammaincc(k, v))
        early = value > -0.5
        if early.any():
            value[early] = np.log1p(-special.gammainc(k[early], v[early]))
        small = log_v < SMALL_LOG_V
        if small.any():
            first = k[small] * log_v[small] - special.gammaln(k[small] + 1.0)
            value[small] = np.log(-np.expm1(first))
    far = ~np.isfinite(value)
    if far.any():
        value[far] = _log_tail_of_gamma(k[far], log_v[far])
    result: FloatArray = value
    return result


def _log_tail_of_gamma(k: FloatArray, log_v: FloatArray) -> FloatArray:
    """Log Q(k, v) for v far above k (Abramowitz & Stegun 1964, 6.5.31 in its even form, from memory)."""
    v = np.exp(log_v)
    fraction = v + (2 * TAIL_TERMS + 1) - k
    for n in range(TAIL_TERMS, 0, -1):
        fraction = v + (2 * n - 1) - k - n * (n - k) / fraction
    result: FloatArray = k * log_v - v - special.gammaln(k) - np.log(fraction)
    return result


def _gamma_hazard(log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """H = -log Q(k, v): exact by scale, five-point differences by log shape."""
    seen = log_age > -np.inf
    log_v = np.where(seen, np.minimum(log_age - log_scale, LARGEST_EXPONENT), 0.0)
    v = np.exp(log_v)
    step = GAMMA_STEP
    H = {j: -_log_upper_gamma(log_shape + j * step, log_v) for j in (-2, -1, 0, 1, 2)}
    slope = {j: _gamma_pull(log_shape + j * step, log_v, H[j]) for j in (-2, -1, 0, 1, 2)}
    out = np.zeros((6, len(v)))
    out[0] = H[0]
    out[1] = -slope[0]
    out[2] = _first_difference(H, step)
    # d/dη1 of -(v H_v): with g = v H_v = exp(η2-free log form), dg/dlog v = g (k - v + g).
    out[3] = slope[0] * (np.exp(log_shape) - v + slope[0])
    out[4] = -_first_difference(slope, step)
    out[5] = (-H[2] + 16.0 * H[1] - 30.0 * H[0] + 16.0 * H[-1] - H[-2]) / (12.0 * step**2)
    out[:, ~seen] = 0.0
    return out


def _gamma_pull(log_shape: FloatArray, log_v: FloatArray, H: FloatArray) -> FloatArray:
    """V dH/dv = v^k e^{-v} / (Γ(k) Q)."""
    k = np.exp(log_shape)
    exponent = k * log_v - np.exp(log_v) - special.gammaln(k) + H
    pull: FloatArray = np.exp(np.minimum(exponent, LARGEST_EXPONENT))
    return pull


def _first_difference(at: dict[int, FloatArray], step: float) -> FloatArray:
    return (at[-2] - 8.0 * at[-1] + 8.0 * at[1] - at[2]) / (12.0 * step)


def _gamma_log_hazard(log_age: FloatArray, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
    """Log h = log f + H with log f = k log v - v - log t - log Γ(k)."""
    H = _gamma_hazard(log_age, log_scale, log_shape)
    log_v = log_age - log_scale
    v, k = np.exp(log_v), np.exp(log_shape)
    digamma, trigamma = special.digamma(k), special.polygamma(1, k)
    density = np.stack(
        (
            k * log_v - v - log_age - special.gammaln(k),
            v - k,
            k * (log_v - digamma),
            -v,
            -k,
            k * (log_v - digamma) - k**2 * trigamma,
        )
    )
    return density + H

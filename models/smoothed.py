"""Smoothed nonparametric curve, for the eye: a line beside the steps, never beyond what they determine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.bands import asked_ages
from models.errors import ModelInputError
from models.intervals import FloatArray
from models.npmle import NPMLE

#: F counts as determined where its least and greatest values are nearer than this.
DETERMINED = 1e-9
#: Bandwidth = this times the span of determined ages times n^(-1/5). The power is that of Groeneboom, Jongbloed
#: & Witte 2010; the constant had within a quarter of the least root mean squared error for Weibull lives of shape 3 and 6,
#: 300 to 100,000 looks, where 1, as in Groeneboom & Hendrickx 2017, was worse for the steeper.
BANDWIDTH = 0.75
#: Support narrower than this many bandwidths is a point to the kernel; the error is about its square.
NARROW = 1e-5
#: Ages times support intervals worked on at once, which bounds memory.
CHUNK = 4_000_000


@dataclass(frozen=True)
class SmoothedCurve:
    """A smooth curve of F.

    Attributes
    ----------
    at : ndarray, shape (k,)
        Ages [years].
    value : ndarray, shape (k,)
        Smoothed F; NaN outside the determined ages and inside support intervals wider than the bandwidth.
    bandwidth : float
        Half width of the kernel [years]; 0 where nothing was determined.
    first_age, last_age : float
        Between these the curve may be drawn; `last_age` is inf where the steps reach 1. NaN where nothing was
        determined.
    """

    at: FloatArray
    value: FloatArray
    bandwidth: float
    first_age: float
    last_age: float


def smooth_curve(curve: NPMLE, at: ArrayLike, *, bandwidth: float | None = None) -> SmoothedCurve:
    """Smooth the nonparametric maximum-likelihood estimate.

    Parameters
    ----------
    curve : NPMLE
        Fitted.
    at : array, shape (k,)
        Ages wanted [years].
    bandwidth : float, optional
        Half width of the kernel [years]; default `BANDWIDTH` times the span of determined ages times n^(-1/5).

    Returns
    -------
    SmoothedCurve

    Raises
    ------
    ModelInputError
        For a bandwidth that is not above 0, or an age that is not a number.

    Notes
    -----
    Triweight kernel, reflected at both ends so that the line meets the steps there (not at the upper one where
    the steps reach 1, since no mass lies beyond). Within a support
    interval the steps' mass is spread evenly, so that a line through the determined points is what is smoothed;
    Groeneboom and others put it at the right end, which is the same where looks are dense.
    A display, not an estimate with a band of its own: where F bends sharply it is flatter than the steps.

    References
    ----------
    Groeneboom, Jongbloed & Witte 2010, Ann. Statist. 38:352 (the estimator); Groeneboom & Hendrickx 2017,
    Electron. J. Statist. 11:3446; the reflection as in Groeneboom & Jongbloed 2014, Nonparametric Estimation
    under Shape Constraints (from memory).
    """
    wanted = asked_ages(at)
    if bandwidth is not None and not 0.0 < bandwidth < np.inf:
        raise ModelInputError(f"bandwidth is {bandwidth:g}; it must be a number above 0.")
    first, last = _determined_span(curve)
    if not first < last:
        return SmoothedCurve(wanted, np.full(wanted.shape, np.nan), 0.0, np.nan, np.nan)
    left, right = curve.intervals_.T
    inside = right <= last
    left, right, mass = left[inside], right[inside], curve.mass_[inside]
    reaches_one = bool(len(right) == len(curve.mass_))
    h = BANDWIDTH * (last - first) * max(curve.n_units_, 1.0) ** -0.2 if bandwidth is None else bandwidth
    end = np.inf if reaches_one else last
    drawn = (wanted >= first) & (wanted <= end) & ~_in_wide(wanted, left, right, h)
    value = np.full(wanted.shape, np.nan)
    value[drawn] = _smoothed(wanted[drawn], left, right, mass, h, first, end)
    return SmoothedCurve(wanted, value, float(h), first, end)


def _determined_span(curve: NPMLE) -> tuple[float, float]:
    """First and last age at which F is determined and support ends; equal where there is none."""
    ends = curve.intervals_.ravel()
    ends = np.unique(ends[np.isfinite(ends)])
    lower, upper = curve.cdf(ends)
    return curve.entry_age_, float(ends[upper - lower < DETERMINED].max(initial=curve.entry_age_))


def _in_wide(t: FloatArray, left: FloatArray, right: FloatArray, h: float) -> NDArray[np.bool_]:
    """Ages inside a support interval wider than h, where there is no saying how F rises."""
    place = np.searchsorted(right, t, side="left")
    wide = np.append(right - left > h, False)[place]
    return wide & (t > np.append(left, np.inf)[place]) & (t < np.append(right, np.inf)[place])


def _smoothed(
    t: FloatArray, left: FloatArray, right: FloatArray, mass: FloatArray, h: float, first: float, last: float
) -> FloatArray:
    # What lies at the very start stays there: reflection would halve it.
    at_start = right <= first
    base = float(mass[at_start].sum())
    left, right, mass = left[~at_start], right[~at_start], mass[~at_start]
    value = np.empty(len(t))
    rows = max(1, CHUNK // max(len(mass), 1))
    for start in range(0, len(t), rows):
        x = t[start : start + rows, None]
        part = _share_below(x, left, right, h) + _share_below(x, 2 * first - right, 2 * first - left, h) - 1.0
        if last < np.inf:
            part += _share_below(x, 2 * last - right, 2 * last - left, h)
        value[start : start + rows] = part @ mass
    return np.clip(base + value, 0.0, 1.0)


def _share_below(t: FloatArray, left: FloatArray, right: FloatArray, h: float) -> FloatArray:
    """Share of mass spread evenly over (left, right], blurred by the kernel, that lies below t."""
    width = right - left
    point = width < NARROW * h
    width = np.where(point, h, width)
    spread = (_twice_integrated((t - left) / h) - _twice_integrated((t - right) / h)) * h / width
    return np.where(point, _integrated((t - (left + right) / 2) / h), spread)


def _integrated(x: FloatArray) -> FloatArray:
    """Integral of the triweight kernel 35/32 (1 - x²)³ from -1."""
    u = np.clip(x, -1.0, 1.0)
    s = u * u
    whole: FloatArray = 1 / 2 + 35 / 32 * u * (1 - s * (1 - s * (3 / 5 - s / 7)))
    return whole


def _twice_integrated(x: FloatArray) -> FloatArray:
    """Integral of `_integrated` from -1."""
    u = np.clip(x, -1.0, 1.0)
    s = u * u
    inner: FloatArray = 35 / 256 + u / 2 + 35 / 32 * s * (1 / 2 - s * (1 / 4 - s * (1 / 10 - s / 56)))
    return inner + np.maximum(x - 1.0, 0.0)

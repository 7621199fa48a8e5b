"""Laws of life: how the chance of having failed grows with age, each from the same two predictors of a pipe.

With r = age / `REFERENCE_AGE`, h the pipe's level and k = exp(log shape), S(age) = P(sound at age) is

| law | S | h at the reference age | covariates multiply |
|---|---|---|---|
| weibull | exp(-e^h r^k) | log cumulative hazard | the hazard |
| log-logistic | 1 / (1 + e^h r^k) | log odds of having failed | the odds of having failed |
| gompertz | exp(-e^h (e^(k r) - 1) / (e^k - 1)) | log cumulative hazard | the hazard |

The level says much the same in all three while few have failed, so that one set of priors serves them all, and k is how
steeply failure comes with age (for the Gompertz, whose hazard always rises, k / 40 is the yearly rise of its logarithm).
They part at great ages: the odds of the log-logistic grow where the hazard of the Weibull does, so that some pipe
lasts very long (proportional odds: Bennett 1983, Statistics in Medicine 2:273), while under the Gompertz hardly any
does (Gompertz 1825, Philosophical Transactions 115:513); references from memory. Which one holds is for records to
say: `models.law_choice`.

All are S = exp(-G(u)) with u = h + t(r; log k): a time scale t and a link G. Under each, covariates and areas multiply
something, which `models.drawn_laws` builds on. The log-normal is left out: nothing is multiplied under it, and looks
hardly tell it from the log-logistic.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit

from models.errors import ModelInputError
from models.looks import FloatArray

#: Age at which a covariate row's level is stated [years]. Records speak of ages about this one: stated here, what
#: they tell of the level and of its slope hardly depend on each other, which the age at which 63 % have failed
#: (often far beyond any record) would make them do.
REFERENCE_AGE = 40.0
#: Cap on the cumulative hazard on the log scale: beyond it S is 0 to double precision.
LARGEST_LOG_HAZARD = 20.0
#: Cap on a log shape, and on k r of the Gompertz.
LARGEST_LOG_SHAPE = 20.0
LARGEST_EXPONENT = 300.0

WEIBULL, LOG_LOGISTIC, GOMPERTZ = 0, 1, 2
#: Laws by name, the plainest first, and the number that compiled code knows each by.
CODE = {"weibull": WEIBULL, "log-logistic": LOG_LOGISTIC, "gompertz": GOMPERTZ}
LAWS = tuple(CODE)


def code_of(law: str) -> int:
    """Return a law's number.

    Raises
    ------
    ModelInputError
        If there is no such law.
    """
    if law not in CODE:
        raise ModelInputError(f"law is '{law}'; choose one of {', '.join(LAWS)}.")
    return CODE[law]


@dataclass(frozen=True)
class Scale:
    """t(r) and its first and second derivative by log shape."""

    value: FloatArray
    slope: FloatArray
    bend: FloatArray


@dataclass(frozen=True)
class Link:
    """G(u), G'(u), and -G' + G'' / G', from which the second derivative of exp(-G) comes."""

    value: FloatArray
    slope: FloatArray
    bend: FloatArray


def cumulative_hazard(code: int, log_hazard: Any, log_shape: Any, log_age: Any) -> FloatArray:
    """G(u) = -log S, of arrays that broadcast; log ages are from the reference age, -inf at age 0."""
    return link(code, log_hazard + time_scale(code, log_age, log_shape).value).value


def time_scale(code: int, log_age: FloatArray, log_shape: FloatArray) -> Scale:
    """Return t and its derivatives by log shape, at ages above 0 (0 gives -inf, and no derivatives)."""
    shape = np.exp(np.minimum(log_shape, LARGEST_LOG_SHAPE))
    if code != GOMPERTZ:
        t = shape * log_age
        return Scale(t, t, t)
    steep = np.minimum(shape, LARGEST_EXPONENT)
    (own, q, bend), (at_reference, q_reference, bend_reference) = (
        _log_rise(y) for y in (np.minimum(steep * np.exp(log_age), LARGEST_EXPONENT), steep)
    )
    return Scale(own - at_reference, q - q_reference, bend - bend_reference)


def _log_rise(y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """log(e^y - 1) and its first and second derivative by log y."""
    with np.errstate(divide="ignore", invalid="ignore"):
        value = y + np.log(-np.expm1(-y))
        slope = np.where(y > 0.0, y / -np.expm1(-y), 1.0)
    return value, slope, slope * (1.0 + y - slope)


def link(code: int, u: FloatArray) -> Link:
    """Return G and its derivatives by u."""
    if code == LOG_LOGISTIC:
        odds_share = expit(u)
        return Link(np.logaddexp(0.0, u), odds_share, 1.0 - 2.0 * odds_share)
    hazard = np.exp(np.minimum(u, LARGEST_LOG_HAZARD))
    return Link(hazard, hazard, 1.0 - hazard)


def hazard_in_standard_form(law: str, age: Any, log_scale: FloatArray, shape: FloatArray) -> FloatArray:
    """Return the cumulative hazard at ages, 0 at and below 0, of arrays that broadcast; see `standard_form`."""
    code = code_of(law)
    years = np.maximum(np.asarray(age, dtype=np.float64), 0.0)
    if code == GOMPERTZ:
        hazard: FloatArray = shape * np.expm1(np.minimum(years * np.exp(-log_scale), LARGEST_EXPONENT))
        return hazard
    with np.errstate(divide="ignore"):
        u = shape * (np.log(years) - log_scale)
    return np.logaddexp(0.0, u) if code == LOG_LOGISTIC else np.exp(u)


def standard_form(law: str, log_hazard: FloatArray, log_shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log scale s [log years] and shape in the form that is quickest to invert.

    Parameters
    ----------
    law : str
        One of `LAWS`.
    log_hazard, log_shape : ndarray
        h and log k, of one shape.

    Returns
    -------
    tuple of ndarray
        As in `models.families`: H = (a/s)^k, log(1 + (a/s)^k), and A (exp(a/s) - 1) with the shape A.
    """
    shape = np.exp(np.minimum(log_shape, LARGEST_LOG_SHAPE))
    if code_of(law) == GOMPERTZ:
        steep = np.minimum(shape, LARGEST_EXPONENT)
        return np.log(REFERENCE_AGE / steep), np.exp(log_hazard - _log_rise(steep)[0])
    return np.log(REFERENCE_AGE) - log_hazard / shape, shape

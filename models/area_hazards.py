"""Hazard multipliers of areas from single looks, drawn together by an amount that the data choose.

A look at a lot whose pipe has failed with chance p by now says that, were the hazards of its area u times
as high, it would have been 1 - (1 - p)^u. Failure is not rare, so counts are not Poisson and the looks
themselves enter the likelihood. Two priors: areas alike but for chance (gamma), and areas like their
neighbours (a conditional autoregression).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.sparse.linalg import splu
from scipy.special import gammainc, ndtr, ndtri

from models.errors import ModelInputError
from models.local_statistics import Weights, block_edges
from models.looks import FloatArray, IntArray

#: Nodes of the log multiplier: likelihoods are worked on the wide ones and read off between.
WIDE = np.arange(-6.0, 3.6, 0.1)
FINE = np.arange(-6.0, 3.5001, 0.04)
#: Variances of the gamma prior that are looked at; below the first there is no variation to speak of.
SMALLEST_VARIANCE, LARGEST_VARIANCE = 1e-3, 3.0
#: Share of the log precision that lies with the neighbours in a conditional autoregression.
SHARES = (0.0, 0.5, 0.8, 0.95)
#: Where areas are more than this the search is coarser: fewer shares, and variances to a fifth.
MANY_AREAS, SHARES_OF_MANY = 5_000, (0.5, 0.95)
FINE_SEARCH, COARSE_SEARCH = 0.05, 0.2
#: A multiplier above this is worth telling; judgement.
NOTABLE = 1.25
#: Areas up to which variances come from an inverse; beyond, from so many draws.
LARGEST_INVERSE = 1_500
VARIANCE_DRAWS = 200
AREAS_AT_ONCE = 4_000


@dataclass(frozen=True, kw_only=True)
class AreaHazards:
    """Hazard multipliers of areas.

    Attributes
    ----------
    level : float
        Multiplier of all hazards that makes the whole town's expected failures its observed ones.
    variance : float
        Variance between areas: of the multiplier (gamma), or of its logarithm (neighbours).
    neighbour_share : float
        How far areas are drawn towards their neighbours rather than to the whole, 0 to 1; 0 for gamma.
    log_likelihood_gain : float
        Log marginal likelihood above that of no variation between areas; NaN where the variance was given.
    mean, sd : ndarray, shape (n_areas,)
        Of the multiplier relative to the town, given the looks. Areas without looks have the prior's, or
        what their neighbours say.
    lower, upper : ndarray, shape (n_areas,)
        Range at the level asked for.
    probability_notable : ndarray, shape (n_areas,)
        Chance that the multiplier is above 1.25.
    """

    level: float
    variance: float
    neighbour_share: float
    log_likelihood_gain: float
    mean: FloatArray
    sd: FloatArray
    lower: FloatArray
    upper: FloatArray
    probability_notable: FloatArray


class AreaModel(Protocol):
    """What `held_out_gain` can judge: chances, events and areas in, multipliers out."""

    def __call__(self, chance: FloatArray, events: FloatArray, area: IntArray) -> AreaHazards:
        """Fit."""
        ...


@dataclass(frozen=True, kw_only=True)
class Gain:
    """What multipliers of areas are worth for looks that were left out.

    Attributes
    ----------
    mean : float
        Mean log score with multipliers less that without, over all looks left out; above 0 they help.
    standard_error : float
        Of the mean, with the areas as the units that vary.
    n : int
        Looks.
    """

    mean: float
    standard_error: float
    n: int

    @property
    def is_helpful(self) -> bool:
        """Whether multipliers lower the log loss by more than twice its standard error."""
        return self.mean > 2 * self.standard_error


class _Looks:
    """Checked looks, and the log likelihood of each area's log multiplier."""

    def __init__(self, chance: ArrayLike, events: ArrayLike, area: ArrayLike, n_areas: int) -> None:
        p, y = np.asarray(chance, dtype=float), np.asarray(events, dtype=float)
        self.area = np.asarray(area, dtype=np.int64)
        self.n_areas = n_areas
        if not p.shape == y.shape == self.area.shape:
            raise ModelInputError("chance, events and area must be of one length.")
        for bad, problem in (
            (~((p > 0) & (p < 1)), "a chance is not between 0 and 1."),
            (~np.isin(y, (0, 1)), "an event is neither 0 nor 1."),
            ((self.area < 0) | (self.area >= n_areas), f"an area is not one of the {n_areas}."),
        ):
            if bad.any():
                raise ModelInputError(problem, row=int(np.argmax(bad)))
        hazard = -np.log1p(-p)
        self.level = _level(hazard, y)
        self.is_event = y == 1
        self.hazard = hazard * self.level
        self.event_area, self.event_hazard = self.area[self.is_event], self.hazard[self.is_event]
        self.sound_hazard = self._sums(self.area[~self.is_event], self.hazard[~self.is_event])

    def _sums(self, area: IntArray, values: FloatArray) -> FloatArray:
        return np.bincount(area, values, minlength=self.n_areas).astype(float)

    def log_likelihoods(self, nodes: FloatArray) -> FloatArray:
        """Shape (n_areas, n_nodes)."""
        values = -self.sound_hazard[:, None] * np.exp(nodes)
        for position, node in enumerate(nodes):
            each = np.log(-np.expm1(-self.event_hazard * np.exp(node)))
            values[:, position] += self._sums(self.event_area, each)
        return values

    def derivatives(self, log_multiplier: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Log likelihood, and its first and negative second derivative by area."""
        sound = self.sound_hazard * np.exp(log_multiplier)
        x = self.event_hazard * np.exp(log_multiplier[self.event_area])
        failed = -np.expm1(-x)
        odds = x * np.exp(-x) / failed
        slope = self._sums(self.event_area, odds) - sound
        bend = self._sums(self.event_area, odds * (x / failed - 1)) + sound
        return float(np.log(failed).sum() - sound.sum()), slope, bend


def _level(hazard: FloatArray, events: FloatArray) -> float:
    """Multiplier of all hazards under which as many events are expected as were seen."""
    wanted = float(np.clip(events.sum(), 0.5, len(events) - 0.5))
    log_level: float = brentq(lambda log: float(-np.expm1(-hazard * np.exp(log)).sum()) - wanted, -15.0, 15.0)
    return float(np.exp(log_level))


def gamma_hazards(
    chance: ArrayLike, events: ArrayLike, area: ArrayLike, *, n_areas: int, level: float = 0.9
) -> AreaHazards:
    """Multipliers drawn towards the town: gamma prior with mean 1, its variance by maximum likelihood.

    Parameters
    ----------
    chance : array, shape (n,)
        Chance that the look is bad by a model that knows nothing of places, above 0 and below 1.
    events : array of 0 or 1, shape (n,)
        Whether it was.
    area : array of int, shape (n,)
        0 … n_areas - 1.
    n_areas : int
    level : float
        Level of the ranges.

    Returns
    -------
    AreaHazards

    Raises
    ------
    ModelInputError
        Lengths differ, or a value is outside what is said above.

    Notes
    -----
    The gamma-Poisson model of Clayton and Kaldor (Biometrics 43, 671-681, 1987) with the exact likelihood of
    single looks in place of Poisson counts; marginal likelihood and posterior by sums over a grid of the log
    multiplier.
    """
    looks = _Looks(chance, events, area, n_areas)
    values = np.empty((n_areas, len(FINE)))
    wide = looks.log_likelihoods(WIDE)
    for start in range(0, n_areas, AREAS_AT_ONCE):
        rows = slice(start, start + AREAS_AT_ONCE)
        values[rows] = CubicSpline(WIDE, wide[rows], axis=1)(FINE)
    at_one = looks.log_likelihoods(np.zeros(1))[:, 0]
    peak = values.max(axis=1)
    likelihood = np.exp(values - peak[:, None])

    def gain(variance: float) -> float:
        return float(np.sum(np.log(likelihood @ _gamma_masses(variance)) + peak - at_one))

    found = minimize_scalar(
        lambda log: -gain(np.exp(log)),
        bounds=(np.log(SMALLEST_VARIANCE), np.log(LARGEST_VARIANCE)),
        method="bounded",
    )
    variance = float(np.exp(found.x))
    if -found.fun <= 0 or variance <= 1.5 * SMALLEST_VARIANCE:
        return _no_variation(looks, 0.0)
    weight = likelihood * _gamma_masses(variance)
    weight /= weight.sum(axis=1, keepdims=True)
    multiplier = np.exp(FINE)
    mean = weight @ multiplier
    below = np.cumsum(weight, axis=1)
    tail = (1 - level) / 2
    return AreaHazards(
        level=looks.level,
        variance=variance,
        neighbour_share=0.0,
        log_likelihood_gain=-float(found.fun),
        mean=mean,
        sd=np.sqrt(np.maximum(weight @ multiplier**2 - mean**2, 0.0)),
        lower=multiplier[np.argmax(below >= tail, axis=1)],
        upper=multiplier[np.argmax(below >= 1 - tail, axis=1)],
        probability_notable=weight[:, multiplier > NOTABLE].sum(axis=1),
    )


def _gamma_masses(variance: float) -> FloatArray:
    """Prior chance of each node's surroundings; the first and last take the tails."""
    edges = np.exp((FINE[1:] + FINE[:-1]) / 2)
    below = np.concatenate(([0.0], gammainc(1 / variance, edges / variance), [1.0]))
    return np.maximum(np.diff(below), 1e-300)


def _no_variation(looks: _Looks, share: float) -> AreaHazards:
    ones, zeros = np.ones(looks.n_areas), np.zeros(looks.n_areas)
    return AreaHazards(
        level=looks.level,
        variance=0.0,
        neighbour_share=share,
        log_likelihood_gain=0.0,
        mean=ones,
        sd=zeros,
        lower=ones,
        upper=ones,
        probability_notable=zeros,
    )


def neighbour_hazards(
    chance: ArrayLike,
    events: ArrayLike,
    area: ArrayLike,
    weights: Weights,
    *,
    level: float = 0.9,
    rng: np.random.Generator,
    prior: tuple[float, float] | None = None,
) -> AreaHazards:
    """Multipliers drawn towards those of neighbouring areas.

    Parameters
    ----------
    chance, events, area : array, shape (n,)
        As for `gamma_hazards`.
    weights : csr_array, shape (n_areas, n_areas)
        Binary neighbours; made symmetric.
    level : float
        Level of the ranges.
    rng : numpy.random.Generator
        For the variances where areas are many.
    prior : tuple of float, optional
        Share of the neighbours and variance to use; default: what the looks choose.

    Returns
    -------
    AreaHazards

    Notes
    -----
    Log multipliers are normal with precision (share · (D - W) + (1 - share) · I) / variance: B. G. Leroux, X. Lei
    and N. Breslow, "Estimation of disease rates in small areas", in Statistical Models in Epidemiology,
    Springer 2000. Share and variance by the Laplace approximation to the marginal likelihood, posterior normal
    around its mode.
    """
    looks = _Looks(chance, events, area, weights.shape[0])
    first, second = block_edges(weights)
    n_edges, n_areas = len(first), looks.n_areas
    incidence = sparse.csr_array(
        (
            np.concatenate((np.ones(n_edges), -np.ones(n_edges))),
            (np.tile(np.arange(n_edges), 2), np.concatenate((first, second))),
        ),
        shape=(n_edges, n_areas),
    )
    laplacian = sparse.csc_array(incidence.T @ incidence)
    own = sparse.eye_array(n_areas)
    shares: tuple[float, ...] = SHARES if n_areas <= MANY_AREAS else SHARES_OF_MANY
    if prior is not None or not n_edges:
        shares = (0.0,) if prior is None else (prior[0],)
    tried = [
        _best_variance(looks, sparse.csc_array(share * laplacian + (1 - share) * own), share, prior)
        for share in shares
    ]
    gain, share, variance, mode = max(tried, key=lambda one: one[0])
    if gain <= 0 or variance <= 1.5 * SMALLEST_VARIANCE:
        return _no_variation(looks, share)
    structure = sparse.csc_array((share * laplacian + (1 - share) * own) / variance)
    mode = _mode(looks, structure, mode)
    bend = np.maximum(looks.derivatives(mode)[2], 0.0)
    spread = _posterior_sd(
        structure, bend, incidence * np.sqrt(share / variance), (1 - share) / variance, rng
    )
    deviate = float(ndtri((1 + level) / 2))
    mean = np.exp(mode + spread**2 / 2)
    return AreaHazards(
        level=looks.level,
        variance=variance,
        neighbour_share=share,
        log_likelihood_gain=gain if prior is None else np.nan,
        mean=mean,
        sd=mean * np.sqrt(np.expm1(spread**2)),
        lower=np.exp(mode - deviate * spread),
        upper=np.exp(mode + deviate * spread),
        probability_notable=ndtr((mode - np.log(NOTABLE)) / np.maximum(spread, 1e-12)),
    )


def _best_variance(
    looks: _Looks, structure: Any, share: float, prior: tuple[float, float] | None
) -> tuple[float, float, float, FloatArray]:
    """Gain over no variation, share, variance and mode at the variance of the largest marginal likelihood."""
    flat = looks.derivatives(np.zeros(looks.n_areas))[0]
    if prior is not None:
        # Chosen elsewhere: to be used, whatever these looks alone would gain by it.
        return (1.0 if prior[1] > 0 else 0.0), share, prior[1], np.zeros(looks.n_areas)
    fit = _Marginal(looks, structure, _log_determinant(_factor(structure)))
    found = minimize_scalar(
        lambda log: -fit(np.exp(log)),
        bounds=(np.log(SMALLEST_VARIANCE), np.log(LARGEST_VARIANCE * 3)),
        method="bounded",
        options={"xatol": FINE_SEARCH if looks.n_areas <= MANY_AREAS else COARSE_SEARCH, "maxiter": 15},
    )
    return -float(found.fun) - flat, share, float(np.exp(found.x)), fit.mode


class _Marginal:
    """Laplace log marginal likelihood as a function of the variance, from where the last search ended."""

    def __init__(self, looks: _Looks, structure: Any, log_determinant: float) -> None:
        self.looks, self.structure, self.log_determinant = looks, structure, log_determinant
        self.mode = np.zeros(looks.n_areas)

    def __call__(self, variance: float) -> float:
        precision = sparse.csc_array(self.structure / variance)
        self.mode = _mode(self.looks, precision, self.mode)
        value, _, bend = self.looks.derivatives(self.mode)
        posterior = _factor(sparse.csc_array(precision + sparse.diags_array(np.maximum(bend, 0.0))))
        return value + 0.5 * float(
            self.log_determinant
            - self.looks.n_areas * np.log(variance)
            - self.mode @ (precision @ self.mode)
            - _log_determinant(posterior)
        )


def _mode(looks: _Looks, precision: Any, start: FloatArray) -> FloatArray:
    """Posterior mode of the log multipliers by Newton steps, halved where one goes too far."""
    at = start

    def height(log_multiplier: FloatArray) -> float:
        return looks.derivatives(log_multiplier)[0] - 0.5 * float(
            log_multiplier @ (precision @ log_multiplier)
        )

    now = height(at)
    for _ in range(50):
        _, slope, bend = looks.derivatives(at)
        system = _factor(sparse.csc_array(precision + sparse.diags_array(np.maximum(bend, 1e-9))))
        step = system.solve(slope - precision @ at)
        for _ in range(20):
            then = height(at + step)
            if then >= now - 1e-9:
                break
            step = step / 2
        at, gained, now = at + step, then - now, then
        if gained < 1e-6 and np.max(np.abs(step)) < 1e-3:
            break
    return at


def _factor(matrix: Any) -> Any:
    """Factor a symmetric positive definite matrix; an ordering made for such keeps it sparse."""
    return splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})


def _log_determinant(factor: Any) -> float:
    return float(np.log(np.abs(factor.U.diagonal())).sum())


def _posterior_sd(
    precision: Any, bend: FloatArray, edges: Any, own: float, rng: np.random.Generator
) -> FloatArray:
    posterior = sparse.csc_array(precision + sparse.diags_array(bend))
    if len(bend) <= LARGEST_INVERSE:
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(posterior.toarray()))), dtype=float)
    # The precision is a sum of squares, so a draw with it as covariance, solved, has its inverse.
    draws = edges.T @ rng.standard_normal((edges.shape[0], VARIANCE_DRAWS))
    draws += np.sqrt(own) * rng.standard_normal((len(bend), VARIANCE_DRAWS))
    draws += np.sqrt(bend)[:, None] * rng.standard_normal((len(bend), VARIANCE_DRAWS))
    solved: FloatArray = _factor(posterior).solve(draws)
    return np.asarray(np.sqrt(np.mean(solved**2, axis=1)), dtype=float)


def local_chance(chance: ArrayLike, hazards: AreaHazards, area: ArrayLike) -> FloatArray:
    """Chance of a bad look with its area's multiplier, averaged over what is not known of it.

    Parameters
    ----------
    chance : array, shape (n,)
        Without places.
    hazards : AreaHazards
    area : array of int, shape (n,)
        -1 for none: the town's level alone.

    Notes
    -----
    The multiplier is taken as gamma with its posterior mean and variance, of which the average is known.
    """
    hazard = -np.log1p(-np.asarray(chance, dtype=float)) * hazards.level
    place = np.asarray(area, dtype=np.int64)
    mean = np.where(place >= 0, hazards.mean[place], 1.0)
    variance = np.where(place >= 0, hazards.sd[place] ** 2, 0.0)
    ratio = np.maximum(variance / mean, 1e-9)
    return np.asarray(-np.expm1(-np.log1p(ratio * hazard) * mean / ratio), dtype=float)


def held_out_gain(
    chance: ArrayLike, events: ArrayLike, area: ArrayLike, fold: ArrayLike, fit: AreaModel
) -> Gain:
    """Judge multipliers on looks that were left out of their fit.

    Parameters
    ----------
    chance, events, area : array, shape (n,)
        As for `gamma_hazards`.
    fold : array of int, shape (n,)
        Looks of one number are left out together: numbers dealt to lots, or to whole areas.
    fit : callable
        For example `gamma_hazards` with its number of areas filled in.

    Returns
    -------
    Gain
        Against the same chances at the level of the looks that were kept.
    """
    p, y = np.asarray(chance, dtype=float), np.asarray(events, dtype=float)
    place, folds = np.asarray(area, dtype=np.int64), np.asarray(fold)
    gain = np.zeros(len(p))
    for number in np.unique(folds):
        out = folds == number
        hazards = fit(p[~out], y[~out], place[~out])
        plain = -np.expm1(np.log1p(-p[out]) * hazards.level)
        gain[out] = _log_score(local_chance(p[out], hazards, place[out]), y[out]) - _log_score(plain, y[out])
    by_area = np.bincount(place, gain)
    size = np.bincount(place)
    mean = float(gain.mean())
    apart = by_area[size > 0] - mean * size[size > 0]
    return Gain(mean=mean, standard_error=float(np.sqrt(np.sum(apart**2)) / len(p)), n=len(p))


def _log_score(chance: FloatArray, events: FloatArray) -> FloatArray:
    safe = np.clip(chance, 1e-12, 1 - 1e-12)
    return np.where(events == 1, np.log(safe), np.log1p(-safe))

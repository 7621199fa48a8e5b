"""Hazard multipliers of areas from single looks, drawn together by an amount that the data choose.

A look at a lot whose pipe has failed with chance p by now says that, were the hazards of its area u times
as high, it would have been 1 - (1 - p)^u; less where a look may call sound pipe bad or overlook what failed. Failure is
not rare, so counts are not Poisson and the looks themselves enter the likelihood. Here areas are alike but for
chance (gamma); `models.area_neighbours` draws them towards their neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammainc

from models.errors import ModelInputError
from models.looks import FloatArray, IntArray

#: Nodes of the log multiplier: likelihoods are worked on the wide ones and read off between.
WIDE = np.arange(-6.0, 3.6, 0.1)
FINE = np.arange(-6.0, 3.5001, 0.04)
#: Variances of the gamma prior that are looked at; below the first there is no variation to speak of.
SMALLEST_VARIANCE, LARGEST_VARIANCE = 1e-3, 3.0
#: A multiplier above this is worth telling; judgement.
NOTABLE = 1.25
#: Part of the room between lowest and highest chance that a hazard leaves free at either end.
LEAST_ROOM = 1e-6
#: Log multipliers between which the town's level is sought.
LEVELS = (-15.0, 15.0)
#: Log likelihood, and its first and negative second derivative by area.
Derivatives: TypeAlias = tuple[float, FloatArray, FloatArray]


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


@dataclass(frozen=True, kw_only=True)
class CallBounds:
    """What a look shows of pipe whose hazard is nil, and of pipe whose hazard is endless.

    Attributes
    ----------
    lowest, highest : ndarray, shape (n,)
        Chance that the look is bad; between them it goes by the hazard, lowest + (highest - lowest)
        (1 - exp(-hazard)).
    """

    lowest: FloatArray
    highest: FloatArray

    def at(self, rows: np.ndarray) -> CallBounds:
        """Return those of some looks."""
        return CallBounds(lowest=self.lowest[rows], highest=self.highest[rows])

    def hazard_of(self, chance: ArrayLike) -> FloatArray:
        """Hazard at which a look is bad with the given chance; beyond the bounds the nearest within."""
        share = (np.asarray(chance, dtype=float) - self.lowest) / self.room
        return np.asarray(-np.log1p(-np.clip(share, LEAST_ROOM, 1 - LEAST_ROOM)), dtype=float)

    @property
    def room(self) -> FloatArray:
        """Part of the chance that the hazard decides."""
        return np.maximum(self.highest - self.lowest, LEAST_ROOM)


def told_true(n: int) -> CallBounds:
    """Bounds of looks that never err."""
    return CallBounds(lowest=np.zeros(n), highest=np.ones(n))


class AreaLooks:
    """Checked looks, and the log likelihood of each area's log multiplier.

    Attributes
    ----------
    level : float
        Multiplier of all hazards under which as many are bad as were seen.
    hazard : ndarray, shape (n,)
        Of each look, at that level.
    """

    def __init__(
        self,
        chance: ArrayLike,
        events: ArrayLike,
        area: ArrayLike,
        n_areas: int,
        bounds: CallBounds | None = None,
    ) -> None:
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
        within = bounds or told_true(len(p))
        if within.lowest.shape != p.shape or within.highest.shape != p.shape:
            raise ModelInputError("bounds must be one for each look.")
        hazard = within.hazard_of(p)
        self.level = _level(hazard, within, y)
        self.hazard = hazard * self.level
        self.is_event = y == 1
        # What was seen of each look has chance free + sign · room · exp(-hazard).
        self.room = np.where(self.is_event, -within.room, within.room)
        self.free = np.where(self.is_event, within.lowest + within.room, 1 - within.lowest - within.room)

    def _sums(self, values: FloatArray) -> FloatArray:
        return np.bincount(self.area, values, minlength=self.n_areas).astype(float)

    def log_likelihoods(self, nodes: FloatArray) -> FloatArray:
        """Shape (n_areas, n_nodes)."""
        values = np.empty((self.n_areas, len(nodes)))
        for position, node in enumerate(nodes):
            values[:, position] = self._sums(np.log(self._chance(np.exp(-self.hazard * np.exp(node)))))
        return values

    def _chance(self, spared: FloatArray) -> FloatArray:
        return np.asarray(np.maximum(self.free + self.room * spared, 1e-300), dtype=float)

    def derivatives(self, log_multiplier: FloatArray) -> Derivatives:
        """Log likelihood, and its first and negative second derivative by area."""
        x = self.hazard * np.exp(log_multiplier[self.area])
        spared = np.exp(-x)
        chance = self._chance(spared)
        slope = -self.room * x * spared / chance
        bend = slope * (slope - 1 + x)
        return float(np.log(chance).sum()), self._sums(slope), self._sums(bend)


def at_level_of(chance: ArrayLike, events: ArrayLike, bounds: CallBounds) -> FloatArray:
    """Chances with all hazards multiplied alike, so that as many events are expected as were seen.

    Parameters
    ----------
    chance : array, shape (n,)
    events : array of 0 or 1, shape (n,)
    bounds : CallBounds
    """
    hazard = bounds.hazard_of(chance)
    level = _level(hazard, bounds, np.asarray(events, dtype=float))
    return np.asarray(bounds.lowest - bounds.room * np.expm1(-hazard * level), dtype=float)


def _level(hazard: FloatArray, bounds: CallBounds, events: FloatArray) -> float:
    """Multiplier of all hazards under which as many events are expected as were seen."""
    lowest, room = bounds.lowest, bounds.room

    def beyond(log_level: float) -> float:
        return float(np.sum(lowest - room * np.expm1(-hazard * np.exp(log_level)))) - wanted

    margin = min(0.5, 0.25 * float(room.sum()))
    wanted = float(np.clip(events.sum(), lowest.sum() + margin, (lowest + room).sum() - margin))
    log_level: float = brentq(beyond, *LEVELS)
    return float(np.exp(log_level))


def gamma_hazards(
    chance: ArrayLike,
    events: ArrayLike,
    area: ArrayLike,
    *,
    n_areas: int,
    level: float = 0.9,
    bounds: CallBounds | None = None,
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
    bounds : CallBounds, optional
        What looks show whatever the hazard. Default: they never err; where they do, areas would seem more alike
        than they are, for what a camera overlooks no multiplier can bring to light.

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
    looks = AreaLooks(chance, events, area, n_areas, bounds)
    likelihood, log_scale, row = _on_fine_nodes(looks)
    at_one = float(looks.log_likelihoods(np.zeros(1)).sum())

    def gain(variance: float) -> float:
        return float(np.sum(np.log(likelihood @ _gamma_masses(variance)) + log_scale)) - at_one

    found = minimize_scalar(
        lambda log: -gain(np.exp(log)),
        bounds=(np.log(SMALLEST_VARIANCE), np.log(LARGEST_VARIANCE)),
        method="bounded",
    )
    variance = float(np.exp(found.x))
    if -found.fun <= 0 or variance <= 1.5 * SMALLEST_VARIANCE:
        return no_variation(looks, 0.0)
    weight = likelihood * _gamma_masses(variance)
    weight /= weight.sum(axis=1, keepdims=True)
    multiplier = np.exp(FINE)
    mean = weight @ multiplier
    sd = np.sqrt(np.maximum(weight @ multiplier**2 - mean**2, 0.0))
    notable = weight[:, multiplier > NOTABLE].sum(axis=1)
    below = np.cumsum(weight, axis=1, out=weight)
    tail = (1 - level) / 2
    return AreaHazards(
        level=looks.level,
        variance=variance,
        neighbour_share=0.0,
        log_likelihood_gain=-float(found.fun),
        mean=mean[row],
        sd=sd[row],
        lower=multiplier[np.argmax(below >= tail, axis=1)][row],
        upper=multiplier[np.argmax(below >= 1 - tail, axis=1)][row],
        probability_notable=notable[row],
    )


def _on_fine_nodes(looks: AreaLooks) -> tuple[FloatArray, FloatArray, IntArray]:
    """Likelihood of each area with looks on the fine nodes, relative to its largest, and the logarithm of that.

    Areas without looks are all alike: they share the last row. The third array has the row of each area.
    """
    is_seen = np.bincount(looks.area, minlength=looks.n_areas) > 0
    row = np.where(is_seen, np.cumsum(is_seen) - 1, is_seen.sum())
    wide = np.zeros((int(is_seen.sum()) + 1, len(WIDE)))
    wide[:-1] = looks.log_likelihoods(WIDE)[is_seen]
    # A spline is linear in the values that it goes through.
    likelihood = wide @ CubicSpline(WIDE, np.eye(len(WIDE)))(FINE).T
    peak = likelihood.max(axis=1)
    likelihood -= peak[:, None]
    np.exp(likelihood, out=likelihood)
    return likelihood, peak, row


def _gamma_masses(variance: float) -> FloatArray:
    """Prior chance of each node's surroundings; the first and last take the tails."""
    edges = np.exp((FINE[1:] + FINE[:-1]) / 2)
    below = np.concatenate(([0.0], gammainc(1 / variance, edges / variance), [1.0]))
    return np.maximum(np.diff(below), 1e-300)


def no_variation(looks: AreaLooks, share: float) -> AreaHazards:
    """Return multipliers of 1 for areas that do not differ."""
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

"""Spatial scan statistic: the circles that hold more events than expected, and how surprising that is.

`find_zones` looks, `models.scan_null` draws towns without a hot spot, `NullMaxima` compares. Expected counts
come from a model that knows nothing of places; who was inspected is taken as given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize

from models.compiled import compiled_for_threads
from models.errors import ModelInputError
from models.looks import FloatArray, IntArray
from models.zones import Layer, members

Statistic = Literal["poisson", "bernoulli"]
#: Number by which compiled loops know the statistic.
KINDS: dict[Statistic, int] = {"poisson": 0, "bernoulli": 1}
#: A zone with fewer events is none.
LEAST_EVENTS = 2
#: One zone beats another only by more than this: sums in another order must not decide.
SAME = 1e-9
#: Below this share of draws the tail of a fitted Gumbel law is used.
GUMBEL_BELOW = 0.01

__all__ = ["NullMaxima", "Statistic", "Zone", "bernoulli_log_ratio", "find_zones", "poisson_log_ratio"]


@dataclass(frozen=True, kw_only=True)
class Zone:
    """One circle with more events than expected.

    Attributes
    ----------
    layer, entry : int
        Layer (its number) and entry of the layer's neighbour list.
    x, y, radius : float
        Centre, and distance to the farthest site, in the unit of the points.
    points : ndarray of int
        Points inside, in increasing order.
    observed, expected : float
        Events inside; what was to be expected, scaled so that the whole town's expected are its observed.
        For the Bernoulli statistic expected is the town's share of events times the points' trials.
    relative_risk : float
        Observed / expected inside over the same outside; inf where nothing is outside.
    log_ratio : float
        Log likelihood ratio, scaled where a variance was given.
    """

    layer: int
    entry: int
    x: float
    y: float
    radius: float
    points: IntArray
    observed: float
    expected: float
    relative_risk: float
    log_ratio: float


@dataclass(frozen=True, kw_only=True)
class NullMaxima:
    """Largest log likelihood ratios of draws without a hot spot.

    Attributes
    ----------
    maxima : ndarray, shape (n_draws,)
        Of each draw; exact where above `threshold`, else 0.
    threshold : float
        About the median of the maxima.
    location, scale : float
        Gumbel law fitted to them, those below the threshold as censored.
    """

    maxima: FloatArray
    threshold: float
    location: float
    scale: float

    @classmethod
    def from_maxima(cls, maxima: FloatArray, threshold: float) -> NullMaxima:
        """Fit the Gumbel law by maximum likelihood.

        Notes
        -----
        A. M. Abrams, K. Kleinman and M. Kulldorff, "Gumbel based p-value approximations for spatial scan
        statistics", International Journal of Health Geographics 9:61, 2010 (from memory). Censoring at the
        median lets the upper half, whose tail is wanted, decide.
        """
        above = maxima[maxima > threshold]
        n_below = len(maxima) - len(above)
        spread = max(float(above.std()), 1e-3) if len(above) else 1.0

        def cost(parameters: FloatArray) -> float:
            location, log_scale = parameters
            scale = np.exp(log_scale)
            z, z_below = (above - location) / scale, (threshold - location) / scale
            below = n_below * np.exp(-z_below) if z_below > -500 else np.inf
            with np.errstate(over="ignore"):
                return float(len(above) * log_scale + np.sum(z + np.exp(-z)) + below)

        start = np.array([threshold, np.log(spread)])
        if len(above) < 10:
            return cls(maxima=maxima, threshold=threshold, location=np.nan, scale=np.nan)
        found = minimize(cost, start, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8})
        return cls(
            maxima=maxima, threshold=threshold, location=float(found.x[0]), scale=float(np.exp(found.x[1]))
        )

    def p_value(self, log_ratio: float) -> tuple[float, str]:
        """Share of draws with at least this log likelihood ratio somewhere.

        Returns
        -------
        tuple of float and str
            The p-value, and how it was had: 'rank' among the draws, 'gumbel' for the tail beyond them, or
            'at_least' where it is only known to be no smaller.
        """
        n = len(self.maxima)
        rank = (1 + int(np.sum(self.maxima >= log_ratio))) / (n + 1)
        if log_ratio <= self.threshold:
            return (1 + int(np.sum(self.maxima > self.threshold))) / (n + 1), "at_least"
        if rank >= GUMBEL_BELOW or not np.isfinite(self.location):
            return rank, "rank"
        tail = -np.expm1(-np.exp(-(log_ratio - self.location) / self.scale))
        return float(max(tail, 1e-300)), "gumbel"


def find_zones(
    layers: Sequence[Layer],
    events: ArrayLike,
    weight: ArrayLike,
    *,
    statistic: Statistic = "poisson",
    variance: ArrayLike | None = None,
    most: int = 10,
    least_log_ratio: float = 0.0,
) -> list[Zone]:
    """Find the circle with the largest log likelihood ratio, then the best that shares no point with it, …

    Parameters
    ----------
    layers : sequence of Layer
        From `models.zones`.
    events : array, shape (n_points,)
        Events at each point: 0 or 1 for a lot, or a count.
    weight : array, shape (n_points,)
        Expected events for the Poisson statistic (any multiple of them), trials for the Bernoulli one.
    statistic : 'poisson' or 'bernoulli'
        Which likelihood ratio ranks the zones. With unequal chances use the first; draws calibrate it
        whatever the law of the events is.
    variance : array, shape (n_points,), optional
        Variance of each point's events where they are not Poisson: p (1 - p) of a lot that fails with chance
        p. Each zone's ratio is then divided by its variance over its expected number.
    most : int
        Most zones to return.
    least_log_ratio : float
        Zones at or below it are left out.

    Returns
    -------
    list of Zone
        Best first. Empty where no circle of two events has more than expected.

    Raises
    ------
    ModelInputError
        Lengths differ, or a count or weight is negative.

    Notes
    -----
    M. Kulldorff, "A spatial scan statistic", Communications in Statistics: Theory and Methods 26, 1481-1496,
    1997. Circles are closed: of points at one distance all are inside or none. Totals are kept in double
    precision. Secondary zones are the best of all circles disjoint from those kept; to drop overlaps from
    the list of each centre's best loses some.

    With `variance` the ratio is a quasi-likelihood one (P. McCullagh and J. A. Nelder, Generalized Linear Models,
    2nd ed. 1989, chapter 9): a zone of old pipe, nearly all of which fails anyway, has little room for an
    excess, and the plain ratio would overlook what there is. For rare events it changes nothing; where all
    chances are alike it is the Bernoulli ratio to second order.
    """
    counts, weights = _checked(layers, events, weight)
    spread = _checked(layers, events, weights if variance is None else variance)[1]
    total, scaled = float(counts.sum()), weights
    if statistic == "poisson" and weights.sum() > 0:
        scaled = weights * (total / weights.sum())
    whole = float(scaled.sum())
    if total <= 0:
        return []
    # Scaled like the weights, so that without a variance the dispersion of every zone is 1.
    spread = spread * (scaled.sum() / weights.sum() if weights.sum() > 0 else 1.0)
    sites = [tuple(_by_site(layer, values) for values in (counts, scaled, spread)) for layer in layers]
    taken = np.zeros(len(counts), dtype=np.bool_)
    zones: list[Zone] = []
    while len(zones) < most:
        best, best_layer, best_entry = least_log_ratio, -1, -1
        for number, (layer, (of_events, of_weight, of_spread)) in enumerate(zip(layers, sites, strict=True)):
            closed = _by_site(layer, taken) > 0
            value, entry = _best_zone(
                KINDS[statistic],
                layer.first,
                layer.neighbour,
                layer.is_end,
                of_events,
                of_weight,
                of_spread,
                closed,
                total,
                whole,
                best,
            )
            if entry >= 0:
                best, best_layer, best_entry = value, number, entry
        if best_layer < 0:
            break
        zone = _describe(layers[best_layer], best_layer, best_entry, counts, scaled, best, statistic)
        taken[zone.points] = True
        zones.append(zone)
    return zones


def _checked(layers: Sequence[Layer], events: ArrayLike, weight: ArrayLike) -> tuple[FloatArray, FloatArray]:
    counts, weights = np.asarray(events, dtype=float), np.asarray(weight, dtype=float)
    if not layers:
        raise ModelInputError("a scan needs at least one layer of zones.")
    if any(len(layer.site) != len(counts) for layer in layers) or counts.shape != weights.shape:
        raise ModelInputError("events, weight and the layers' points must be of one length.")
    for name, array in (("events", counts), ("weight", weights)):
        bad = ~(np.isfinite(array) & (array >= 0))
        if bad.any():
            raise ModelInputError(f"{name} must be 0 or more.", row=int(np.argmax(bad)))
    return counts, weights


def _by_site(layer: Layer, values: NDArray[Any]) -> FloatArray:
    inside = layer.site >= 0
    return np.bincount(layer.site[inside], values[inside], minlength=layer.n_sites).astype(float)


def _describe(
    layer: Layer,
    number: int,
    entry: int,
    counts: FloatArray,
    weights: FloatArray,
    log_ratio: float,
    statistic: Statistic,
) -> Zone:
    points, centre = members(layer, entry), layer.centre_of(entry)
    observed, inside = float(counts[points].sum()), float(weights[points].sum())
    total, whole = float(counts.sum()), float(weights.sum())
    expected = inside if statistic == "poisson" else total * inside / whole
    outside = (total - observed) / (total - expected) if total > expected else 0.0
    return Zone(
        layer=number,
        entry=entry,
        x=float(layer.x[centre]),
        y=float(layer.y[centre]),
        radius=layer.radius_of(entry),
        points=points,
        observed=observed,
        expected=expected,
        relative_risk=(observed / expected) / outside if outside > 0 else np.inf,
        log_ratio=log_ratio,
    )


def poisson_log_ratio(observed: float, expected: float, total: float) -> float:
    """Log likelihood ratio of a zone with more events than expected, given the total.

    Notes
    -----
    Kulldorff 1997: c log(c / e) + (C - c) log((C - c) / (C - e)), 0 log 0 = 0; 0 where c <= e.
    """
    return float(log_ratio(KINDS["poisson"], observed, expected, total, total))


def bernoulli_log_ratio(observed: float, trials: float, total: float, all_trials: float) -> float:
    """Log likelihood ratio of a zone with a larger share of events than elsewhere (Kulldorff 1997)."""
    return float(log_ratio(KINDS["bernoulli"], observed, trials, total, all_trials))


@compiled_for_threads
def _times_log(count: float, share: float) -> float:
    return count * np.log(share) if count > 0 else 0.0


@compiled_for_threads
def log_ratio(kind: int, count: float, weight: float, total: float, whole: float) -> float:
    """Log likelihood ratio by the number of its kind; 0 for a zone without an excess or of one event."""
    if count < LEAST_EVENTS or weight <= 0 or weight >= whole or count * whole <= weight * total:
        return 0.0
    if kind == 0:
        return _times_log(count, count / weight) + _times_log(
            total - count, (total - count) / (total - weight)
        )
    rest, rest_weight = total - count, whole - weight
    return (
        _times_log(count, count / weight)
        + _times_log(weight - count, (weight - count) / weight)
        + _times_log(rest, rest / rest_weight)
        + _times_log(rest_weight - rest, (rest_weight - rest) / rest_weight)
        - _times_log(total, total / whole)
        - _times_log(whole - total, (whole - total) / whole)
    )


@compiled_for_threads
def _best_zone(
    kind: int,
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    events: FloatArray,
    weight: FloatArray,
    spread: FloatArray,
    closed: NDArray[np.bool_],
    total: float,
    whole: float,
    least: float,
) -> tuple[float, int]:
    """Best circle that holds no closed site and beats `least`; entry -1 where there is none."""
    best, best_entry = least, -1
    for centre in range(len(first) - 1):
        count, inside, varied = 0.0, 0.0, 0.0
        for entry in range(first[centre], first[centre + 1]):
            site = neighbour[entry]
            if closed[site]:
                break
            count += events[site]
            inside += weight[site]
            varied += spread[site]
            if is_end[entry] and count * whole > inside * total and varied > 0:
                value = log_ratio(kind, count, inside, total, whole) * inside / varied
                if value > best * (1 + SAME) + SAME:
                    best, best_entry = value, entry
    return best, best_entry

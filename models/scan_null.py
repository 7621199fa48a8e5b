"""Draws of a town without a hot spot, many side by side, and the largest log likelihood ratio of each.

What makes it quick: a zone grows by adding one row of counts of `LANES` draws; a table says for each zone
the least count that could matter, so that the ratio itself is worked for hardly any; and a pilot finds what
could matter. Draws come from one generator per batch, so the number of threads changes nothing.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import ModelInputError
from models.looks import FloatArray
from models.scan import KINDS, NullMaxima, Statistic
from models.scan_draws import Bytes, TownLaw, Variation, count_sites, draw_towns, town_law
from models.scan_loops import (
    least_counts,
    maxima,
    maxima_refitted,
    needed_lines,
    rough_maxima,
    running_weight,
    spread_changes,
    weighted_sums,
)
from models.zones import Layer

#: Draws side by side: a row of counts of one byte each fills two cache lines.
LANES = 128
PILOT_LANES = 64
#: Entries of the neighbour lists that the pilot looks at.
PILOT_ENTRIES = 200_000
#: Bytes that the draws of all threads may hold at once.
MOST_BYTES = 400_000_000
#: Largest count that two bytes hold, with room for draws above the expected.
ROOM = 65_535 / 1.5
#: A refit leaves a site at least this share of its expected count.
LEAST_SHARE = 1e-3


@dataclass(frozen=True, kw_only=True)
class Refit:
    """A baseline with spatial terms is refitted in each draw, by one Newton step.

    Attributes
    ----------
    terms : ndarray, shape (n_points, k)
        Covariates of the baseline, a constant among them.
    slope : ndarray, shape (n_points,)
        Change of a point's chance with its linear predictor: p (1 - p) for a logistic one, -(1 - p) log(1 - p)
        for one of the log hazard.
    """

    terms: FloatArray
    slope: FloatArray


@dataclass(frozen=True, kw_only=True)
class Town:
    """What every batch needs."""

    layers: tuple[Layer, ...]
    law: TownLaw
    total: int
    kind: int
    weight: tuple[FloatArray, ...]
    spread: tuple[FloatArray, ...]
    whole: float
    refit: _Step | None


@dataclass(frozen=True, kw_only=True)
class _Step:
    """One Newton step: from a draw's residuals to the change of expected counts of sites."""

    score: FloatArray
    inverse: FloatArray
    by_site: tuple[FloatArray, ...]


def null_maxima(
    layers: Sequence[Layer],
    chance: ArrayLike,
    total: int,
    *,
    rng: np.random.Generator,
    statistic: Statistic = "poisson",
    variance: ArrayLike | None = None,
    n_draws: int = 999,
    variation: Variation | None = None,
    refit: Refit | None = None,
    least: float = np.inf,
    n_threads: int | None = None,
) -> NullMaxima:
    """Draw events by chance alone and return the largest log likelihood ratio of each draw.

    Parameters
    ----------
    layers : sequence of Layer
        The same that the zones were found in.
    chance : array, shape (n_points,)
        Chance of the event at each point, 0 to 1.
    total : int
        Number of events seen. Every draw has as many.
    rng : numpy.random.Generator
    statistic : 'poisson' or 'bernoulli'
        As for `find_zones`. With 'bernoulli' every point is one trial and `chance` is what the draws use.
    variance : array, shape (n_points,), optional
        As for `find_zones`.
    n_draws : int
    variation : Variation, optional
        Draw with what moves the chances of points together; default: they are known and independent.
    refit : Refit, optional
        Needed where the baseline has spatial terms; without it such a baseline makes the test far too shy.
    least : float
        A log likelihood ratio whose rank among the draws is wanted exactly.
    n_threads : int, optional
        Default: one per processor. Does not change the result.

    Returns
    -------
    NullMaxima

    Raises
    ------
    ModelInputError
        A chance lies outside 0 to 1, or lengths differ.

    Notes
    -----
    Events are independent with their own chances, not Poisson: failure is not rare, and a multinomial draw
    has far too much spread. Draws are moved to the same total by flips that leave the chances as a tilt of
    all log odds would. Generator: xorshift64* (S. Vigna, ACM Transactions on Mathematical Software 42:30,
    2016), a stream for each lane, seeded from `rng`.
    """
    town = describe_town(layers, chance, total, statistic, variance, variation, refit)
    n_batches = -(-n_draws // LANES)
    pilot_rng, *streams = rng.spawn(n_batches + 1)
    threshold = _pilot(town, pilot_rng)
    if np.isfinite(least):
        # The rank of what was seen must be exact, unless it is among the least surprising anyway.
        threshold = min(threshold, max(least * (1 - 1e-9), 0.5 * threshold))
    tables = [zone_table(town, number, threshold) for number in range(len(town.layers))]
    work = partial(_batch, town, tables, threshold)
    workers = n_threads or os.cpu_count() or 1
    workers = max(1, min(workers, MOST_BYTES // (len(town.law.chance) * LANES)))
    with ThreadPoolExecutor(workers) as pool:
        maxima = np.concatenate(list(pool.map(work, streams)))[:n_draws]
    return NullMaxima.from_maxima(maxima, threshold)


def describe_town(
    layers: Sequence[Layer],
    chance: ArrayLike,
    total: int,
    statistic: Statistic,
    variance: ArrayLike | None,
    variation: Variation | None,
    refit: Refit | None,
) -> Town:
    """Check chances and add up weights of sites."""
    p = np.asarray(chance, dtype=float)
    bad = ~((p >= 0) & (p <= 1))
    if bad.any():
        raise ModelInputError("a chance lies outside 0 to 1.", row=int(np.argmax(bad)))
    if any(len(layer.site) != len(p) for layer in layers):
        raise ModelInputError("chance and the layers' points must be of one length.")
    if not 0 < total <= len(p) or p.sum() <= 0:
        raise ModelInputError(f"{total} events among {len(p)} points cannot be drawn.")
    scale = total / p.sum()
    of_point = p * scale if statistic == "poisson" else np.ones(len(p))
    spread = of_point if variance is None else np.asarray(variance, dtype=float) * scale
    if spread.shape != p.shape or not (spread >= 0).all():
        raise ModelInputError("variance must be 0 or more, one for each point.")
    return Town(
        layers=tuple(layers),
        law=town_law(p, variation),
        total=int(total),
        kind=KINDS[statistic],
        weight=tuple(_site_sums(layer, of_point) for layer in layers),
        spread=tuple(_site_sums(layer, spread) for layer in layers),
        whole=float(of_point.sum()),
        refit=None if refit is None else _step(layers, p, refit, total),
    )


def _site_sums(layer: Layer, values: FloatArray) -> FloatArray:
    inside = layer.site >= 0
    return np.bincount(layer.site[inside], values[inside], minlength=layer.n_sites).astype(float)


def _step(layers: Sequence[Layer], p: FloatArray, refit: Refit, total: int) -> _Step:
    terms, slope = np.asarray(refit.terms, dtype=float), np.asarray(refit.slope, dtype=float)
    if len(terms) != len(p) or slope.shape != p.shape:
        raise ModelInputError("terms, slope and chance must be of one length.")
    variance = np.maximum(p * (1 - p), 1e-12)
    score = terms * (slope / variance)[:, None]
    information = score.T @ (terms * slope[:, None])
    scaled = terms * (slope * total / p.sum())[:, None]
    return _Step(
        score=score,
        inverse=np.linalg.pinv(information, hermitian=True),
        by_site=tuple(
            np.column_stack([_site_sums(layer, column) for column in scaled.T]) for layer in layers
        ),
    )


def _pilot(town: Town, rng: np.random.Generator) -> float:
    """Median of the largest ratio over some of the zones: what a draw must pass to matter."""
    state = draw_towns(town.law, town.total, rng, PILOT_LANES)
    best = np.zeros(PILOT_LANES)
    for number, layer in enumerate(town.layers):
        counts = count_sites(layer, state)
        step = max(1, len(layer.neighbour) // PILOT_ENTRIES)
        centres = np.arange(0, layer.n_sites, step)
        rough_maxima(
            town.kind,
            layer.first,
            layer.neighbour,
            layer.is_end,
            centres,
            counts,
            town.weight[number],
            town.spread[number],
            float(town.total),
            town.whole,
            best,
        )
    return float(np.median(best))


def zone_table(
    town: Town, number: int, threshold: float
) -> tuple[FloatArray, NDArray[np.float32], NDArray[Any]]:
    """For each circle its weight, its dispersion, and the least count whose ratio passes the threshold."""
    layer = town.layers[number]
    inside = running_weight(layer.first, layer.neighbour, town.weight[number])
    varied = running_weight(layer.first, layer.neighbour, town.spread[number])
    # Nothing can vary in a zone of variance 0: no count of it matters.
    dispersion: NDArray[np.float32] = np.where(
        varied > 0, varied / np.maximum(inside, 1e-300), np.inf
    ).astype(np.float32)
    if town.refit is not None:
        return (
            inside,
            dispersion,
            needed_lines(layer.is_end, inside, dispersion, float(town.total), threshold),
        )
    largest = inside[layer.is_end].max(initial=0.0)
    if town.kind == KINDS["bernoulli"]:
        largest = largest * town.total / town.whole
    counted = np.uint16 if largest < ROOM else np.uint32
    least = least_counts(
        town.kind,
        layer.is_end & np.isfinite(dispersion),
        inside,
        dispersion,
        float(town.total),
        town.whole,
        threshold,
        float(np.iinfo(counted).max),
    )
    return inside, dispersion, least.astype(counted)


def _batch(
    town: Town,
    tables: Sequence[tuple[FloatArray, NDArray[np.float32], NDArray[Any]]],
    threshold: float,
    rng: np.random.Generator,
) -> FloatArray:
    state = draw_towns(town.law, town.total, rng, LANES)
    best = np.full(LANES, threshold)
    entries = np.full(LANES, -1, dtype=np.int64)
    changes = np.empty((0, LANES), dtype=np.float32) if town.refit is None else _changes(town, state)
    for number, layer in enumerate(town.layers):
        every = np.arange(layer.n_sites)
        counts = count_sites(layer, state)
        inside, dispersion, least = tables[number]
        if town.refit is None:
            maxima(
                town.kind,
                layer.first,
                layer.neighbour,
                layer.is_end,
                every,
                counts,
                inside,
                dispersion,
                least,
                float(town.total),
                town.whole,
                np.zeros(LANES, dtype=least.dtype),
                best,
                entries,
            )
        else:
            maxima_refitted(
                layer.first,
                layer.neighbour,
                layer.is_end,
                counts,
                _refitted(town, number, changes),
                dispersion,
                least,
                float(town.total),
                best,
            )
    best[best <= threshold] = 0.0
    return best


def _changes(town: Town, state: Bytes) -> NDArray[np.float32]:
    """Change of the baseline's coefficients in each draw, shape (k, lanes)."""
    step = town.refit
    assert step is not None
    drawn = np.zeros((step.score.shape[1], state.shape[1]), dtype=np.float32)
    weighted_sums(step.score.astype(np.float32), state, drawn)
    residual = drawn - (step.score.T @ town.law.chance)[:, None]
    return (step.inverse @ residual).astype(np.float32)


def _refitted(town: Town, number: int, changes: NDArray[np.float32]) -> NDArray[np.float32]:
    """Expected counts of sites in each draw."""
    step, weight = town.refit, town.weight[number].astype(np.float32)
    assert step is not None
    expected = np.repeat(weight[:, None], changes.shape[1], axis=1)
    spread_changes(
        step.by_site[number].astype(np.float32), changes, np.float32(LEAST_SHARE) * weight, expected
    )
    return expected

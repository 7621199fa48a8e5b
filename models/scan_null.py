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

from models.compiled import compiled_for_threads
from models.errors import ModelInputError
from models.looks import FloatArray, IntArray
from models.scan import KINDS, LEAST_EVENTS, NullMaxima, Statistic, Zone, log_ratio
from models.zones import Layer, members

#: Draws side by side: a row of counts of one byte each fills two cache lines.
LANES = 128
PILOT_LANES = 64
#: Entries of the neighbour lists that the pilot looks at.
PILOT_ENTRIES = 200_000
#: Bytes that the draws of all threads may hold at once.
MOST_BYTES = 400_000_000
#: Largest count that two bytes hold, with room for draws above the expected.
ROOM = 65_535 / 1.5
#: The line of least counts lies above their curve by less than this wherever a refit may move it [events].
SLACK = 0.25
#: A refit leaves a site at least this share of its expected count.
LEAST_SHARE = 1e-3

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]


@dataclass(frozen=True, kw_only=True)
class Frailty:
    """Ordinary variation between blocks: a hazard multiplier for each, gamma with mean 1.

    Attributes
    ----------
    block : ndarray of int, shape (n_points,)
        Block of each point; -1 for a point in none, which keeps its own chance.
    variance : float
        Variance of the multipliers, 0 or more.
    """

    block: IntArray
    variance: float


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
class _Town:
    """What every batch needs."""

    layers: tuple[Layer, ...]
    chance: FloatArray
    total: int
    kind: int
    weight: tuple[FloatArray, ...]
    whole: float
    frailty: Frailty | None
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
    n_draws: int = 999,
    frailty: Frailty | None = None,
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
    n_draws : int
    frailty : Frailty, optional
        Draw with ordinary variation between blocks.
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
    town = _town(layers, chance, total, statistic, frailty, refit)
    n_batches = -(-n_draws // LANES)
    pilot_rng, *streams = rng.spawn(n_batches + 1)
    threshold = _pilot(town, pilot_rng)
    if np.isfinite(least):
        # The rank of what was seen must be exact, unless it is among the least surprising anyway.
        threshold = min(threshold, max(least * (1 - 1e-9), 0.5 * threshold))
    tables = [_table(town, number, threshold) for number in range(len(town.layers))]
    work = partial(_batch, town, tables, threshold)
    workers = n_threads or os.cpu_count() or 1
    workers = max(1, min(workers, MOST_BYTES // (len(town.chance) * LANES)))
    with ThreadPoolExecutor(workers) as pool:
        maxima = np.concatenate(list(pool.map(work, streams)))[:n_draws]
    return NullMaxima.from_maxima(maxima, threshold)


def _town(
    layers: Sequence[Layer],
    chance: ArrayLike,
    total: int,
    statistic: Statistic,
    frailty: Frailty | None,
    refit: Refit | None,
) -> _Town:
    p = np.asarray(chance, dtype=float)
    bad = ~((p >= 0) & (p <= 1))
    if bad.any():
        raise ModelInputError("a chance lies outside 0 to 1.", row=int(np.argmax(bad)))
    if any(len(layer.site) != len(p) for layer in layers):
        raise ModelInputError("chance and the layers' points must be of one length.")
    if not 0 < total <= len(p) or p.sum() <= 0:
        raise ModelInputError(f"{total} events among {len(p)} points cannot be drawn.")
    of_point = p * (total / p.sum()) if statistic == "poisson" else np.ones(len(p))
    return _Town(
        layers=tuple(layers),
        chance=p,
        total=int(total),
        kind=KINDS[statistic],
        weight=tuple(_site_sums(layer, of_point) for layer in layers),
        whole=float(of_point.sum()),
        frailty=frailty if frailty is not None and frailty.variance > 0 else None,
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


def _pilot(town: _Town, rng: np.random.Generator) -> float:
    """Median of the largest ratio over some of the zones: what a draw must pass to matter."""
    state = _draw(town, rng, PILOT_LANES)
    best = np.zeros(PILOT_LANES)
    for number, layer in enumerate(town.layers):
        counts = _count_sites(layer, state)
        step = max(1, len(layer.neighbour) // PILOT_ENTRIES)
        centres = np.arange(0, layer.n_sites, step)
        _rough_maxima(
            town.kind,
            layer.first,
            layer.neighbour,
            layer.is_end,
            centres,
            counts,
            town.weight[number],
            float(town.total),
            town.whole,
            best,
        )
    return float(np.median(best))


def _table(town: _Town, number: int, threshold: float) -> tuple[NDArray[Any], ...]:
    """For each circle its weight, and the least count whose ratio passes the threshold."""
    layer, weight = town.layers[number], town.weight[number]
    inside = _running_weight(layer.first, layer.neighbour, weight)
    largest = inside[layer.is_end].max(initial=0.0)
    if town.kind == KINDS["bernoulli"]:
        largest = largest * town.total / town.whole
    if town.refit is not None:
        return inside, _needed_lines(layer.is_end, inside, float(town.total), threshold)
    counted = np.uint16 if largest < ROOM else np.uint32
    least = _least_counts(
        town.kind, layer.is_end, inside, float(town.total), town.whole, threshold, float(np.iinfo(counted).max)
    )
    return inside, least.astype(counted)


def _batch(
    town: _Town, tables: Sequence[tuple[NDArray[Any], ...]], threshold: float, rng: np.random.Generator
) -> FloatArray:
    state = _draw(town, rng, LANES)
    best = np.full(LANES, threshold)
    entries = np.full(LANES, -1, dtype=np.int64)
    changes = np.empty((0, LANES), dtype=np.float32) if town.refit is None else _changes(town, state)
    for number, layer in enumerate(town.layers):
        every = np.arange(layer.n_sites)
        counts = _count_sites(layer, state)
        inside, least = tables[number]
        if town.refit is None:
            _maxima(
                town.kind,
                layer.first,
                layer.neighbour,
                layer.is_end,
                every,
                counts,
                inside,
                least,
                float(town.total),
                town.whole,
                np.zeros(LANES, dtype=least.dtype),
                best,
                entries,
            )
        else:
            _maxima_refitted(
                layer.first,
                layer.neighbour,
                layer.is_end,
                counts,
                _refitted(town, number, changes),
                least,
                float(town.total),
                best,
            )
    best[best <= threshold] = 0.0
    return best


def _changes(town: _Town, state: Bytes) -> NDArray[np.float32]:
    """Change of the baseline's coefficients in each draw, shape (k, lanes)."""
    step = town.refit
    assert step is not None  # noqa: S101 - for the type checker; the caller asked
    drawn = np.zeros((step.score.shape[1], state.shape[1]), dtype=np.float32)
    _weighted_sums(step.score.astype(np.float32), state, drawn)
    residual = drawn - (step.score.T @ town.chance)[:, None]
    return (step.inverse @ residual).astype(np.float32)


def _refitted(town: _Town, number: int, changes: NDArray[np.float32]) -> NDArray[np.float32]:
    """Expected counts of sites in each draw."""
    step, weight = town.refit, town.weight[number].astype(np.float32)
    assert step is not None  # noqa: S101 - for the type checker; the caller asked
    expected = np.repeat(weight[:, None], changes.shape[1], axis=1)
    _spread(step.by_site[number].astype(np.float32), changes, np.float32(LEAST_SHARE) * weight, expected)
    return expected


@compiled_for_threads
def _weighted_sums(score: NDArray[np.float32], state: Bytes, sums: NDArray[np.float32]) -> None:
    # Loops of our own: a linear-algebra library would start threads of its own in every thread of ours.
    for i in range(len(score)):
        for term in range(score.shape[1]):
            factor, row, more = score[i, term], sums[term], state[i]
            if factor != 0:
                for lane in range(len(row)):
                    row[lane] += factor * np.float32(more[lane])


@compiled_for_threads
def _spread(
    by_site: NDArray[np.float32],
    changes: NDArray[np.float32],
    least: NDArray[np.float32],
    expected: NDArray[np.float32],
) -> None:
    for site in range(len(by_site)):
        row = expected[site]
        for term in range(by_site.shape[1]):
            factor, more = by_site[site, term], changes[term]
            if factor != 0:
                for lane in range(len(row)):
                    row[lane] += factor * more[lane]
        for lane in range(len(row)):
            row[lane] = max(row[lane], least[site])


def _draw(town: _Town, rng: np.random.Generator, lanes: int) -> Bytes:
    """Events of `lanes` draws, shape (n_points, lanes), each with the same total."""
    seeds = rng.integers(1, 2**63, size=lanes, dtype=np.uint64)
    state = np.empty((len(town.chance), lanes), dtype=np.uint8)
    if town.frailty is None:
        # 2^32 itself does not fit: a chance of 1 falls short by a part in four thousand million.
        limit = np.minimum(town.chance * 2.0**32, 2.0**32 - 1).astype(np.uint32)
        _draw_alone(limit, seeds, state)
    else:
        hazard, multiplier = _frail(town.chance, town.frailty, rng, lanes)
        _draw_frail(hazard, town.frailty.block.astype(np.int64), multiplier, seeds, state)
    _move_to_total(state, town.chance, town.total, seeds)
    return state


def _frail(
    chance: FloatArray, frailty: Frailty, rng: np.random.Generator, lanes: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Hazards at which the chance, averaged over the multipliers, stays what it was; and multipliers."""
    variance = frailty.variance
    sound = np.clip(1 - chance, 1e-12, 1.0)
    inside = frailty.block >= 0
    hazard = np.where(inside, np.expm1(-variance * np.log(sound)) / variance, -np.log(sound))
    n_blocks = int(frailty.block.max(initial=-1)) + 1
    multiplier = rng.standard_gamma(1 / variance, size=(n_blocks + 1, lanes)) * variance
    # Points in no block have -1, which is the last row.
    multiplier[-1] = 1.0
    return hazard.astype(np.float32), multiplier.astype(np.float32)


@compiled_for_threads
def _draw_alone(limit: NDArray[np.uint32], lanes: Words, state: Bytes) -> None:
    for i in range(len(limit)):
        for lane in range(len(lanes)):
            s = lanes[lane]
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            lanes[lane] = s
            drawn = np.uint32((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(32))
            state[i, lane] = drawn < limit[i]


@compiled_for_threads
def _draw_frail(
    hazard: NDArray[np.float32],
    block: IntArray,
    multiplier: NDArray[np.float32],
    lanes: Words,
    state: Bytes,
) -> None:
    one = np.float32(1.0)
    step = np.float32(2.0**-32)
    for i in range(len(hazard)):
        row = multiplier[block[i]]
        for lane in range(len(lanes)):
            s = lanes[lane]
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            lanes[lane] = s
            drawn = np.uint32((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(32))
            # exp(-x) as (exp(-x / 16))^16 by its series: true to 1e-6 up to x = 5, and quick side by side.
            x = min(hazard[i] * row[lane], np.float32(16.0)) * np.float32(0.0625)
            e = one - x * (
                one
                - x
                * np.float32(0.5)
                * (
                    one
                    - x
                    * np.float32(1 / 3)
                    * (one - x * np.float32(0.25) * (one - x * np.float32(0.2) * (one - x * np.float32(1 / 6))))
                )
            )
            e *= e
            e *= e
            e *= e
            e *= e
            state[i, lane] = np.float32(drawn) * step >= e


@compiled_for_threads
def _move_to_total(state: Bytes, chance: FloatArray, total: int, lanes: Words) -> None:
    """Flip points until each draw has the total, with chances as a tilt of all log odds would."""
    n = len(chance)
    count = np.zeros(len(lanes), dtype=np.int64)
    for i in range(n):
        for lane in range(len(lanes)):
            count[lane] += state[i, lane]
    for lane in range(len(lanes)):
        s = lanes[lane]
        for _ in range(1000 * n):
            if count[lane] == total:
                break
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            i = np.int64(((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(33)) % np.uint64(n))
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            drawn = np.float64((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(11)) * 2.0**-53
            if count[lane] > total:
                if state[i, lane] == 1 and drawn < 1 - chance[i] + 1e-9:
                    state[i, lane] = 0
                    count[lane] -= 1
            elif state[i, lane] == 0 and drawn < chance[i] + 1e-9:
                state[i, lane] = 1
                count[lane] += 1


def _count_sites(layer: Layer, state: Bytes) -> NDArray[Any]:
    """Events of each site in each draw; one byte where no site has more points than that holds."""
    inside = layer.site[layer.site >= 0]
    largest = int(np.bincount(inside, minlength=1).max())
    counts = np.zeros((layer.n_sites, state.shape[1]), dtype=np.uint8 if largest < 256 else np.uint16)
    _add_up(layer.site, state, counts)
    return counts


@compiled_for_threads
def _add_up(site: NDArray[np.int32], state: Bytes, counts: NDArray[Any]) -> None:
    for i in range(len(site)):
        if site[i] >= 0:
            row, more = counts[site[i]], state[i]
            for lane in range(len(row)):
                row[lane] += more[lane]


@compiled_for_threads
def _rough_maxima(
    kind: int,
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    centres: IntArray,
    counts: NDArray[Any],
    weight: FloatArray,
    total: float,
    whole: float,
    best: FloatArray,
) -> None:
    """Raise `best` to each draw's largest ratio, working it only where a bound on it is larger."""
    lanes = len(best)
    count = np.zeros(lanes, dtype=np.int32)
    share = total / whole if kind == 1 else 0.0
    for centre in centres:
        count[:] = 0
        inside = 0.0
        for entry in range(first[centre], first[centre + 1]):
            row = counts[neighbour[entry]]
            inside += weight[neighbour[entry]]
            for lane in range(lanes):
                count[lane] += np.int32(row[lane])
            expected = inside * total / whole
            if is_end[entry] and 0 < expected < total:
                # A divergence is at most its chi-square: an upper bound without a logarithm.
                factor = total / (expected * (total - expected) * (1 - share))
                passing = 0
                for lane in range(lanes):
                    excess = max(count[lane] - expected, 0.0)
                    passing |= excess * excess * factor > best[lane]
                for lane in range(lanes if passing else 0):
                    excess = max(count[lane] - expected, 0.0)
                    if excess * excess * factor > best[lane]:
                        value = log_ratio(kind, float(count[lane]), inside, total, whole)
                        best[lane] = max(best[lane], value)


@compiled_for_threads
def _running_weight(first: IntArray, neighbour: NDArray[np.int32], weight: FloatArray) -> FloatArray:
    inside = np.empty(len(neighbour))
    for centre in range(len(first) - 1):
        total = 0.0
        for entry in range(first[centre], first[centre + 1]):
            total += weight[neighbour[entry]]
            inside[entry] = total
    return inside


@compiled_for_threads
def _least_counts(
    kind: int,
    is_end: NDArray[np.bool_],
    inside: FloatArray,
    total: float,
    whole: float,
    threshold: float,
    never: float,
) -> FloatArray:
    """Least whole count whose ratio is above the threshold; `never` where none is."""
    least = np.full(len(inside), never)
    share = total / whole if kind == 1 else 0.0
    for entry in range(len(inside)):
        if not is_end[entry]:
            continue
        weight = inside[entry]
        largest = total if kind == 0 else min(total, weight)
        expected = weight * total / whole
        spread = 2 * threshold * expected * (1 - weight / whole) * (1 - share)
        count = float(np.floor(expected + np.sqrt(max(spread, 0.0)) + threshold / 3))
        count = min(max(count, float(LEAST_EVENTS)), largest)
        while count > LEAST_EVENTS and log_ratio(kind, count - 1, weight, total, whole) > threshold:
            count -= 1
        while count <= largest and log_ratio(kind, count, weight, total, whole) <= threshold:
            count += 1
        if count <= largest and count < never:
            least[entry] = count
    return least


@compiled_for_threads
def _needed_lines(
    is_end: NDArray[np.bool_], inside: FloatArray, total: float, threshold: float
) -> NDArray[np.float32]:
    """Count whose ratio is the threshold, as a line in the expected count around its fixed value."""
    lines = np.zeros((len(inside), 2), dtype=np.float32)
    for entry in range(len(inside)):
        expected = inside[entry]
        if not is_end[entry] or not 0 < expected < total:
            lines[entry, 0] = np.inf
            continue
        count = expected + np.sqrt(2 * threshold * expected) + threshold / 3
        for _ in range(20):
            rest = max(total - count, 1e-9)
            by_count = np.log(count / expected) - np.log(rest / (total - expected))
            over = count * np.log(count / expected) + rest * np.log(rest / (total - expected)) - threshold
            moved = over / by_count
            count = min(max(count - moved, 0.5 * (count + expected)), total - 1e-9)
            if abs(moved) < 1e-6 * count:
                break
        by_count = np.log(count / expected) - np.log((total - count) / (total - expected))
        slope = (count / expected - (total - count) / (total - expected)) / by_count
        lines[entry, 1] = slope
        lines[entry, 0] = max(count - slope * expected - SLACK, -1e30)
    return lines


@compiled_for_threads
def _maxima(
    kind: int,
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    centres: IntArray,
    counts: NDArray[Any],
    inside: FloatArray,
    least: NDArray[Any],
    total: float,
    whole: float,
    count: NDArray[Any],
    best: FloatArray,
    entries: IntArray,
) -> None:
    """Raise `best` to each draw's largest ratio above it, and keep the entry that had it."""
    lanes = len(best)
    for centre in centres:
        count[:] = 0
        for entry in range(first[centre], first[centre + 1]):
            row = counts[neighbour[entry]]
            for lane in range(lanes):
                count[lane] += row[lane]
            if is_end[entry]:
                need = least[entry]
                passing = 0
                for lane in range(lanes):
                    passing |= count[lane] >= need
                if passing:
                    for lane in range(lanes):
                        if count[lane] >= need:
                            value = log_ratio(kind, float(count[lane]), inside[entry], total, whole)
                            if value > best[lane]:
                                best[lane] = value
                                entries[lane] = entry


@compiled_for_threads
def _maxima_refitted(
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    counts: NDArray[Any],
    expected: NDArray[np.float32],
    need: NDArray[np.float32],
    total: float,
    best: FloatArray,
) -> None:
    """The same where every draw has expected counts of its own."""
    lanes = len(best)
    count = np.zeros(lanes, dtype=np.float32)
    inside = np.zeros(lanes, dtype=np.float32)
    for centre in range(len(first) - 1):
        count[:] = 0
        inside[:] = 0
        for entry in range(first[centre], first[centre + 1]):
            row, more = counts[neighbour[entry]], expected[neighbour[entry]]
            for lane in range(lanes):
                count[lane] += np.float32(row[lane])
            for lane in range(lanes):
                inside[lane] += more[lane]
            if is_end[entry]:
                # The least count as a straight line in the expected one, close to the fixed baseline's.
                level, slope = need[entry, 0], need[entry, 1]
                passing = 0
                for lane in range(lanes):
                    passing |= count[lane] >= level + slope * inside[lane]
                if passing:
                    for lane in range(lanes):
                        if count[lane] >= level + slope * inside[lane]:
                            value = log_ratio(0, float(count[lane]), float(inside[lane]), total, total)
                            if value > best[lane]:
                                best[lane] = value


def core(
    layers: Sequence[Layer],
    zone: Zone,
    chance: ArrayLike,
    total: int,
    *,
    rng: np.random.Generator,
    n_draws: int = LANES,
) -> FloatArray:
    """How often each point of a zone is found again when the events are drawn anew.

    Parameters
    ----------
    layers : sequence of Layer
    zone : Zone
        From `find_zones` with the Poisson statistic.
    chance : array, shape (n_points,)
        Baseline chances.
    total : int
        Events seen in the whole town.
    rng : numpy.random.Generator
    n_draws : int
        At most `LANES`.

    Returns
    -------
    ndarray, shape (len(zone.points),)
        Share of the draws, 0 to 1, whose best circle near the zone holds the point.

    Notes
    -----
    Parametric bootstrap: inside the zone hazards are multiplied so that as many events are expected as were
    seen; only circles around the zone's own surroundings are looked at. Points at its edge come and go; its
    core stays.
    """
    p = _lifted(np.asarray(chance, dtype=float), zone)
    town = _town(layers, chance, total, "poisson", None, None)
    drawn = _draw(
        _Town(**{**vars(town), "chance": p}), rng, n_draws
    )
    floor = 0.25 * zone.log_ratio
    best, found = np.full(n_draws, floor), np.full(n_draws, -1, dtype=np.int64)
    layer_of = np.full(n_draws, -1)
    for number, layer in enumerate(town.layers):
        near = np.flatnonzero(np.hypot(layer.x - zone.x, layer.y - zone.y) <= 2 * zone.radius + 1e-9)
        inside, least = _table(town, number, floor)[:2]
        entries = np.full(n_draws, -1, dtype=np.int64)
        _maxima(
            0,
            layer.first,
            layer.neighbour,
            layer.is_end,
            near,
            _count_sites(layer, drawn),
            inside,
            least,
            float(total),
            town.whole,
            np.zeros(n_draws, dtype=least.dtype),
            best,
            entries,
        )
        found[entries >= 0], layer_of[entries >= 0] = entries[entries >= 0], number
    times = np.zeros(len(p))
    for number, entry in zip(layer_of, found, strict=True):
        if entry >= 0:
            times[members(town.layers[number], int(entry))] += 1
    share: FloatArray = times[zone.points] / n_draws
    return share


def _lifted(chance: FloatArray, zone: Zone) -> FloatArray:
    """Chances with hazards inside the zone multiplied so that its observed number is expected."""
    lifted = chance.copy()
    hazard = -np.log(np.clip(1 - chance[zone.points], 1e-12, 1.0))
    low, high = 0.0, 1e4
    for _ in range(60):
        factor = np.sqrt(max(low, 1e-6) * high)
        if -np.expm1(-hazard * factor).sum() < zone.observed:
            low = factor
        else:
            high = factor
    lifted[zone.points] = -np.expm1(-hazard * high)
    return lifted

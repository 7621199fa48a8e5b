"""Compiled loops of the scan over zones and draws; called by `models.scan_null` and `models.scan_core` only."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled_for_threads
from models.looks import FloatArray, IntArray
from models.scan import LEAST_EVENTS, log_ratio
from models.scan_draws import Bytes

#: The line of least counts lies above their curve by less than this wherever a refit may move it [events].
SLACK = 0.25


@compiled_for_threads
def rough_maxima(
    kind: int,
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    centres: IntArray,
    counts: NDArray[Any],
    weight: FloatArray,
    spread: FloatArray,
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
        inside, varied = 0.0, 0.0
        for entry in range(first[centre], first[centre + 1]):
            row = counts[neighbour[entry]]
            inside += weight[neighbour[entry]]
            varied += spread[neighbour[entry]]
            for lane in range(lanes):
                count[lane] += np.int32(row[lane])
            expected = inside * total / whole
            if is_end[entry] and 0 < expected < total and varied > 0:
                # A divergence is at most its chi-square: an upper bound without a logarithm.
                scale = inside / varied
                factor = scale * total / (expected * (total - expected) * (1 - share))
                passing = 0
                for lane in range(lanes):
                    excess = max(count[lane] - expected, 0.0)
                    passing |= excess * excess * factor > best[lane]
                for lane in range(lanes if passing else 0):
                    excess = max(count[lane] - expected, 0.0)
                    if excess * excess * factor > best[lane]:
                        value = log_ratio(kind, float(count[lane]), inside, total, whole) * scale
                        best[lane] = max(best[lane], value)


@compiled_for_threads
def running_weight(first: IntArray, neighbour: NDArray[np.int32], weight: FloatArray) -> FloatArray:
    """Weight of every entry's circle."""
    inside = np.empty(len(neighbour))
    for centre in range(len(first) - 1):
        total = 0.0
        for entry in range(first[centre], first[centre + 1]):
            total += weight[neighbour[entry]]
            inside[entry] = total
    return inside


@compiled_for_threads
def least_counts(
    kind: int,
    is_end: NDArray[np.bool_],
    inside: FloatArray,
    dispersion: NDArray[np.float32],
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
        weight, wanted = inside[entry], threshold * dispersion[entry]
        largest = total if kind == 0 else min(total, weight)
        expected = weight * total / whole
        spread = 2 * wanted * expected * (1 - weight / whole) * (1 - share)
        count = float(np.floor(expected + np.sqrt(max(spread, 0.0)) + wanted / 3))
        count = min(max(count, float(LEAST_EVENTS)), largest)
        while count > LEAST_EVENTS and log_ratio(kind, count - 1, weight, total, whole) > wanted:
            count -= 1
        while count <= largest and log_ratio(kind, count, weight, total, whole) <= wanted:
            count += 1
        if count <= largest and count < never:
            least[entry] = count
    return least


@compiled_for_threads
def needed_lines(
    is_end: NDArray[np.bool_],
    inside: FloatArray,
    dispersion: NDArray[np.float32],
    total: float,
    threshold: float,
) -> NDArray[np.float32]:
    """Count whose ratio is the threshold, as a line in the expected count around its fixed value."""
    lines = np.zeros((len(inside), 2), dtype=np.float32)
    for entry in range(len(inside)):
        expected = inside[entry]
        if not is_end[entry] or not 0 < expected < total:
            lines[entry, 0] = np.inf
            continue
        wanted = threshold * dispersion[entry]
        count = expected + np.sqrt(2 * wanted * expected) + wanted / 3
        for _ in range(20):
            rest = max(total - count, 1e-9)
            by_count = np.log(count / expected) - np.log(rest / (total - expected))
            over = count * np.log(count / expected) + rest * np.log(rest / (total - expected)) - wanted
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
def maxima(
    kind: int,
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    centres: IntArray,
    counts: NDArray[Any],
    inside: FloatArray,
    dispersion: NDArray[np.float32],
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
                            value /= dispersion[entry]
                            if value > best[lane]:
                                best[lane] = value
                                entries[lane] = entry


@compiled_for_threads
def maxima_refitted(
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    counts: NDArray[Any],
    expected: NDArray[np.float32],
    dispersion: NDArray[np.float32],
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
                for lane in range(lanes if passing else 0):
                    if count[lane] >= level + slope * inside[lane]:
                        value = log_ratio(0, float(count[lane]), float(inside[lane]), total, total)
                        best[lane] = max(best[lane], value / dispersion[entry])


@compiled_for_threads
def weighted_sums(score: NDArray[np.float32], state: Bytes, sums: NDArray[np.float32]) -> None:
    """Add to each term's sums, draw by draw, the scores of the points with an event."""
    # Loops of our own: a linear-algebra library would start threads of its own in every thread of ours.
    for i in range(len(score)):
        for term in range(score.shape[1]):
            factor, row, more = score[i, term], sums[term], state[i]
            if factor != 0:
                for lane in range(len(row)):
                    row[lane] += factor * np.float32(more[lane])


@compiled_for_threads
def spread_changes(
    by_site: NDArray[np.float32],
    changes: NDArray[np.float32],
    least: NDArray[np.float32],
    expected: NDArray[np.float32],
) -> None:
    """Move the expected counts of sites by the changes of the baseline's coefficients."""
    for site in range(len(by_site)):
        row = expected[site]
        for term in range(by_site.shape[1]):
            factor, more = by_site[site, term], changes[term]
            if factor != 0:
                for lane in range(len(row)):
                    row[lane] += factor * more[lane]
        for lane in range(len(row)):
            row[lane] = max(row[lane], least[site])


@compiled_for_threads
def reweighted_maxima(
    first: IntArray,
    neighbour: NDArray[np.int32],
    is_end: NDArray[np.bool_],
    is_far: NDArray[np.bool_],
    events: NDArray[np.float32],
    expected: NDArray[np.float32],
    dispersion: NDArray[np.float32],
    total: float,
    best: FloatArray,
    entries: IntArray,
) -> None:
    """Raise `best` to each draw's largest Poisson ratio over circles without a far site, and keep its entry."""
    lanes = len(best)
    count = np.zeros(lanes, dtype=np.float32)
    inside = np.zeros(lanes, dtype=np.float32)
    for centre in range(len(first) - 1):
        count[:] = 0
        inside[:] = 0
        for entry in range(first[centre], first[centre + 1]):
            if is_far[neighbour[entry]]:
                break
            row, more = events[neighbour[entry]], expected[neighbour[entry]]
            for lane in range(lanes):
                count[lane] += row[lane]
                inside[lane] += more[lane]
            for lane in range(lanes if is_end[entry] else 0):
                excess = float(count[lane] - inside[lane])
                bound = excess * excess * total
                if excess > 0 and bound > best[lane] * dispersion[entry] * inside[lane] * (
                    total - inside[lane]
                ):
                    value = log_ratio(0, float(count[lane]), float(inside[lane]), total, total)
                    value /= dispersion[entry]
                    if value > best[lane]:
                        best[lane] = value
                        entries[lane] = entry

"""Events of many towns drawn side by side, by chance alone or with ordinary variation between blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled_for_threads
from models.looks import FloatArray, IntArray
from models.zones import Layer

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


def draw_towns(
    chance: FloatArray, total: int, frailty: Frailty | None, rng: np.random.Generator, lanes: int
) -> Bytes:
    """Events of `lanes` draws, shape (n_points, lanes), each with the same total."""
    seeds = rng.integers(1, 2**63, size=lanes, dtype=np.uint64)
    state = np.empty((len(chance), lanes), dtype=np.uint8)
    if frailty is None:
        # 2^32 itself does not fit: a chance of 1 falls short by a part in four thousand million.
        limit = np.minimum(chance * 2.0**32, 2.0**32 - 1).astype(np.uint32)
        _draw_alone(limit, seeds, state)
    else:
        hazard, multiplier = _frail(chance, frailty, rng, lanes)
        _draw_frail(hazard, frailty.block.astype(np.int64), multiplier, seeds, state)
    _move_to_total(state, chance, total, seeds)
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
                    * (
                        one
                        - x * np.float32(0.25) * (one - x * np.float32(0.2) * (one - x * np.float32(1 / 6)))
                    )
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
    for point in range(n):
        for lane in range(len(lanes)):
            count[lane] += state[point, lane]
    for lane in range(len(lanes)):
        s = lanes[lane]
        for _ in range(1000 * n):
            if count[lane] == total:
                break
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            i = int(((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(33)) % np.uint64(n))
            s ^= s >> np.uint64(12)
            s ^= s << np.uint64(25)
            s ^= s >> np.uint64(27)
            drawn = float((s * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(11)) * 2.0**-53
            if count[lane] > total:
                if state[i, lane] == 1 and drawn < 1 - chance[i] + 1e-9:
                    state[i, lane] = 0
                    count[lane] -= 1
            elif state[i, lane] == 0 and drawn < chance[i] + 1e-9:
                state[i, lane] = 1
                count[lane] += 1


def count_sites(layer: Layer, state: Bytes) -> NDArray[Any]:
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

"""Events of many towns drawn side by side: by chance alone, or where areas differ and the law is not known for sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled_for_threads
from models.errors import ModelInputError
from models.looks import FloatArray, IntArray
from models.zones import Layer

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]


#: A chance this near to its lowest or highest says nothing more of its hazard.
NEAREST = 1e-4


@dataclass(frozen=True, kw_only=True)
class Frailty:
    """Ordinary variation between areas of one kind: a hazard multiplier for each, gamma with mean 1.

    Attributes
    ----------
    area : ndarray of int, shape (n_points,)
        Area of each point; -1 for a point in none, whose hazard this kind leaves alone.
    variance : float
        Variance of the multipliers, 0 or more.
    """

    area: IntArray
    variance: float


@dataclass(frozen=True, kw_only=True)
class Variation:
    """What moves the chances of points together in a town without a hot spot.

    Attributes
    ----------
    frailties : tuple of Frailty
        One for each kind of area, such as blocks and subdivisions; their multipliers multiply.
    lowest, highest : ndarray, shape (n_points,), optional
        Chance of each point were its hazard nil, and were it endless: a look that calls sound pipe bad, or
        overlooks what has failed, does so whatever the hazard. Default 0 and 1.
    laws : ndarray, shape (n_laws, n_points), optional
        Chances by other draws of the law's parameters, of which each town takes one. Default: the law is known.
    """

    frailties: tuple[Frailty, ...] = ()
    lowest: FloatArray | None = None
    highest: FloatArray | None = None
    laws: FloatArray | None = None


@dataclass(frozen=True, kw_only=True)
class TownLaw:
    """Chances of the points of a town, made ready for many draws.

    Attributes
    ----------
    chance : ndarray, shape (n_points,)
    unit : ndarray of int, shape (n_points,)
        Points of one unit lie in the same areas.
    area : tuple of ndarray of int, each shape (n_units,)
        Area of each unit, one array for each of `variances`.
    variances : tuple of float
        Of the multipliers of each kind of area, all above 0.
    hazard : ndarray, shape (n_points, n_laws)
        Hazard of each point by each law, at which the chance averaged over multipliers is what was given. No
        laws where chances do not move.
    sure, room : ndarray, shape (n_points,)
        Chance of no event whatever the hazard, and the part of the chance that the hazard decides.
    """

    chance: FloatArray
    unit: IntArray
    area: tuple[IntArray, ...]
    variances: tuple[float, ...]
    hazard: NDArray[np.float32]
    sure: NDArray[np.float32]
    room: NDArray[np.float32]


def town_law(chance: FloatArray, variation: Variation | None) -> TownLaw:
    """Make chances ready for `draw_towns`.

    Raises
    ------
    ModelInputError
        A variance is negative, or arrays are not of one length.
    """
    n = len(chance)
    varied = variation or Variation()
    if any(len(frailty.area) != n or frailty.variance < 0 for frailty in varied.frailties):
        raise ModelInputError("areas must be one for each point, and variances 0 or more.")
    frailties = [frailty for frailty in varied.frailties if frailty.variance > 0]
    lowest = np.zeros(n) if varied.lowest is None else varied.lowest
    highest = np.ones(n) if varied.highest is None else varied.highest
    laws = np.empty((0, n)) if varied.laws is None else varied.laws
    if lowest.shape != (n,) or highest.shape != (n,) or laws.shape[1] != n:
        raise ModelInputError("lowest, highest and laws must have one value for each point.")
    if frailties and not len(laws):
        laws = chance[None, :]
    unit, area = _units(n, frailties)
    room = np.maximum(highest - lowest, NEAREST)
    spread = np.ones(n)
    for frailty in frailties:
        spread *= np.where(frailty.area >= 0, 1 + frailty.variance, 1.0)
    hazard = np.empty((n, len(laws)), dtype=np.float32)
    for position, law in enumerate(laws):
        sound = 1 - np.clip((law - lowest) / room, NEAREST, 1 - NEAREST)
        hazard[:, position] = _hazard_of(sound, spread - 1)
    return TownLaw(
        chance=chance,
        unit=unit,
        area=area,
        variances=tuple(frailty.variance for frailty in frailties),
        hazard=hazard,
        sure=(1 - lowest - room).astype(np.float32),
        room=room.astype(np.float32),
    )


def _units(n_points: int, frailties: Sequence[Frailty]) -> tuple[IntArray, tuple[IntArray, ...]]:
    unit, area = np.zeros(n_points, dtype=np.int64), list[IntArray]()
    for frailty in frailties:
        n_areas = int(frailty.area.max(initial=-1)) + 2
        pair = unit * n_areas + frailty.area + 1
        pairs, unit = np.unique(pair, return_inverse=True)
        area = [earlier[pairs // n_areas] for earlier in area] + [pairs % n_areas - 1]
    return unit.astype(np.int64), tuple(area)


def _hazard_of(sound: FloatArray, variance: FloatArray) -> FloatArray:
    """Hazard whose chance of none, averaged over gamma multipliers of that variance, is `sound`.

    Multipliers of several kinds of area are a product of gammas; a gamma of the product's variance is close.
    """
    hazard = -np.log(sound)
    moved = variance > 0
    hazard[moved] = np.expm1(variance[moved] * hazard[moved]) / variance[moved]
    return hazard


def draw_towns(law: TownLaw, total: int, rng: np.random.Generator, lanes: int) -> Bytes:
    """Events of `lanes` draws, shape (n_points, lanes), each with the same total."""
    seeds = rng.integers(1, 2**63, size=lanes, dtype=np.uint64)
    state = np.empty((len(law.chance), lanes), dtype=np.uint8)
    if not law.hazard.shape[1]:
        # 2^32 itself does not fit: a chance of 1 falls short by a part in four thousand million.
        limit = np.minimum(law.chance * 2.0**32, 2.0**32 - 1).astype(np.uint32)
        _draw_alone(limit, seeds, state)
    else:
        taken = rng.permutation(np.arange(lanes) % law.hazard.shape[1])
        _draw_together(
            law.hazard, taken, law.unit, _multipliers(law, rng, lanes), law.sure, law.room, seeds, state
        )
    _move_to_total(state, law.chance, total, seeds)
    return state


def _multipliers(law: TownLaw, rng: np.random.Generator, lanes: int) -> NDArray[np.float32]:
    """Hazard multiplier of each unit in each draw."""
    n_units = len(law.area[0]) if law.area else 1
    product = np.ones((n_units, lanes), dtype=np.float32)
    for area, variance in zip(law.area, law.variances, strict=True):
        n_areas = int(area.max(initial=-1)) + 1
        drawn = rng.standard_gamma(1 / variance, size=(n_areas + 1, lanes)) * variance
        # Units in no area have -1, which is the last row.
        drawn[-1] = 1.0
        product *= drawn[area].astype(np.float32)
    return product


@compiled_for_threads
def _next(state: np.uint64) -> np.uint64:
    """State that follows in xorshift64*; the compiler puts it into the loops, which stay as quick."""
    state ^= state >> np.uint64(12)
    state ^= state << np.uint64(25)
    return state ^ (state >> np.uint64(27))


@compiled_for_threads
def _output(state: np.uint64) -> np.uint64:
    return state * np.uint64(0x2545F4914F6CDD1D)


@compiled_for_threads
def _draw_alone(limit: NDArray[np.uint32], lanes: Words, state: Bytes) -> None:
    for i in range(len(limit)):
        for lane in range(len(lanes)):
            s = _next(lanes[lane])
            lanes[lane] = s
            drawn = np.uint32(_output(s) >> np.uint64(32))
            state[i, lane] = drawn < limit[i]


@compiled_for_threads
def _draw_together(
    hazard: NDArray[np.float32],
    taken: IntArray,
    unit: IntArray,
    multiplier: NDArray[np.float32],
    sure: NDArray[np.float32],
    room: NDArray[np.float32],
    lanes: Words,
    state: Bytes,
) -> None:
    one = np.float32(1.0)
    step = np.float32(2.0**-32)
    for i in range(len(hazard)):
        row, laws = multiplier[unit[i]], hazard[i]
        for lane in range(len(lanes)):
            s = _next(lanes[lane])
            lanes[lane] = s
            drawn = np.uint32(_output(s) >> np.uint64(32))
            # exp(-x) as (exp(-x / 16))^16 by its series: true to 1e-6 up to x = 5, and quick side by side.
            x = min(laws[taken[lane]] * row[lane], np.float32(16.0)) * np.float32(0.0625)
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
            state[i, lane] = np.float32(drawn) * step >= sure[i] + room[i] * e


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
            s = _next(s)
            i = int((_output(s) >> np.uint64(33)) % np.uint64(n))
            s = _next(s)
            drawn = float(_output(s) >> np.uint64(11)) * 2.0**-53
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

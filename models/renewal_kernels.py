"""Compiled loops of `models.renewal`: lots, draws, pipes and their lives.

Chance events come from a counter, not from a stream: event j of pipe k of a lot in draw b is a hash of
(seed, lot, k, b, j). So neither threads, nor the order of work, nor what a policy does moves any other event.
The hash is the finaliser of splitmix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
generators", OOPSLA 2014; constants from memory, uniformity is tested).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from models.looks import FloatArray, IntArray

P = ParamSpec("P")
R = TypeVar("R")

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_FIRST = np.uint64(0xBF58476D1CE4E5B9)
_SECOND = np.uint64(0x94D049BB133111EB)
_TO_UNIT = 1.0 / 9007199254740992.0  # 2^-53
#: Numbers of the chance events of one pipe in one draw.
STATE, ENTRY, LIFE, DELAY, CANNOT, LOOK = 0, 1, 2, 3, 4, 1000
#: Events of each later life.
PER_LIFE = 8
#: Numbers of laws: `models.laws.CODE`, without the Weibull.
_LOG_LOGISTIC, _GOMPERTZ = 1, 2
#: Beyond this a cumulative hazard leaves nobody alive.
MOST_HAZARD = 700.0


def _compiled(function: Callable[P, R]) -> Callable[P, R]:
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True)(function))


def _compiled_loop(function: Callable[..., None]) -> Callable[..., None]:
    """The same for the loops that take every array there is."""
    return _compiled(function)


@_compiled
def mixed(value: np.uint64) -> np.uint64:
    """Scramble a 64-bit word."""
    value = (value ^ (value >> np.uint64(30))) * _FIRST
    value = (value ^ (value >> np.uint64(27))) * _SECOND
    return value ^ (value >> np.uint64(31))


@_compiled
def uniform(key: np.uint64, event: int) -> float:
    """Uniform number in (0, 1) of an event."""
    word = mixed(key + np.uint64(event + 1) * _GOLDEN)
    return (float(word >> np.uint64(11)) + 0.5) * _TO_UNIT


@_compiled
def _key(seed: np.uint64, lot: int, pipe: int, draw: int) -> np.uint64:
    word = mixed(seed + np.uint64(lot + 1) * _GOLDEN)
    word = mixed(word + np.uint64(pipe + 1) * _FIRST)
    return mixed(word + np.uint64(draw + 1) * _SECOND)


@_compiled
def _line_of(
    seed: np.uint64,
    key: int,
    group: int,
    first: int,
    count: int,
    choice: IntArray,
    draw: int,
    parameter_draw: int,
) -> int:
    """Line of a lot in a draw: its own, or that of a similar house by the approximate Bayesian bootstrap."""
    if group < 0 or count == 1:
        return int(choice[first])
    place = int(uniform(_key(seed, key, 1 << 20, draw), 0) * count)
    # Place `place` of the sample with replacement that this parameter draw took of the similar houses.
    taken = int(uniform(_key(seed, group, (1 << 21) + place, parameter_draw), 0) * count)
    return int(choice[first + taken])


@_compiled
def _hazard(family: int, years: float, log_scale: float, shape: float) -> float:
    """Cumulative hazard at an age above 0, in the standard form of `models.laws`; families by its numbers."""
    if family == _GOMPERTZ:
        return float(shape * np.expm1(min(years * np.exp(-log_scale), MOST_HAZARD)))
    u = np.exp(shape * (np.log(years) - log_scale))
    return float(np.log1p(u) if family == _LOG_LOGISTIC else u)


@_compiled
def _age(family: int, hazard: float, log_scale: float, shape: float) -> float:
    """Age at which a cumulative hazard above 0 is reached [years]."""
    if family == _GOMPERTZ:
        return float(np.exp(log_scale) * np.log1p(hazard / shape))
    u = np.expm1(hazard) if family == _LOG_LOGISTIC else hazard
    return float(np.exp(log_scale + np.log(u) / shape))


@_compiled
def entry_tables(
    start: IntArray,
    law: IntArray,
    age: FloatArray,
    weight: FloatArray,
    family: int,
    log_scale: FloatArray,
    shape: FloatArray,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What a pipe is if it is sound now: cumulative chance of its entries, and their hazard so far, by draw.

    P(entry | sound now, looks) is proportional to its prior chance times S(age now): looks at sound pipe are
    as likely whatever it is made of.
    """
    n, m = len(law), log_scale.shape[1]
    share = np.empty((n, m), np.float32)
    hazard = np.empty((n, m), np.float32)
    for pipe in range(len(start) - 1):
        a, b = start[pipe], start[pipe + 1]
        for d in range(m):
            total = 0.0
            for e in range(a, b):
                years = max(age[e], 0.0)
                h = 0.0
                if years > 0.0:
                    h = min(_hazard(family, years, log_scale[law[e], d], shape[law[e], d]), MOST_HAZARD)
                hazard[e, d] = h
                # A floor keeps the shares defined where no entry can be sound any more.
                total += weight[e] * max(np.exp(-h), 1e-300)
                share[e, d] = total
            for e in range(a, b):
                share[e, d] /= total
    return share, hazard


@_compiled
def _first_failure(
    key: np.uint64,
    failed_chance: float,
    entry_from: int,
    entry_to: int,
    entry_law: IntArray,
    share: NDArray[np.float32],
    hazard: NDArray[np.float32],
    family: int,
    log_scale: FloatArray,
    shape: FloatArray,
    d: int,
) -> float:
    """Years from now until the pipe in the ground needs repair; 0 if it does now."""
    if uniform(key, STATE) < failed_chance:
        return 0.0
    entry = entry_from
    if entry_to - entry_from > 1:
        u = uniform(key, ENTRY)
        while entry < entry_to - 1 and u > share[entry, d]:
            entry += 1
    so_far = float(hazard[entry, d])
    law = entry_law[entry]
    until = so_far - np.log(uniform(key, LIFE))
    k, s = shape[law, d], log_scale[law, d]
    now = _age(family, so_far, s, k) if so_far > 0.0 else 0.0
    # Rounding must not turn a residual life negative.
    return float(max(_age(family, until, s, k) - now, 1e-9))


@_compiled
def _new_life(
    key: np.uint64,
    life: int,
    family: int,
    log_scale: float,
    shape: float,
    start: float,
    is_checked: bool,
) -> float:
    """Years until a new pipe needs repair."""
    event = LIFE + PER_LIFE * life
    if not is_checked and uniform(key, event - LIFE) < start:
        return 0.0
    return _age(family, -np.log(uniform(key, event)), log_scale, shape)


@_compiled
def _delay(key: np.uint64, life: int, mean: float) -> float:
    """Years from needing repair to trouble that cannot wait."""
    return float(-np.log(uniform(key, DELAY + PER_LIFE * life)) * mean)


@_compiled
def _calls_bad(key: np.uint64, event: int, is_failed: bool, sensitivity: float, specificity: float) -> bool:
    u = uniform(key, event)
    return u < sensitivity if is_failed else u >= specificity


@_compiled
def _camera_time(
    key: np.uint64,
    start: float,
    life: int,
    fail: float,
    until: float,
    first: int,
    every: int,
    sensitivity: float,
    specificity: float,
    is_confirmed: bool,
    second_looks: FloatArray,
) -> float:
    """First camera after `start` and before `until` that leads to renewal; inf if none does.

    Where a bad call is confirmed first, second looks are counted by year.
    """
    if first == 0:
        return np.inf
    time = float(first - 1)
    while time < until:
        # Pipe laid on the day of a camera is not looked at on that day.
        if time > start or life == 0:
            is_failed = fail <= time
            event = LOOK + 2 * int(time)
            if _calls_bad(key, event, is_failed, sensitivity, specificity):
                if not is_confirmed:
                    return time
                second_looks[int(time)] += 1.0
                if _calls_bad(key, event + 1, is_failed, sensitivity, specificity):
                    return time
        if every == 0:
            return np.inf
        time += every
    return np.inf


@_compiled_loop
def run_draws(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0915 - calls by event would cost half the speed
    low, high, seed,
    lot_first, lot_count, lot_group, lot_key, choice, line_start, lot_piece,
    failed_now, pipe_state, entry_start, entry_law, share, hazard,
    family, log_scale, shape, start_share,
    e_price, e_row, e_units, e_law,
    mobilisation, emergency_factor, cleanup, delay_years, growth, discount,
    sensitivity, specificity, is_checked,
    planned_year, p_price, p_row, p_units, p_law,
    camera_first, camera_every, is_confirmed, cannot_share, camera_price,
    planned, emergency, n_planned, n_emergencies, camera,
    lot_worth, lot_trouble,
):  # fmt: skip
    """Run a policy in draws low .. high - 1; see `models.renewal.Simulation.run` for the arrays."""
    years, m, width = len(growth), log_scale.shape[1], planned_year.shape[1]
    second_looks = np.zeros(years)
    for lot in range(len(lot_first)):
        group = lot_group[lot]
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lot_key[lot], group, lot_first[lot], lot_count[lot], choice, b, d)
            # One job a year on a lot is set up once, however many of its pipes are renewed.
            opened = np.uint64(0)
            worth, troubled = 0.0, False
            for pipe in range(line_start[line], line_start[line + 1]):
                k = pipe - line_start[line]
                key = _key(seed, lot_key[lot], k, b)
                piece = lot_piece[lot] + (0 if group >= 0 else k)
                plan = planned_year[piece, b % width]
                fail = _first_failure(
                    key, failed_now[pipe_state[pipe], d], entry_start[pipe], entry_start[pipe + 1],
                    entry_law, share, hazard, family, log_scale, shape, d,
                )  # fmt: skip
                start, life = 0.0, 0
                trouble = fail + _delay(key, 0, delay_years[b])
                while True:
                    act = np.inf if plan == 0 or life > 0 else float(plan - 1)
                    act = min(act, _camera_time(
                        key, start, life, fail, min(trouble, act, float(years)),
                        camera_first[lot], camera_every, sensitivity, specificity,
                        is_confirmed, second_looks,
                    ))  # fmt: skip
                    if act < trouble:
                        if act >= years:
                            break
                        year = int(act)
                        cannot = p_row[pipe] < 0 or (
                            cannot_share > 0.0 and fail <= act and uniform(key, CANNOT) < cannot_share
                        )
                        if cannot:
                            cost, law = e_units[pipe] * e_price[e_row[pipe], b], e_law[pipe]
                        else:
                            cost, law = p_units[pipe] * p_price[p_row[pipe], b], p_law[pipe]
                    else:
                        if trouble > years:
                            break
                        # Trouble in the time (t - 1, t] is paid for at the end of year t.
                        year = max(int(np.ceil(trouble)), 1) - 1
                        cost = e_units[pipe] * e_price[e_row[pipe], b] * emergency_factor[b] + cleanup[b]
                        law = e_law[pipe]
                    bit = np.uint64(1) << np.uint64(year)
                    if not opened & bit:
                        cost += mobilisation[b]
                        opened |= bit
                    cost *= growth[year]
                    worth += cost * discount[year]
                    if act < trouble:
                        planned[b, year] += cost
                        n_planned[b, year] += 1.0
                        start = act
                    else:
                        emergency[b, year] += cost
                        n_emergencies[b, year] += 1.0
                        start = trouble
                        troubled = True
                    life += 1
                    fail = start + _new_life(
                        key, life, family, log_scale[law, d], shape[law, d], start_share[law, d], is_checked
                    )
                    trouble = fail + _delay(key, life, delay_years[b])
            if is_confirmed:
                for year in range(years):
                    if second_looks[year] > 0.0:
                        # One visit looks at the whole line.
                        cost = camera_price[b] * growth[year]
                        camera[b, year] += cost
                        worth += cost * discount[year]
                        second_looks[year] = 0.0
            lot_worth[lot] += worth
            if troubled:
                lot_trouble[lot] += 1.0


@_compiled
def _worth_of_troubles(
    key: np.uint64,
    start: float,
    life: int,
    law: int,
    d: int,
    family: int,
    log_scale: FloatArray,
    shape: FloatArray,
    start_share: FloatArray,
    is_checked: bool,
    delay_mean: float,
    e_law: int,
    cost: float,
    growth: FloatArray,
    discount: FloatArray,
) -> float:
    """Present value of all trouble with the lives from number `life` on, the first of which begins at `start`."""
    worth = 0.0
    years = len(growth)
    while True:
        fail = start + _new_life(
            key, life, family, log_scale[law, d], shape[law, d], start_share[law, d], is_checked
        )
        trouble = fail + _delay(key, life, delay_mean)
        if trouble > years:
            return worth
        year = max(int(np.ceil(trouble)), 1) - 1
        worth += cost * growth[year] * discount[year]
        start, law, life = trouble, e_law, life + 1


@_compiled_loop
def worth_of_years(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912 - as above
    low, high, seed,
    lot_first, lot_count, lot_group, lot_key, choice, line_start, lot_piece,
    failed_now, pipe_state, entry_start, entry_law, share, hazard,
    family, log_scale, shape, start_share,
    e_price, e_row, e_units, e_law,
    mobilisation, emergency_factor, cleanup, delay_years, growth, discount,
    sensitivity, specificity, is_checked,
    p_price, p_row, p_units, p_law,
    leave, renew, price, failed, leave_failed, renew_failed,
):  # fmt: skip
    """Sums over draws of what each piece costs if left, and if renewed in each year; see `Simulation.worth`."""
    years, m = len(growth), log_scale.shape[1]
    for lot in range(len(lot_first)):
        group = lot_group[lot]
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lot_key[lot], group, lot_first[lot], lot_count[lot], choice, b, d)
            any_failed, left_here, renewed_here = False, 0.0, 0.0
            for pipe in range(line_start[line], line_start[line + 1]):
                k = pipe - line_start[line]
                key = _key(seed, lot_key[lot], k, b)
                piece = lot_piece[lot] + (0 if group >= 0 else k)
                fail = _first_failure(
                    key, failed_now[pipe_state[pipe], d], entry_start[pipe], entry_start[pipe + 1],
                    entry_law, share, hazard, family, log_scale, shape, d,
                )  # fmt: skip
                trouble = fail + _delay(key, 0, delay_years[b])
                e_cost = (
                    mobilisation[b]
                    + e_units[pipe] * e_price[e_row[pipe], b] * emergency_factor[b]
                    + cleanup[b]
                )
                if p_row[pipe] < 0:
                    p_cost, law = mobilisation[b] + e_units[pipe] * e_price[e_row[pipe], b], e_law[pipe]
                else:
                    p_cost, law = mobilisation[b] + p_units[pipe] * p_price[p_row[pipe], b], p_law[pipe]
                left = 0.0
                if trouble <= years:
                    year = max(int(np.ceil(trouble)), 1) - 1
                    left = e_cost * growth[year] * discount[year] + _worth_of_troubles(
                        key, trouble, 1, e_law[pipe], d, family, log_scale, shape, start_share, is_checked,
                        delay_years[b], e_law[pipe], e_cost, growth, discount,
                    )  # fmt: skip
                leave[piece] += left
                price[piece] += p_cost
                # The same new life whatever the year it begins in: draw it once.
                first = _new_life(
                    key, 1, family, log_scale[law, d], shape[law, d], start_share[law, d], is_checked
                )
                first += _delay(key, 1, delay_years[b])
                renewed_now = 0.0
                for year in range(years):
                    worth = left
                    if trouble > year:
                        worth = p_cost * growth[year] * discount[year]
                        if year + first <= years:
                            worth += _worth_of_troubles(
                                key, float(year), 1, law, d, family, log_scale, shape, start_share, is_checked,
                                delay_years[b], e_law[pipe], e_cost, growth, discount,
                            )  # fmt: skip
                    renew[piece, year] += worth
                    if year == 0:
                        renewed_now = worth
                if group < 0:
                    if fail <= 0.0:
                        failed[piece] += 1.0
                        leave_failed[piece] += left
                        renew_failed[piece] += renewed_now
                else:
                    any_failed = any_failed or fail <= 0.0
                    left_here += left
                    renewed_here += renewed_now
            if any_failed:
                failed[lot_piece[lot]] += 1.0
                leave_failed[lot_piece[lot]] += left_here
                renew_failed[lot_piece[lot]] += renewed_here


@_compiled_loop
def postpone_to_fit(  # type: ignore[no-untyped-def]
    low, high, order, wanted, price, alive_until, cap, growth, done,
):  # fmt: skip
    """Carry a programme out in each draw so that no year's cap is passed; see `models.programme.carry_out`."""
    n, years = len(order), len(growth)
    for b in range(low, high):
        for year in range(years):
            left = cap[year]
            for i in range(n):
                piece = order[i]
                # Waiting for its turn, still in the ground, and not yet done.
                if wanted[piece] == 0 or wanted[piece] > year + 1 or done[piece, b] > 0:
                    continue
                cost = price[piece, b] * growth[year]
                if alive_until[piece, b] <= year or cost > left:
                    continue
                done[piece, b] = year + 1
                left -= cost


@_compiled_loop
def first_troubles(  # type: ignore[no-untyped-def]
    low, high, seed,
    lot_first, lot_count, lot_group, lot_key, choice, line_start, lot_piece,
    failed_now, pipe_state, entry_start, entry_law, share, hazard,
    family, log_scale, shape, start_share,
    e_price, e_row, e_units, e_law,
    mobilisation, emergency_factor, cleanup, delay_years, growth, discount,
    sensitivity, specificity, is_checked,
    p_price, p_row, p_units, p_law,
    last_trouble, price,
):  # fmt: skip
    """When today's pipe of each piece makes trouble if left, and what renewing what is left of it costs at most.

    A borrowed line counts as there until the last of its pipes has made trouble.
    """
    m = log_scale.shape[1]
    for lot in range(len(lot_first)):
        group = lot_group[lot]
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lot_key[lot], group, lot_first[lot], lot_count[lot], choice, b, d)
            for pipe in range(line_start[line], line_start[line + 1]):
                k = pipe - line_start[line]
                key = _key(seed, lot_key[lot], k, b)
                piece = lot_piece[lot] + (0 if group >= 0 else k)
                fail = _first_failure(
                    key, failed_now[pipe_state[pipe], d], entry_start[pipe], entry_start[pipe + 1],
                    entry_law, share, hazard, family, log_scale, shape, d,
                )  # fmt: skip
                trouble = fail + _delay(key, 0, delay_years[b])
                if p_row[pipe] < 0:
                    cost = e_units[pipe] * e_price[e_row[pipe], b]
                else:
                    cost = p_units[pipe] * p_price[p_row[pipe], b]
                price[piece, b] += cost + mobilisation[b]
                last_trouble[piece, b] = max(last_trouble[piece, b], trouble)

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

from models.looks import FloatArray, IntArray
from models.renewal_arrays import Lives, Looking, Lots, Money, Pipes, Plan, Tally, WorthSums
from models.renewal_stock import Float32Array, SpotRepair, Uint8Array, Works

P = ParamSpec("P")
R = TypeVar("R")

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_FIRST = np.uint64(0xBF58476D1CE4E5B9)
_SECOND = np.uint64(0x94D049BB133111EB)
_TO_UNIT = 1.0 / 9007199254740992.0  # 2^-53
#: Numbers of the chance events of one pipe in one draw; those of the first fault of a life come once for each life.
STATE, ENTRY, LIFE, DELAY, CANNOT, SPOT, LOOK = 0, 1, 2, 3, 4, 5, 1000
PER_LIFE = 8
#: From here on are the events of later faults of a life; no life has more of them in the longest horizon.
LATER_FAULTS, MOST_FAULTS = 2000, 1000
#: Numbers of laws: `models.laws.CODE`, without the Weibull.
_LOG_LOGISTIC, _GOMPERTZ = 1, 2
#: Beyond this a cumulative hazard leaves nobody alive.
MOST_HAZARD = 700.0


def _compiled(function: Callable[P, R]) -> Callable[P, R]:
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True)(function))


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
def _line_of(seed: np.uint64, lots: Lots, lot: int, draw: int, parameter_draw: int) -> int:
    """Line of a lot in a draw: its own, or that of a similar house by the approximate Bayesian bootstrap."""
    group, first, count = lots.group[lot], lots.first_line[lot], lots.n_lines[lot]
    if group < 0 or count == 1:
        return int(lots.choice[first])
    place = int(uniform(_key(seed, lots.key[lot], 1 << 20, draw), 0) * count)
    # Place `place` of the sample with replacement that this parameter draw took of the similar houses.
    taken = int(uniform(_key(seed, group, (1 << 21) + place, parameter_draw), 0) * count)
    return int(lots.choice[first + taken])


@_compiled
def _event(life: int, fault: int) -> int:
    """Number before the events of a fault; lives count from 0 for today's pipe, faults from 0 in each life."""
    if fault == 0:
        return PER_LIFE * life
    return LATER_FAULTS + PER_LIFE * (MOST_FAULTS * life + fault)


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
) -> tuple[Float32Array, Float32Array]:
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
def _price(way: Works | SpotRepair, pipe: int, draw: int) -> float:
    """What works on a pipe cost in a draw, in today's money."""
    return float(way.units[pipe] * way.price[way.row[pipe], draw])


@_compiled
def _today(key: np.uint64, pipe: int, d: int, pipes: Pipes, lives: Lives) -> tuple[float, int, float]:
    """Years from now until the pipe in the ground needs repair, its law, and its age now [years].

    0, -1 and 0 where it needs repair already: what it is matters only if it is mended at one spot.
    """
    if uniform(key, STATE) < pipes.failed_now[pipes.state[pipe], d]:
        return 0.0, -1, 0.0
    entry, last = pipes.entry_start[pipe], pipes.entry_start[pipe + 1] - 1
    if last > entry:
        u = uniform(key, ENTRY)
        while entry < last and u > pipes.share[entry, d]:
            entry += 1
    so_far = float(pipes.hazard[entry, d])
    law = pipes.entry_law[entry]
    until = so_far - np.log(uniform(key, LIFE))
    s, k = lives.log_scale[law, d], lives.shape[law, d]
    now = _age(lives.family, so_far, s, k) if so_far > 0.0 else 0.0
    # Rounding must not turn a residual life negative.
    return float(max(_age(lives.family, until, s, k) - now, 1e-9)), int(law), now


@_compiled
def _failed_entry(key: np.uint64, pipe: int, d: int, pipes: Pipes, lives: Lives) -> tuple[int, float]:
    """Law and age now [years] of a pipe that needs repair already: P(entry | failed by now) ~ prior × F(age now)."""
    first, last = pipes.entry_start[pipe], pipes.entry_start[pipe + 1] - 1
    entry = first
    if last > first:
        total = 0.0
        for e in range(first, last + 1):
            total += _failed_weight(e, d, pipes, lives)
        left = uniform(key, ENTRY) * total
        while entry < last:
            left -= _failed_weight(entry, d, pipes, lives)
            if left <= 0.0:
                break
            entry += 1
    law, so_far = int(pipes.entry_law[entry]), float(pipes.hazard[entry, d])
    if so_far <= 0.0:
        return law, 0.0
    return law, _age(lives.family, so_far, lives.log_scale[law, d], lives.shape[law, d])


@_compiled
def _failed_weight(entry: int, d: int, pipes: Pipes, lives: Lives) -> float:
    sound = (1.0 - lives.start[pipes.entry_law[entry], d]) * np.exp(-pipes.hazard[entry, d])
    # A floor keeps the shares defined where no entry can have failed.
    return float(pipes.entry_weight[entry] * max(1.0 - sound, 1e-300))


@_compiled
def _new_life(key: np.uint64, life: int, law: int, d: int, lives: Lives) -> float:
    """Years until a new pipe needs repair."""
    event = _event(life, 0)
    if not lives.is_checked and uniform(key, event + STATE) < lives.start[law, d]:
        return 0.0
    return _age(
        lives.family, -np.log(uniform(key, event + LIFE)), lives.log_scale[law, d], lives.shape[law, d]
    )


@_compiled
def _next_fault(key: np.uint64, event: int, law: int, d: int, age: float, lives: Lives) -> float:
    """Years until a pipe that was mended at one spot needs repair again; the rest of it is as old as it was."""
    s, k = lives.log_scale[law, d], lives.shape[law, d]
    so_far = min(_hazard(lives.family, age, s, k), MOST_HAZARD) if age > 0.0 else 0.0
    until = so_far - np.log(uniform(key, event + LIFE))
    return float(max(_age(lives.family, until, s, k) - age, 1e-9))


@_compiled
def _delay(key: np.uint64, life: int, fault: int, mean: float) -> float:
    """Years from needing repair to trouble that cannot wait."""
    return float(-np.log(uniform(key, _event(life, fault) + DELAY)) * mean)


@_compiled
def _is_spot(key: np.uint64, life: int, fault: int, share: float) -> bool:
    """Whether mending one spot is enough."""
    return share > 0.0 and uniform(key, _event(life, fault) + SPOT) < share


@_compiled
def _calls_bad(key: np.uint64, event: int, is_failed: bool, looking: Looking) -> bool:
    u = uniform(key, event)
    return u < looking.sensitivity if is_failed else u >= looking.specificity


@_compiled
def _camera_time(
    key: np.uint64, start: float, fail: float, until: float, first: int, every: int, is_confirmed: bool,
    looking: Looking, second_looks: FloatArray,
) -> float:  # fmt: skip
    """First camera after `start` and before `until` that leads to works; inf if none does.

    Where a bad call is confirmed first, second looks are counted by year.
    """
    if first == 0:
        return np.inf
    time = float(first - 1)
    while time < until:
        # Pipe laid or mended on the day of a camera is not looked at on that day.
        if time > start:
            is_failed = fail <= time
            event = LOOK + 2 * int(time)
            if _calls_bad(key, event, is_failed, looking):
                if not is_confirmed:
                    return time
                second_looks[int(time)] += 1.0
                if _calls_bad(key, event + 1, is_failed, looking):
                    return time
        if every == 0:
            return np.inf
        time += every
    return np.inf


@_compiled
def _year_of(trouble: float) -> int:
    """Trouble in the time (t - 1, t] is paid for at the end of year t, which is number t - 1."""
    return max(int(np.ceil(trouble)), 1) - 1


@_compiled
def run_draws(  # noqa: C901, PLR0912, PLR0915 - calls by event would cost half the speed
    low: int, high: int, seed: np.uint64, lots: Lots, pipes: Pipes, lives: Lives, emergency: Works, spots: SpotRepair,
    money: Money, looking: Looking, plan: Plan, tally: Tally,
) -> None:  # fmt: skip
    """Run a policy in draws low .. high - 1, adding to `tally`; see `models.renewal.Simulation.run`."""
    years, m, width = len(money.growth), lives.log_scale.shape[1], plan.year.shape[1]
    second_looks = np.zeros(years)
    for lot in range(len(lots.key)):
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lots, lot, b, d)
            # One job a year on a lot is set up once, however many of its pipes are worked on.
            opened = np.uint64(0)
            worth, troubled = 0.0, False
            for pipe in range(lots.line_start[line], lots.line_start[line + 1]):
                k = pipe - lots.line_start[line]
                key = _key(seed, lots.key[lot], k, b)
                piece = lots.piece[lot] + (0 if lots.group[lot] >= 0 else k)
                planned_year = plan.year[piece, b % width]
                fail, law, age = _today(key, pipe, d, pipes, lives)
                laid, last, life, fault = -age, -1.0, 0, 0
                trouble = fail + _delay(key, 0, 0, money.delay_years[b])
                while True:
                    due = np.inf if planned_year == 0 or life > 0 else float(planned_year - 1)
                    seen = _camera_time(
                        key, last, fail, min(trouble, due, float(years)), plan.camera_first[lot],
                        plan.camera_every, plan.is_confirmed, looking, second_looks,
                    )  # fmt: skip
                    act = min(due, seen)
                    in_trouble = act >= trouble
                    if (trouble > years) if in_trouble else (act >= years):
                        break
                    time = trouble if in_trouble else act
                    year = _year_of(trouble) if in_trouble else int(act)
                    # What is renewed because its turn has come is renewed whole.
                    at_spot = (in_trouble or seen < due) and _is_spot(key, life, fault, spots.share[b])
                    new_law = emergency.law[pipe]
                    if at_spot:
                        cost = _price(spots, pipe, b)
                    elif (
                        in_trouble
                        or plan.way.row[pipe] < 0
                        or (
                            plan.cannot_share > 0.0
                            and fail <= act
                            and uniform(key, CANNOT) < plan.cannot_share
                        )
                    ):
                        cost = _price(emergency, pipe, b)
                    else:
                        cost = _price(plan.way, pipe, b)
                        new_law = plan.way.law[pipe]
                    if in_trouble:
                        cost = cost * money.emergency_factor[b] + money.cleanup[b]
                    bit = np.uint64(1) << np.uint64(year)
                    if not opened & bit:
                        cost += money.mobilisation[b]
                        opened |= bit
                    cost *= money.growth[year]
                    worth += cost * money.discount[year]
                    if in_trouble:
                        tally.emergency[b, year] += cost
                        tally.n_emergencies[b, year] += 1.0
                        troubled = True
                    else:
                        tally.planned[b, year] += cost
                        tally.n_planned[b, year] += 1.0
                    last = time
                    if at_spot:
                        tally.n_spots[b, year] += 1.0
                        if fail > time:
                            # A camera was wrong: the spot was sound, and so is the pipe as before.
                            continue
                        if law < 0:
                            law, age = _failed_entry(key, pipe, d, pipes, lives)
                            laid = -age
                        fault += 1
                        fail = time + _next_fault(key, _event(life, fault), law, d, time - laid, lives)
                    else:
                        life, fault, law, laid = life + 1, 0, new_law, time
                        fail = time + _new_life(key, life, law, d, lives)
                    trouble = fail + _delay(key, life, fault, money.delay_years[b])
            if plan.is_confirmed:
                for year in range(years):
                    if second_looks[year] > 0.0:
                        # One visit looks at the whole line.
                        cost = money.camera[b] * money.growth[year]
                        tally.camera[b, year] += cost
                        worth += cost * money.discount[year]
                        second_looks[year] = 0.0
            tally.lot_worth[lot] += worth
            if troubled:
                tally.lot_trouble[lot] += 1.0


@_compiled
def _worth_of_troubles(
    key: np.uint64, d: int, life: int, fail: float, law: int, laid: float, lives: Lives, new_law: int,
    cost: float, spot_cost: float, spot_share: float, delay_years: float, worth_of: FloatArray, spent: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """Present value of all trouble with a pipe from its first fault on, and with those that come after it.

    Also the time at which the pipe itself is renewed in trouble, inf if not within the horizon. `worth_of` is what
    a dollar of today's prices is worth if spent in each year; `spent[y]` is raised by what mending the pipe at
    spots has cost by the beginning of year y.
    """
    years = len(worth_of)
    worth, gone, first, fault = 0.0, np.inf, life, 0
    trouble = fail + _delay(key, life, 0, delay_years)
    while trouble <= years:
        year = _year_of(trouble)
        if _is_spot(key, life, fault, spot_share):
            worth += spot_cost * worth_of[year]
            if life == first:
                spent[year + 1 :] += spot_cost * worth_of[year]
            fault += 1
            fail = trouble + _next_fault(key, _event(life, fault), law, d, trouble - laid, lives)
        else:
            worth += cost * worth_of[year]
            if life == first:
                gone = trouble
            life, fault, law, laid = life + 1, 0, new_law, trouble
            fail = trouble + _new_life(key, life, law, d, lives)
        trouble = fail + _delay(key, life, fault, delay_years)
    return worth, gone


@_compiled
def worth_of_years(  # noqa: C901, PLR0915 - as above
    low: int, high: int, seed: np.uint64, lots: Lots, pipes: Pipes, lives: Lives, emergency: Works, spots: SpotRepair,
    money: Money, looking: Looking, way: Works, sums: WorthSums,
) -> None:  # fmt: skip
    """Add up over draws what each piece costs if left, and if renewed in each year; see `Simulation.worth`."""
    years, m = len(money.growth), lives.log_scale.shape[1]
    worth_of = money.growth * money.discount
    spent, unused = np.zeros(years), np.zeros(years)
    for lot in range(len(lots.key)):
        is_borrowed = lots.group[lot] >= 0
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lots, lot, b, d)
            share, delay_years = spots.share[b], money.delay_years[b]
            any_failed, left_here, renewed_here = False, 0.0, 0.0
            for pipe in range(lots.line_start[line], lots.line_start[line + 1]):
                k = pipe - lots.line_start[line]
                key = _key(seed, lots.key[lot], k, b)
                piece = lots.piece[lot] + (0 if is_borrowed else k)
                e_law = emergency.law[pipe]
                e_price = _price(emergency, pipe, b)
                s_price = _price(spots, pipe, b)
                e_cost = money.mobilisation[b] + e_price * money.emergency_factor[b] + money.cleanup[b]
                s_cost = money.mobilisation[b] + s_price * money.emergency_factor[b] + money.cleanup[b]
                if way.row[pipe] < 0:
                    price, new_law = money.mobilisation[b] + e_price, e_law
                else:
                    price = money.mobilisation[b] + _price(way, pipe, b)
                    new_law = way.law[pipe]
                fail, law, age = _today(key, pipe, d, pipes, lives)
                if law < 0 and share > 0.0:
                    law, age = _failed_entry(key, pipe, d, pipes, lives)
                spent[:] = 0.0
                left, gone = _worth_of_troubles(
                    key,
                    d,
                    0,
                    fail,
                    law,
                    -age,
                    lives,
                    e_law,
                    e_cost,
                    s_cost,
                    share,
                    delay_years,
                    worth_of,
                    spent,
                )
                sums.leave[piece] += left
                sums.price[piece] += price
                # The same new life whatever the year it begins in: draw it once.
                until_fault = _new_life(key, 1, new_law, d, lives)
                until_trouble = until_fault + _delay(key, 1, 0, delay_years)
                renewed_now = 0.0
                for year in range(years):
                    worth = left
                    if gone > year:
                        worth = spent[year] + price * worth_of[year]
                        if year + until_trouble <= years:
                            worth += _worth_of_troubles(
                                key, d, 1, year + until_fault, new_law, float(year), lives,
                                e_law, e_cost, s_cost, share, delay_years, worth_of, unused,
                            )[0]  # fmt: skip
                    sums.renew[piece, year] += worth
                    if year == 0:
                        renewed_now = worth
                if not is_borrowed and fail <= 0.0:
                    sums.failed[piece] += 1.0
                    sums.leave_failed[piece] += left
                    sums.renew_failed[piece] += renewed_now
                any_failed = any_failed or fail <= 0.0
                left_here += left
                renewed_here += renewed_now
            if is_borrowed and any_failed:
                sums.failed[lots.piece[lot]] += 1.0
                sums.leave_failed[lots.piece[lot]] += left_here
                sums.renew_failed[lots.piece[lot]] += renewed_here


@_compiled
def postpone_to_fit(
    low: int, high: int, order: IntArray, wanted: IntArray, price: FloatArray, alive_until: Float32Array,
    cap: FloatArray, growth: FloatArray, done: Uint8Array,
) -> None:  # fmt: skip
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


@_compiled
def in_the_ground_until(
    low: int, high: int, seed: np.uint64, lots: Lots, pipes: Pipes, lives: Lives, emergency: Works, spots: SpotRepair,
    money: Money, looking: Looking, way: Works, until: Float32Array, price: FloatArray,
) -> None:  # fmt: skip
    """Until when today's pipe of each piece lies there if left, and what renewing what is left of it costs at most.

    A borrowed line counts as there until the last of its pipes is renewed in trouble. Beyond the horizon any
    later time may stand.
    """
    m, years = lives.log_scale.shape[1], len(money.growth)
    for lot in range(len(lots.key)):
        for b in range(low, high):
            d = b % m
            line = _line_of(seed, lots, lot, b, d)
            for pipe in range(lots.line_start[line], lots.line_start[line + 1]):
                k = pipe - lots.line_start[line]
                key = _key(seed, lots.key[lot], k, b)
                piece = lots.piece[lot] + (0 if lots.group[lot] >= 0 else k)
                fail, law, age = _today(key, pipe, d, pipes, lives)
                laid, fault = -age, 0
                trouble = fail + _delay(key, 0, 0, money.delay_years[b])
                while trouble <= years and _is_spot(key, 0, fault, spots.share[b]):
                    if law < 0:
                        law, age = _failed_entry(key, pipe, d, pipes, lives)
                        laid = -age
                    fault += 1
                    fail = trouble + _next_fault(key, _event(0, fault), law, d, trouble - laid, lives)
                    trouble = fail + _delay(key, 0, fault, money.delay_years[b])
                cost = _price(emergency, pipe, b) if way.row[pipe] < 0 else _price(way, pipe, b)
                price[piece, b] += cost + money.mobilisation[b]
                until[piece, b] = max(until[piece, b], trouble)

"""Choices under yearly caps: never above the cap, as good as trying everything, never worse with more money."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.programme import Effort, carry_out, choose
from tests.budget_stock import FOREVER, make, policy

MONEY = st.integers(0, 40).map(float)


@st.composite
def problems(draw, most_pieces=5, most_years=3):
    n, years = draw(st.integers(1, most_pieces)), draw(st.integers(1, most_years))
    table = st.lists(st.lists(MONEY, min_size=years, max_size=years), min_size=n, max_size=n)
    benefit = np.array(draw(table)) - 8.0
    cost = np.array(draw(table))
    cap = np.array(draw(st.lists(MONEY, min_size=years, max_size=years)))
    return benefit, cost, cap


PROOF = Effort(relative_gap=0.0)


def by_trying_everything(benefit, cost, cap) -> float:
    n, years = benefit.shape
    best = 0.0
    for plan in product(range(years + 1), repeat=n):
        spent, gained = np.zeros(years), 0.0
        for piece, year in enumerate(plan):
            if year:
                spent[year - 1] += cost[piece, year - 1]
                gained += benefit[piece, year - 1]
        if (spent <= cap).all():
            best = max(best, gained)
    return best


@settings(max_examples=60, deadline=None)
@given(problems())
def test_the_choice_is_as_good_as_trying_everything(problem) -> None:
    benefit, cost, cap = problem
    found = choose(benefit, cost, cap, PROOF)
    assert found.benefit == pytest.approx(by_trying_everything(benefit, cost, cap), abs=1e-6)
    assert found.bound >= found.benefit
    assert found.gap == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(problems(most_pieces=30, most_years=6))
def test_the_cap_is_never_passed_and_the_sums_are_right(problem) -> None:
    benefit, cost, cap = problem
    found = choose(benefit, cost, cap)
    done = np.flatnonzero(found.year)
    year = found.year[done] - 1
    spent = np.bincount(year, weights=cost[done, year], minlength=len(cap))
    assert (spent <= cap).all()
    np.testing.assert_allclose(found.spent, spent)
    assert found.benefit == pytest.approx(benefit[done, year].sum())
    assert sorted(found.order) == sorted(done)


@settings(max_examples=60, deadline=None)
@given(problems(), st.integers(0, 2), st.floats(0, 20))
def test_more_money_never_brings_less(problem, which, more) -> None:
    benefit, cost, cap = problem
    richer = cap.copy()
    richer[which % len(cap)] += more
    before = choose(benefit, cost, cap, PROOF).benefit
    assert choose(benefit, cost, richer, PROOF).benefit >= before - 1e-6


def dear_and_cheap(**more):
    rng = np.random.default_rng(3)
    laws = ((np.log(45), 2.5), (FOREVER, 1.0))
    simulation, planned = make(
        pipes_of_lots=(1, 2, 3, 1, 2, 1), failed=rng.uniform(0, 1, 10), laws=laws, age=rng.uniform(10, 60, 10),
        mobilisation=900.0, delay=6.0, discount=0.05, growth=0.03, surcharge=1.6, cleanup=3_000.0, n_draws=500, **more,
    )  # fmt: skip
    planned.price[:] = rng.uniform(1_500, 6_000, (1, 500))
    return simulation, planned


@pytest.mark.parametrize("cap", [0.0, 3_000.0, 9_000.0, 40_000.0])
def test_no_future_passes_the_cap(cap) -> None:
    simulation, planned = dear_and_cheap()
    worth = simulation.worth(planned)
    caps = cap * simulation.growth
    programme = choose(worth.leave[:, None] - worth.renew, worth.price, caps)
    done = carry_out(simulation, programme, planned, caps)
    future = simulation.run(policy(simulation, planned, plan=done))
    assert (future.planned <= caps + 1e-6).all()
    if cap == 0.0:
        assert future.planned.sum() == 0
    if cap == 40_000.0:
        assert future.planned.sum() > 0


def test_money_is_spent_up_to_the_cap_and_not_beyond() -> None:
    # 40 pieces are due in year 1 at prices of 500 to 1,500 each; the cap of 10,000 takes about ten a year.
    rng = np.random.default_rng(8)
    simulation, planned = make(pipes_of_lots=(1,) * 40, failed=[1.0] * 40, delay=1e9, n_draws=300, years=6)
    planned = planned._replace(price=rng.uniform(500, 1_500, (40, 300)), row=np.arange(40))
    programme = choose(
        np.ones((40, 6)) * [6, 5, 4, 3, 2, 1], np.full((40, 6), 200.0), np.full(6, 10_000.0), PROOF
    )
    assert set(programme.year) == {1}
    done = carry_out(simulation, programme, planned, np.full(6, 10_000.0))
    spent = simulation.run(policy(simulation, planned, plan=done)).planned
    assert (spent <= 10_000 + 1e-6).all()
    # As long as pieces wait, less than one of the dearest is left over.
    assert (spent[:, :2] > 8_500).all()
    np.testing.assert_allclose(spent.sum(axis=1), planned.price.sum(axis=0))


def test_a_wide_cap_gives_every_piece_its_best_year() -> None:
    simulation, planned = dear_and_cheap()
    worth = simulation.worth(planned)
    benefit = worth.leave[:, None] - worth.renew
    programme = choose(benefit, worth.price, np.full(10, 1e9), PROOF)
    best = np.maximum(benefit.max(axis=1), 0.0)
    assert programme.benefit == pytest.approx(best.sum(), rel=1e-6)
    # On average the simulated programme saves what the choice said, but for set-ups shared within a lot, which save more.
    done = carry_out(simulation, programme, planned, np.full(10, 1e9))
    saved = worth.leave.sum() - simulation.run(policy(simulation, planned, plan=done)).present_value.mean()
    assert saved >= programme.benefit - 1e-6


def test_neither_threads_nor_neighbours_move_a_lot() -> None:
    alone = [dear_and_cheap(n_threads=n) for n in (1, 3)]
    futures = [simulation.run(policy(simulation, planned)) for simulation, planned in alone]
    np.testing.assert_allclose(futures[0].total, futures[1].total, rtol=1e-12)
    np.testing.assert_allclose(futures[0].lot_present_value, futures[1].lot_present_value, rtol=1e-12)
    # The same lots in another order and company meet the same events.
    one, planned = make(failed=(0.7,), pipes_of_lots=(1,), lot_key=[2], delay=3.0)
    three, planned_too = make(failed=(0.1, 0.2, 0.7), pipes_of_lots=(1, 1, 1), delay=3.0)
    np.testing.assert_allclose(
        one.run(policy(one, planned)).lot_present_value[0],
        three.run(policy(three, planned_too)).lot_present_value[2],
    )


def test_what_lots_share_does_not_average_away() -> None:
    # Half of the parameter draws say that all pipe has failed, half that none has: the total of 400 lots is then all or
    # nothing. Had each lot parameters of its own, its standard deviation would be 1/20 of that.
    failed = np.tile([0.0, 1.0], (400, 1))
    simulation, planned = make(pipes_of_lots=(1,) * 400, failed=failed, delay=1e-6, n_draws=1_000, years=1)
    total = simulation.run(policy(simulation, planned)).present_value
    np.testing.assert_allclose(np.unique(total), [0.0, 4e6])


def test_a_borrowed_line_is_one_of_similar_houses_in_each_draw() -> None:
    simulation, planned = make(
        pipes_of_lots=(1,) * 11, failed=[0.0] * 7 + [1.0] * 3 + [0.0], delay=1e-6, n_draws=200, years=1
    )
    # The last lot has no line of its own: in each draw that of one of the ten others, three of which have failed.
    stock = replace(
        simulation.stock,
        lot_first=np.append(np.arange(10), 0),
        lot_count=np.append(np.ones(10, dtype=np.int64), 10),
        lot_group=np.append(np.full(10, -1), 0),
        failed_now=np.repeat(simulation.stock.failed_now, 200, axis=1),
    )
    laws = replace(
        simulation.laws,
        **{
            name: np.repeat(getattr(simulation.laws, name), 200, axis=1)
            for name in ("log_scale", "shape", "start")
        },
    )
    means = []
    for seed in range(40):
        borrowed = replace(simulation, stock=stock, laws=laws, seed=seed + 1)
        means.append(borrowed.run(policy(borrowed, planned)).lot_emergency_chance[-1])
    # 200 draws of 40 seeds, each with a bootstrap sample of its own: standard error of the mean 0.46 / sqrt(8000).
    assert np.mean(means) == pytest.approx(0.3, abs=4 * 0.46 / np.sqrt(8_000))

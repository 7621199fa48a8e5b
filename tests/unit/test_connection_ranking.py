"""Ranking of connections: a hand-worked street, and every set of small cases tried one by one.

The problem is the knapsack with fixed charges; brute force is the outside authority for what is best, and the
continuous bound is Dantzig's (1957, Operations Research 5, 266-277; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.best_set import choose_best
from models.errors import ModelInputError
from models.ranking import Jobs, best_sequence, bundle_neighbours, choose_in_sequence, top_share

# Worked by hand. Street A (bundle 0): three laterals at 4,000 each, one set-up of 2,000; risk 0.9, 0.65, 0.1.
# Street B (bundle 1): one lateral at 4,000, set-up 2,000, risk 0.7. Street C (bundle 2): at 6,000, set-up 0, 0.5.
#   A: 0.9 / 6,000 = 0.150 per thousand; 1.55 / 10,000 = 0.155; 1.65 / 14,000 = 0.118: its first two make a package.
#   B: 0.7 / 6,000 = 0.117.  C: 0.5 / 6,000 = 0.083.  A's third alone: 0.1 / 4,000 = 0.025.
STREETS = Jobs(
    benefit=np.array([0.9, 0.65, 0.1, 0.7, 0.5]),
    cost=np.array([4000.0, 4000.0, 4000.0, 4000.0, 6000.0]),
    bundle=np.array([0, 0, 0, 1, 2]),
    setup=np.array([2000.0, 2000.0, 0.0]),
)


def every_set(jobs: Jobs, budget: float) -> float:
    """The greatest benefit of any affordable set, by trying all of them."""
    n = len(jobs.benefit)
    sets = (np.array([number >> i & 1 for i in range(n)], dtype=bool) for number in range(2**n))
    return max(jobs.benefit[chosen].sum() for chosen in sets if jobs.spent(chosen) <= budget)


def test_the_hand_worked_streets():
    order = best_sequence(STREETS)
    assert order.job.tolist() == [0, 1, 3, 4, 2]
    assert order.package.tolist() == [0, 0, 1, 2, 3]
    np.testing.assert_allclose(order.cost, [10_000, 16_000, 22_000, 26_000])
    np.testing.assert_allclose(order.benefit, [1.55, 2.25, 2.75, 2.85])
    # 12,000: in order only A's package (1.55); 2/6 of B's could be paid: bound 1.55 + 0.7 * 2,000 / 6,000.
    in_order = choose_in_sequence(STREETS, 12_000)
    assert (in_order.benefit, in_order.cost, in_order.is_best) == (1.55, 10_000, False)
    assert in_order.bound == pytest.approx(1.55 + 0.7 * 2 / 6)
    # The best: A's first with B's, 0.9 + 0.7 = 1.6 for 12,000.
    best = choose_best(STREETS, 12_000)
    assert best.chosen.tolist() == [True, False, False, True, False]
    assert (best.benefit, best.cost, best.is_best) == (pytest.approx(1.6), 12_000, True)
    # Sharing: both of A for 10,000, although each alone with its set-up would cost 6,000.
    assert choose_best(STREETS, 10_000).chosen.tolist() == [True, True, False, False, False]


@st.composite
def streets(draw: st.DrawFn) -> Jobs:
    n = draw(st.integers(1, 9))
    n_bundles = draw(st.integers(1, 4))
    # Whole numbers, so that sums are exact and ties are common.
    whole = st.integers(0, 8)
    return Jobs(
        benefit=np.array(draw(st.lists(whole, min_size=n, max_size=n)), dtype=float),
        cost=np.array(draw(st.lists(st.integers(1, 9), min_size=n, max_size=n)), dtype=float),
        bundle=np.array(draw(st.lists(st.integers(0, n_bundles - 1), min_size=n, max_size=n))),
        setup=np.array(draw(st.lists(whole, min_size=n_bundles, max_size=n_bundles)), dtype=float),
    )


@settings(max_examples=150, deadline=None)
@given(streets(), st.integers(1, 60))
def test_the_best_set_is_that_of_brute_force_and_never_too_dear(jobs, budget):
    known = every_set(jobs, budget)
    best, in_order = choose_best(jobs, budget), choose_in_sequence(jobs, budget)
    assert best.is_best
    assert best.benefit == pytest.approx(known, abs=1e-9)
    for choice in (best, in_order):
        assert choice.cost <= budget
        assert choice.cost == jobs.spent(choice.chosen)
        assert choice.benefit == pytest.approx(jobs.benefit[choice.chosen].sum())
        assert choice.bound >= known - 1e-9


@settings(max_examples=60, deadline=None)
@given(streets())
def test_more_money_never_buys_less(jobs):
    budgets = range(1, int(jobs.cost.sum() + jobs.setup.sum()) + 2, 3)
    for choose in (choose_best, choose_in_sequence):
        benefits = [choose(jobs, budget).benefit for budget in budgets]
        assert (np.diff(benefits) >= -1e-9).all()
    everything = choose_best(jobs, jobs.cost.sum() + jobs.setup.sum())
    assert everything.benefit == pytest.approx(jobs.benefit.sum())


@settings(max_examples=100, deadline=None)
@given(streets())
def test_the_curve_bends_one_way_and_holds_each_connection_once(jobs):
    order = best_sequence(jobs)
    assert sorted(order.job) == np.flatnonzero(jobs.benefit > 0).tolist()
    slope = np.diff(order.benefit, prepend=0) / np.diff(order.cost, prepend=0)
    assert (np.diff(slope) <= 1e-9).all()
    for package in range(len(order.cost)):
        bought = np.zeros(len(jobs.benefit), dtype=bool)
        bought[order.job[order.package <= package]] = True
        assert jobs.spent(bought) == pytest.approx(order.cost[package])
        # A corner of the hull: no set of that cost does better.
        assert order.benefit[package] == pytest.approx(every_set(jobs, order.cost[package]))


def test_many_connections_are_chosen_to_within_the_proven_bound():
    rng = np.random.default_rng(4)
    n = 3_000
    jobs = Jobs(
        benefit=rng.gamma(1.0, 0.3, n),
        cost=rng.uniform(2_500, 6_000, n),
        bundle=rng.integers(0, n // 4, n),
        setup=rng.uniform(1_500, 4_000, n // 4),
    )
    best, in_order = choose_best(jobs, 1e6), choose_in_sequence(jobs, 1e6)
    assert best.is_best
    assert best.cost <= 1e6
    assert in_order.benefit <= best.benefit <= in_order.bound


def test_neighbours_on_one_main_share_an_opening():
    main = np.array([1, 1, 1, 2, 1, 1])
    station = np.array([10.0, 300.0, 90.0, 15.0, np.nan, 180.0])
    # By hand, gap 90 ft: 10-90-180 hang together on main 1; 300 is 120 ft on; no station stands alone.
    bundle = bundle_neighbours(main, station, 90.0)
    assert bundle[0] == bundle[2] == bundle[5]
    assert len({bundle[0], bundle[1], bundle[3], bundle[4]}) == 4
    assert bundle_neighbours(main, station, None).tolist() == [0, 0, 0, 1, 0, 0]


def test_share_of_draws_among_the_first():
    # By hand, two places: draw 1 gives them to 0 and 1; draw 2 to 1, and 0 and 2 tie for the other.
    share = top_share(np.array([[3.0, 2.0, 1.0], [1.0, 2.0, 1.0]]), 2)
    np.testing.assert_allclose(share, [0.75, 1.0, 0.25])
    drawn = np.random.default_rng(3).random((50, 40))
    for k in (1, 7, 40):
        assert top_share(drawn, k).sum() == pytest.approx(k)
    firm = np.tile(np.arange(5.0), (9, 1))
    assert top_share(firm, 2).tolist() == [0, 0, 0, 1, 1]


@pytest.mark.parametrize(
    ("name", "value"),
    [("benefit", -1.0), ("benefit", np.nan), ("cost", 0.0), ("cost", np.inf), ("setup", -5.0)],
)
def test_impossible_numbers_are_refused_with_their_row(name, value):
    parts = {n: getattr(STREETS, n).copy() for n in ("benefit", "cost", "bundle", "setup")}
    parts[name][1] = value
    with pytest.raises(ModelInputError, match=name) as caught:
        Jobs(**parts)
    assert caught.value.row == 1


@pytest.mark.parametrize("budget", [0.0, -1.0, np.nan, np.inf])
def test_a_budget_is_a_sum_above_zero(budget):
    with pytest.raises(ModelInputError, match="budget"):
        choose_best(STREETS, budget)


@pytest.mark.parametrize("k", [0, 6])
def test_a_list_has_between_one_and_all_places(k):
    with pytest.raises(ModelInputError, match="places"):
        top_share(np.ones((3, 5)), k)

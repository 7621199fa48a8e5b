"""Pipe mended at one spot lives on, as old as it is; numbers are worked out by hand here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.errors import ModelInputError
from models.programme import Effort, carry_out, choose
from tests.budget_stock import AT_ONCE, FOREVER, close, make, policy


def test_trouble_costs_a_spot_where_that_is_enough_and_a_new_pipe_elsewhere() -> None:
    # Both at short notice: 1.5 · 1,000 + 500 = 2,000 in 3 of 10 futures, 1.5 · 10,000 + 500 = 15,500 in the others.
    simulation, planned = make(
        pipes_of_lots=(1,), failed=(1.0,), delay=AT_ONCE, surcharge=1.5, cleanup=500.0, spot_share=0.3, n_draws=40_000,
    )  # fmt: skip
    future = simulation.run(policy(simulation, planned))
    assert set(np.unique(future.emergency[:, 0].round(6))) == {2_000.0, 15_500.0}
    close(future.n_spots[:, 0].mean(), 0.3, 40_000, 0.46)
    np.testing.assert_array_equal(future.n_emergencies[:, 0], 1.0)


def test_pipe_that_was_mended_is_renewed_when_its_turn_comes() -> None:
    # Mended in year 1, renewed at the beginning of year 3 all the same; the rest of it never fails here.
    simulation, planned = make(pipes_of_lots=(1,), failed=(1.0,), delay=AT_ONCE, spot_share=1.0, n_draws=20)
    future = simulation.run(policy(simulation, planned, plan=[3]))
    np.testing.assert_allclose(future.emergency[:, :4], [[1_000, 0, 0, 0]] * 20)
    np.testing.assert_allclose(future.planned[:, :4], [[0, 0, 4_000, 0]] * 20)
    np.testing.assert_array_equal(future.n_spots.sum(axis=1), 1.0)


def test_what_is_renewed_in_its_turn_is_renewed_whole() -> None:
    simulation, planned = make(pipes_of_lots=(1,), failed=(1.0,), delay=1e9, spot_share=1.0, n_draws=20)
    future = simulation.run(policy(simulation, planned, plan=[1]))
    np.testing.assert_allclose(future.planned[:, 0], 4_000)
    assert future.n_spots.sum() == 0


def test_a_camera_leads_to_a_spot_or_to_new_pipe() -> None:
    # Needs repair, trouble far off: called bad 8 times in 10, and one spot is enough in 1 of 4 of those.
    simulation, planned = make(
        pipes_of_lots=(1,), failed=(1.0,), delay=1e9, sensitivity=0.8, spot_share=0.25, n_draws=40_000
    )
    future = simulation.run(policy(simulation, planned, cameras=[2]))
    close(future.n_spots.mean(axis=0)[:3], [0, 0.2, 0], 40_000, 0.4)
    close(future.planned.mean(axis=0)[1], 0.2 * 1_000 + 0.6 * 4_000, 40_000, 1_700)


def test_a_sound_spot_dug_up_in_error_leaves_the_pipe_as_it_was() -> None:
    # Sound at 50 of a Weibull of shape 3 and scale 60; every camera calls it bad. It fails within the horizon as if
    # nobody had dug: P(T <= 60 | T > 50) = 0.3438, and so trouble comes.
    laws, old = ((np.log(60), 3.0), (FOREVER, 1.0)), {"pipes_of_lots": (1,), "failed": (0.0,), "age": 50.0}
    simulation, planned = make(**old, laws=laws, delay=0.0, specificity=0.0, spot_share=1.0, n_draws=40_000)
    future = simulation.run(policy(simulation, planned, cameras=[1]))
    np.testing.assert_allclose(future.planned[:, 0], 1_000)
    close(future.lot_emergency_chance, [0.3438], 40_000, 0.48)


def test_pipe_that_needs_repair_now_is_what_has_most_likely_failed() -> None:
    # Two entries as likely before: one at age 20 of a law of mean 20 (failed by now with 1 - 1/e = 0.632), one that
    # never fails. Once mended, it is the first in every future, and fails again within 10 years with 1 - exp(-10/20).
    simulation, planned = make(
        pipes_of_lots=(1,), failed=(1.0,), laws=((FOREVER, 1.0), (np.log(20), 1.0)), delay=0.0, spot_share=1.0,
        n_draws=40_000,
    )  # fmt: skip
    stock = replace(
        simulation.stock, entry_start=np.array([0, 2]), entry_law=np.array([0, 1]), entry_age=np.array([20.0, 20.0]),
        entry_weight=np.array([0.5, 0.5]),
    )  # fmt: skip
    again = replace(simulation, stock=stock).run(policy(simulation, planned)).n_emergencies.sum(axis=1) > 1
    close(again.mean(), 1 - np.exp(-0.5), 40_000, 0.49)


@pytest.mark.parametrize("spot_share", [0.35, np.linspace(0.0, 1.0, 3_000), 1.0])
def test_worth_of_a_year_equals_the_policy_that_does_it(spot_share) -> None:
    simulation, planned = make(
        pipes_of_lots=(2, 1), failed=(0.3, 0.9, 0.1), laws=((np.log(40), 2.0), (np.log(15), 1.5)), age=30.0,
        delay=3.0, discount=0.04, growth=0.02, n_draws=3_000, years=12, spot_share=spot_share,
    )  # fmt: skip
    worth = simulation.worth(planned)
    wait = simulation.run(policy(simulation, planned))
    assert wait.n_spots.sum() > 0
    np.testing.assert_allclose(worth.leave.sum(), wait.present_value.mean(), rtol=1e-10)
    for year in (1, 5, 12):
        future = simulation.run(policy(simulation, planned, plan=[year] * 3))
        np.testing.assert_allclose(worth.renew[:, year - 1].sum(), future.present_value.mean(), rtol=1e-10)


def test_a_programme_counts_on_pipe_that_was_only_mended() -> None:
    # All make trouble at once and are mended at one spot: all three are still there when their year comes.
    simulation, planned = make(failed=(1.0, 1.0, 1.0), delay=AT_ONCE, spot_share=1.0, n_draws=4)
    falling = np.array([[3.0], [2.0], [1.0]]) * 0.9 ** np.arange(10)
    plan = choose(falling, np.full((3, 10), 4_000.0), np.full(10, 5_000.0), Effort(relative_gap=0.0))
    done = carry_out(simulation, plan, planned, np.full(10, 5_000.0))
    np.testing.assert_array_equal(done, np.repeat([[1], [2], [3]], 4, axis=1))
    future = simulation.run(policy(simulation, planned, plan=done))
    np.testing.assert_array_equal(future.n_planned[:, :3], 1.0)


@pytest.mark.parametrize("share", [-0.1, 1.1, np.nan])
def test_a_share_that_is_none_is_refused(share) -> None:
    with pytest.raises(ModelInputError, match="between 0 and 1"):
        make(spot_share=share)

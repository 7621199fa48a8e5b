"""Three lots, known chances, known costs: what a spreadsheet gives. All numbers are worked out by hand here."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import ModelInputError
from models.information import value_of_looking
from models.programme import Effort, carry_out, choose
from models.renewal_stock import Worth
from tests.budget_stock import AT_ONCE, FOREVER, close, make, policy

PROOF = Effort(relative_gap=0.0)


def test_waiting_costs_the_chance_times_the_price_discounted() -> None:
    # Sure, even chance, none: 10,000 / 1.05 at the end of year 1, half of it, nothing.
    simulation, planned = make(delay=AT_ONCE, discount=0.05, n_draws=20_000)
    future = simulation.run(policy(simulation, planned))
    close(future.lot_present_value, [9_523.81, 4_761.905, 0.0], 20_000, 4_762)
    close(future.lot_emergency_chance, [1.0, 0.5, 0.0], 20_000, 0.5)
    assert future.emergency[:, 1:].sum() == 0
    assert future.planned.sum() == 0
    np.testing.assert_allclose(future.present_value.mean(), future.lot_present_value.sum())


def test_trouble_comes_with_the_chance_of_an_exponential_delay() -> None:
    # Needs repair now, mean delay 4 years: year t has e^(-(t-1)/4) - e^(-t/4): 0.2212, 0.1723, 0.1342, …
    simulation, planned = make(pipes_of_lots=(1,), failed=(1.0,), delay=4.0, years=3, n_draws=40_000)
    future = simulation.run(policy(simulation, planned))
    close(future.n_emergencies.mean(axis=0), [0.2212, 0.1723, 0.1342], 40_000, 0.45)


def test_escalation_raises_the_price_of_a_year() -> None:
    simulation, planned = make(
        pipes_of_lots=(1,), failed=(1.0,), delay=AT_ONCE, growth=0.03, surcharge=1.5, cleanup=500.0
    )
    future = simulation.run(policy(simulation, planned))
    # (10,000 · 1.5 + 500) · 1.03
    np.testing.assert_allclose(future.emergency[:, 0], 15_965.0)


def test_renewing_in_year_three_meets_only_what_is_still_there() -> None:
    # Delay 4 years: still there at the beginning of year 3 with e^(-2/4) = 0.6065.
    simulation, planned = make(pipes_of_lots=(1,), failed=(1.0,), delay=4.0, n_draws=40_000, discount=0.05)
    future = simulation.run(policy(simulation, planned, plan=[3]))
    close(future.n_planned.mean(axis=0)[:4], [0, 0, 0.6065, 0], 40_000, 0.5)
    close(future.n_emergencies.sum(axis=1).mean(), 0.3935, 40_000, 0.5)
    close(future.planned.mean(axis=0)[2], 4_000 * 0.6065, 40_000, 2_000)


def test_a_residual_life_is_conditional_on_the_age_reached() -> None:
    # Weibull, shape 3, scale 60, sound at 50: P(T <= 60 | T > 50) = 1 - exp(-(1 - (50/60)^3)) = 0.3438.
    simulation, planned = make(
        pipes_of_lots=(1,),
        failed=(0.0,),
        laws=((np.log(60), 3.0), (FOREVER, 1.0)),
        age=50.0,
        delay=0.0,
        n_draws=40_000,
    )
    future = simulation.run(policy(simulation, planned))
    close(future.lot_emergency_chance, [0.3438], 40_000, 0.48)


def test_a_camera_finds_what_it_finds_and_is_paid_for() -> None:
    # Camera in year 2 on lots that need repair for sure, trouble far off, called bad 8 times in 10.
    simulation, planned = make(
        pipes_of_lots=(1, 1),
        failed=(1.0, 0.0),
        delay=1e9,
        sensitivity=0.8,
        specificity=0.95,
        n_draws=40_000,
        years=4,
    )
    future = simulation.run(policy(simulation, planned, cameras=[2, 2]))
    close(future.n_planned.mean(axis=0), [0, 0.8 + 0.05, 0, 0], 40_000, 0.5)
    np.testing.assert_allclose(future.camera.mean(axis=0), [0, 600, 0, 0])
    # Confirmed: 0.8² and 0.05²; a second visit for each bad call.
    twice = simulation.run(policy(simulation, planned, cameras=[2, 2], is_confirmed=True))
    close(twice.n_planned.mean(axis=0)[1], 0.64 + 0.0025, 40_000, 0.5)
    close(twice.camera.mean(axis=0)[1], 600 + 300 * 0.85, 40_000, 300)
    # Each lot is charged for its own visits.
    np.testing.assert_allclose(twice.present_value.mean(), twice.lot_present_value.sum())


def test_cameras_come_again_on_their_cycle() -> None:
    simulation, planned = make(pipes_of_lots=(1,), failed=(0.0,), years=10)
    future = simulation.run(policy(simulation, planned, cameras=[2], every=3))
    np.testing.assert_allclose(future.camera[0], [0, 300, 0, 0, 300, 0, 0, 300, 0, 0])


def test_two_pipes_of_a_lot_in_one_year_are_set_up_once() -> None:
    simulation, planned = make(pipes_of_lots=(2, 1), failed=(0.0, 0.0, 0.0), mobilisation=1_000.0)
    future = simulation.run(policy(simulation, planned, plan=[1, 1, 1]))
    # 2 · 4,000 + 1,000 and 4,000 + 1,000.
    np.testing.assert_allclose(future.planned[:, 0], 14_000)
    apart = simulation.run(policy(simulation, planned, plan=[1, 2, 1]))
    np.testing.assert_allclose(apart.planned[:, :2], [[10_000, 5_000]] * len(apart.planned))


def test_what_a_liner_does_not_mend_is_dug_up() -> None:
    simulation, planned = make(pipes_of_lots=(1,), failed=(1.0,), delay=1e9, n_draws=40_000)
    future = simulation.run(policy(simulation, planned, plan=[1], cannot_be_planned_share=0.25))
    close(future.planned[:, 0].mean(), 0.75 * 4_000 + 0.25 * 10_000, 40_000, 2_600)


def test_worth_of_looking_by_hand() -> None:
    # One year, trouble within it if failed: leaving costs p · 10,000, renewing 4,000.
    #   p = 1:   renew. Nothing to learn.
    #   p = 0.5: 4,000 blind; knowing: 0.5 · 4,000 = 2,000, worth 2,000. A camera that sees 8 in 10 failures and never
    #            errs on sound pipe: 0.4 · 4,000 + 0.1 · 10,000 = 2,600, worth 1,400.
    #   p = 0.1: 1,000 blind; knowing: 400, worth 600. Camera: 0.08 · 4,000 + 0.02 · 10,000 = 520, worth 480.
    n = 200_000
    simulation, planned = make(failed=(1.0, 0.5, 0.1), delay=AT_ONCE, years=1, n_draws=n)
    worth = simulation.worth(planned)
    close(worth.leave, [10_000, 5_000, 1_000], n, 5_000)
    np.testing.assert_allclose(worth.renew[:, 0], 4_000)
    close(worth.failed_share, [1, 0.5, 0.1], n, 0.5)
    found = value_of_looking(worth, sensitivity=0.8, specificity=1.0)
    close(found.perfect, [0, 2_000, 600], n, 6_000)
    close(found.camera, [0, 1_400, 480], n, 6_000)
    np.testing.assert_array_equal(found.renew_unseen, [True, True, False])
    # Calling 1 sound pipe in 10 bad: p = 0.5: 0.45 · 4,000 + 0.1 · 10,000 = 2,800, worth 1,200;
    #   p = 0.1: bad (0.08 failed, 0.09 sound) 0.17 · 4,000, good 0.02 · 10,000: 880, worth 120.
    erring = value_of_looking(worth, sensitivity=0.8, specificity=0.9)
    close(erring.camera, [0, 1_200, 120], n, 6_000)
    # A camera that says nothing new is worth nothing.
    blind = value_of_looking(worth, sensitivity=0.3, specificity=0.7)
    close(blind.camera, [0, 0, 0], n, 2_000)


def test_a_camera_at_pipe_that_costs_something_even_if_sound() -> None:
    # Even chance; leaving costs 10,000 if failed and 1,000 if sound, renewing 4,000. Blind: 4,000 against 5,500.
    #   Bad call (0.8 of failed, 0.1 of sound): leave 4,050, renew 1,800. Good call: leave 1,000 + 450 = 1,450, renew 2,200.
    #   Together 3,250: worth 750. Knowing for certain: 2,000 + 500: worth 1,500.
    one = np.ones(1)
    worth = Worth(
        leave=5_500 * one, renew=4_000 * one[:, None], price=4_000 * one[:, None], failed_share=0.5 * one,
        leave_if_failed=5_000 * one, renew_if_failed=2_000 * one,
    )  # fmt: skip
    found = value_of_looking(worth, sensitivity=0.8, specificity=0.9)
    assert found.camera[0] == pytest.approx(750)
    assert found.perfect[0] == pytest.approx(1_500)


def test_worth_of_a_year_equals_the_policy_that_does_it() -> None:
    simulation, planned = make(
        pipes_of_lots=(2, 1), failed=(0.3, 0.9, 0.1), laws=((np.log(40), 2.0), (np.log(15), 1.5)), age=30.0,
        delay=3.0, discount=0.04, growth=0.02, n_draws=3_000, years=12,
    )  # fmt: skip
    worth = simulation.worth(planned)
    wait = simulation.run(policy(simulation, planned))
    np.testing.assert_allclose(worth.leave.sum(), wait.present_value.mean(), rtol=1e-10)
    for year in (1, 5, 12):
        future = simulation.run(policy(simulation, planned, plan=[year] * 3))
        np.testing.assert_allclose(worth.renew[:, year - 1].sum(), future.present_value.mean(), rtol=1e-10)


def test_the_best_of_three_projects_by_hand() -> None:
    # Caps of 5 and 5. Benefits fall by one a year. A costs 5, B and C cost 3 and 2.
    # A in year 2 (9) with B and C in year 1 (6 + 5) brings 20; A first and B and C later 10 + 5 + 4 = 19.
    found = choose([[10, 9], [6, 5], [5, 4]], [[5, 5], [3, 3], [2, 2]], [5, 5], PROOF)
    assert found.benefit == pytest.approx(20)
    np.testing.assert_array_equal(found.year, [2, 1, 1])
    np.testing.assert_allclose(found.spent, [5, 5])
    assert found.gap == pytest.approx(0, abs=1e-9)
    # C brings more a dollar than B: 2.5 against 2.
    np.testing.assert_array_equal(found.order, [2, 1, 0])


def test_a_programme_waits_when_prices_are_dear() -> None:
    simulation, planned = make(failed=(1.0, 1.0, 1.0), delay=1e9, n_draws=4)
    falling = np.array([[3.0], [2.0], [1.0]]) * 0.9 ** np.arange(10)
    # With mean prices two jobs fit into a year: the two that bring most go first.
    plan = choose(falling, np.full((3, 10), 4_000.0), np.full(10, 8_000.0), PROOF)
    np.testing.assert_array_equal(plan.year, [1, 1, 2])
    # The cap takes one job a year only.
    done = carry_out(simulation, plan, planned, np.full(10, 5_000.0))
    np.testing.assert_array_equal(done, np.repeat([[1], [2], [3]], 4, axis=1))
    future = simulation.run(policy(simulation, planned, plan=done))
    assert future.planned.max() <= 5_000


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"years": 0}, "no year|between 1 and"),
        ({"years": 61}, "between 1 and 60"),
        ({"pipes_of_lots": ()}, "no lot"),
    ],
)
def test_what_cannot_be_simulated_is_refused(change, sentence) -> None:
    with pytest.raises(ModelInputError, match=sentence):
        make(**change)


def test_plans_for_other_pieces_are_refused() -> None:
    simulation, planned = make()
    with pytest.raises(ModelInputError, match="3 pieces"):
        simulation.run(policy(simulation, planned, plan=[1, 1, 1]).__class__(
            planned_year=np.zeros((2, 1), np.uint8), planned=planned, camera_first=np.zeros(3, np.int64)
        ))  # fmt: skip
    for benefit, cost, cap, words in (
        ([[1.0]], [[-1.0]], [1.0], "negative"),
        ([[np.nan]], [[1.0]], [1.0], "not finite"),
        ([[1.0]], [[1.0]], [1.0, 2.0], "one column per year"),
    ):
        with pytest.raises(ModelInputError, match=words):
            choose(benefit, cost, cap)

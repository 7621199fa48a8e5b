"""Camera rates with a prior: limits, repeat looks by enumeration, and what reaches the draws."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import beta

from models.camera_rates import (
    FittedWithRates,
    RateBelief,
    RatesPosterior,
    Trial,
    carried_over,
    fit_with_rates,
)
from models.errors import ModelInputError
from models.fitted_lives import FittedLives
from models.lives import Detection, LifeLooks, LifeRegression, Ridge, single_candidates
from models.looks import FloatArray
from models.repeat_looks import FailedByLooks, RepeatLooks

PRIORS = (Ridge(terms=("hazard: all",), sd=1.0, mean=-0.5), Ridge(terms=("shape: all",), sd=0.3, mean=0.7))
ONE = np.ones((1, 1))


def town(n_lives: int, n_looks: int, rng: np.random.Generator, *, n_groups: int = 0) -> LifeLooks:
    """Lives of one kind, failing half by 45, at looks some years apart; sensitivity 0.8, specificity 0.95."""
    age_at_failure = 50.0 * rng.weibull(2.0, n_lives)
    first = rng.uniform(5.0, 70.0, n_lives)
    ages = (first[:, None] + np.cumsum(rng.uniform(0.5, 4.0, (n_lives, n_looks)), axis=1)).ravel()
    failed = np.repeat(age_at_failure, n_looks) <= ages
    bad = np.where(failed, rng.random(ages.size) < 0.8, rng.random(ages.size) > 0.95)
    row = np.arange(n_lives) % n_groups if n_groups else np.zeros(n_lives, dtype=np.int64)
    life, candidate_row, probability = single_candidates(row)
    return LifeLooks(
        candidate_life=life,
        candidate_row=candidate_row,
        candidate_probability=probability,
        install_min=np.zeros(n_lives),
        install_max=np.zeros(n_lives),
        look_life=np.repeat(np.arange(n_lives), n_looks),
        look_year=np.round(ages, 1),
        look_bad=bad,
    )


def fitted_with(
    looks: LifeLooks, sensitivity: RateBelief, specificity: RateBelief, *, n_groups: int = 0
) -> tuple[FittedLives, RatesPosterior]:
    ones = np.ones((max(n_groups, 1), 1))
    group = np.arange(n_groups) if n_groups else None

    def trial(detection: Detection, near: FittedLives | None) -> Trial:
        fit = LifeRegression(ridges=PRIORS, detection=detection).fit(
            ones, ones, looks, X_names=["all"], Z_names=["all"], group=group, near=near
        )
        failed = FailedByLooks(looks).under(fit, ones, ones, None, group)
        return Trial(fitted=fit, failed=failed, dug_out=np.zeros(looks.n_looks))

    return fit_with_rates(trial, RepeatLooks(looks.look_life, looks.look_bad), sensitivity, specificity)


def test_a_prior_worth_very_much_is_the_fit_at_given_rates() -> None:
    looks = town(300, 2, np.random.default_rng(1))
    sure, _ = fitted_with(looks, RateBelief(mean=0.8, looks=1e9), RateBelief(mean=0.95, looks=1e9))
    given, _ = fitted_with(looks, RateBelief(mean=0.8), RateBelief(mean=0.95))
    assert isinstance(sure, FittedWithRates)
    assert not isinstance(given, FittedWithRates)
    assert sure.coef == pytest.approx(given.coef, abs=1e-4)
    assert sure.covariance == pytest.approx(given.covariance, rel=1e-3)


def test_without_repeat_looks_the_prior_stays_as_it_was_and_widens_the_curve() -> None:
    looks = town(400, 1, np.random.default_rng(2))
    fitted, found = fitted_with(looks, RateBelief(mean=0.8, looks=30.0), RateBelief(mean=0.95, looks=40.0))
    given, _ = fitted_with(looks, RateBelief(mean=0.8), RateBelief(mean=0.95))
    rate, spread = found.moments()
    for k, prior in enumerate((beta(24.0, 6.0), beta(38.0, 2.0))):
        assert rate[k] == pytest.approx(prior.mean(), abs=1e-4)
        assert np.sqrt(spread[k, k]) == pytest.approx(prior.std(), rel=0.01)
        assert found.range()[k] == pytest.approx(prior.ppf([0.025, 0.975]), abs=1e-4)
    assert fitted.coef == pytest.approx(given.coef, abs=1e-3)
    assert fitted.standard_error[0] > 1.1 * given.standard_error[0]


def test_draws_have_the_stated_covariance_of_coefficients_and_areas() -> None:
    looks = town(600, 2, np.random.default_rng(3), n_groups=6)
    belief = RateBelief(mean=0.85, looks=20.0)
    fitted, found = fitted_with(looks, belief, belief, n_groups=6)
    assert isinstance(fitted, FittedWithRates)
    draws = fitted.draws(20_000, np.random.default_rng(4))
    p = len(fitted.coef)
    assert fitted.effects is not None
    assert draws.mean(axis=0) == pytest.approx(fitted.mode, abs=0.03)
    assert draws[:, :p].std(axis=0) == pytest.approx(fitted.standard_error, rel=0.04)
    assert draws[:, p:].std(axis=0) == pytest.approx(fitted.effects.standard_error, rel=0.04)
    _, spread = found.moments()
    added = fitted.by_rate[:p] @ spread @ fitted.by_rate[:p].T
    assert fitted.covariance == pytest.approx(fitted.at_mean.covariance + added, rel=1e-9)
    assert fitted.detection == found.detection()


def test_groups_that_a_part_has_no_record_of_move_with_the_rates_like_its_average_group() -> None:
    belief = RateBelief(mean=0.85, looks=20.0)
    part, _ = fitted_with(town(300, 2, np.random.default_rng(7), n_groups=4), belief, belief, n_groups=6)
    assert isinstance(part, FittedWithRates)
    p = len(part.coef)
    assert part.mode[p + 4 :].tolist() == [0.0, 0.0]
    whole = LifeRegression(ridges=PRIORS, detection=part.detection).fit(
        np.ones((6, 1)),
        np.ones((6, 1)),
        town(600, 2, np.random.default_rng(8), n_groups=6),
        X_names=["all"],
        Z_names=["all"],
        group=np.arange(6),
    )
    found = carried_over(part, whole)
    assert isinstance(found, FittedWithRates)
    assert found.coef == pytest.approx(whole.coef)
    assert found.by_rate[: p + 4] == pytest.approx(part.by_rate[: p + 4])
    assert found.by_rate[p + 4 :] == pytest.approx(np.tile(part.by_rate[p : p + 4].mean(axis=0), (2, 1)))
    assert (found.standard_error > whole.standard_error).all()
    assert carried_over(whole, whole) is whole


def by_enumeration(bad: list[bool], failed: FloatArray, dug_out: FloatArray, camera: Detection) -> float:
    """Chance of results after the first, given the first and that the pipe still lies there, over all courses."""

    def chance(results: tuple[bool, ...]) -> float:
        total = 0.0
        n = len(results)
        steps = np.diff(failed[:n], prepend=0.0, append=1.0)
        for fails_before in range(n + 1):  # index of the first look that finds it failed
            p = steps[fails_before]
            for look, result in enumerate(results):
                is_failed = look >= fails_before
                if is_failed:
                    before = dug_out[look - 1] if look else 0.0
                    p *= (1 - dug_out[look]) / (1 - before)
                sees = camera.sensitivity if is_failed else 1 - camera.specificity
                p *= sees if result else 1 - sees
            total += p
        return total

    answer = 1.0
    for n in range(2, len(bad) + 1):
        seen = tuple(bad[: n - 1])
        answer *= chance((*seen, bad[n - 1])) / (chance((*seen, True)) + chance((*seen, False)))
    return answer


@pytest.mark.parametrize("bad", list(product([False, True], repeat=3)))
def test_repeat_looks_by_enumeration_of_all_courses(bad: tuple[bool, ...]) -> None:
    failed, dug_out = np.array([0.2, 0.35, 0.5]), np.array([0.1, 0.2, 0.3])
    camera = Detection(sensitivity=0.8, specificity=0.93)
    # A life of one look besides: nothing follows from it.
    looks = RepeatLooks(np.array([0, 0, 0, 1]), np.array([*bad, True]))
    found = looks.log_likelihood(np.append(failed, 0.4), np.append(dug_out, 0.1), camera)
    assert found == pytest.approx(np.log(by_enumeration(list(bad), failed, dug_out, camera)), rel=1e-9)


def test_two_looks_at_once_by_hand() -> None:
    # Half have failed, Se 0.8, Sp 0.9. P(bad) = .45, P(bad, good) = .5 · .16 + .5 · .09 = .125: .125 / .45.
    looks = RepeatLooks(np.array([0, 0]), np.array([True, False]))
    found = looks.log_likelihood([0.5, 0.5], [0.0, 0.0], Detection(sensitivity=0.8, specificity=0.9))
    assert np.exp(found) == pytest.approx(0.125 / 0.45)
    # Half of the failed dug out: a third of those standing have failed. .8/3 + .2/3 = 1/3; .16/3 + .18/3 = .34/3.
    found = looks.log_likelihood([0.5, 0.5], [0.5, 0.5], Detection(sensitivity=0.8, specificity=0.9))
    assert np.exp(found) == pytest.approx(0.34)


def test_chance_of_having_failed_by_looks_is_that_of_the_fit_averaged_over_candidates() -> None:
    looks = town(200, 1, np.random.default_rng(5))
    fit = LifeRegression(ridges=PRIORS, detection=Detection(sensitivity=0.8, specificity=0.95)).fit(
        ONE, ONE, looks, X_names=["all"], Z_names=["all"]
    )
    X = np.array([[1.0], [2.0]])
    either = LifeLooks(
        candidate_life=np.array([0, 0]),
        candidate_row=np.array([0, 1]),
        candidate_probability=np.array([0.3, 0.7]),
        install_min=np.array([1950.0]),
        install_max=np.array([1950.0]),
        look_life=np.array([0, 0]),
        look_year=np.array([1990.0, 1940.0]),
        look_bad=np.array([True, False]),
    )
    found = FailedByLooks(either).under(fit, X, np.ones((2, 1)))
    by_row = fit.failure_probability(40.0, X, np.ones((2, 1)))
    assert found == pytest.approx([0.3 * by_row[0] + 0.7 * by_row[1], 0.0], abs=1e-12)


def test_impossible_beliefs_are_refused() -> None:
    for mean, looks, says in (
        (1.2, 10.0, "1.2"),
        (0.0, 10.0, "above 0"),
        (0.8, 0.0, "0.0 looks"),
        (0.8, -3.0, "-3.0"),
    ):
        with pytest.raises(ModelInputError, match=says):
            RateBelief(mean=mean, looks=looks)


def test_extreme_beliefs_have_finite_answers() -> None:
    looks = town(60, 2, np.random.default_rng(6))
    for belief in (
        RateBelief(mean=0.999, looks=1.0),
        RateBelief(mean=0.6, looks=1.0),
        RateBelief(mean=0.9, looks=1e7),
    ):
        fitted, found = fitted_with(looks, belief, belief)
        assert fitted.status == "ok"
        assert np.isfinite(fitted.draws(50, np.random.default_rng(1))).all()
        assert np.isfinite(found.range()).all()
        assert (found.range()[:, 0] <= found.range()[:, 1]).all()

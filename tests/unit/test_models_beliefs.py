"""What looks are compiled to: install years by candidate, belief by look, pipe bad from the start."""

import numpy as np
import pytest

from models.atoms import REFERENCE_AGE
from models.fitted_lives import linear_predictors
from models.likelihood import LooksLikelihood
from models.lives import (
    Detection,
    LifeLooks,
    LifeRegression,
    LineLooks,
    Ridge,
    single_candidates,
)
from models.looks import FloatArray


def one_life(**changes):
    given = dict(
        candidate_life=[0],
        candidate_row=[0],
        candidate_probability=[1.0],
        install_min=[1950.0],
        install_max=[1950.0],
        look_life=[0],
        look_year=[2000.0],
        look_bad=[True],
    )
    return LifeLooks(**(given | changes))


def chance_of(looks, *, detection=None, coef=(4.0, 0.9), W=None):
    designs = [np.ones((1, 1)), np.ones((1, 1))] + ([np.ones((1, 1))] if W else [])
    system = LooksLikelihood(looks, None, detection or Detection())
    log_scale, log_shape, *start = coef
    log_hazard = np.exp(log_shape) * (np.log(REFERENCE_AGE) - log_scale)
    return np.exp(system.value(linear_predictors(designs, np.array([log_hazard, log_shape, *start]))))


def weibull_f(age, log_scale=4.0, log_shape=0.9):
    return 1 - np.exp(-((age / np.exp(log_scale)) ** np.exp(log_shape)))


def test_a_candidate_may_have_an_install_range_of_its_own():
    # By hand: 0.8 of F(50) plus 0.2 of F(20).
    looks = one_life(
        candidate_life=[0, 0],
        candidate_row=[0, 0],
        candidate_probability=[0.8, 0.2],
        candidate_install_min=[1950.0, 1980.0],
        candidate_install_max=[1950.0, 1980.0],
    )
    assert chance_of(looks) == pytest.approx(0.8 * weibull_f(50) + 0.2 * weibull_f(20), rel=1e-12)


def test_a_look_may_be_believed_more_than_the_camera():
    # By hand: P(bad) = Se F + (1 - Sp)(1 - F), with the look's own Se.
    detection = Detection(sensitivity=0.8, specificity=0.95)
    f = weibull_f(50)
    assert chance_of(one_life(), detection=detection) == pytest.approx(0.8 * f + 0.05 * (1 - f))
    told = one_life(look_sensitivity=[0.9])
    assert chance_of(told, detection=detection) == pytest.approx(0.9 * f + 0.05 * (1 - f))


def test_pipe_may_be_bad_from_the_start():
    # By hand: F = d + (1 - d)(1 - exp(-H)), log odds of d = -2.
    d = 1 / (1 + np.exp(2.0))
    expected = d + (1 - d) * weibull_f(50)
    assert chance_of(one_life(), coef=(4.0, 0.9, -2.0), W=True) == pytest.approx(expected, rel=1e-12)


def test_lives_that_differ_only_in_belief_are_not_taken_for_one():
    life, row, probability = single_candidates([0, 0])
    looks = LifeLooks(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=[1950.0, 1950.0],
        install_max=[1950.0, 1950.0],
        look_life=[0, 1],
        look_year=[2000.0, 2000.0],
        look_bad=[True, True],
        look_sensitivity=[0.8, 0.9],
    )
    system = LooksLikelihood(looks, None, Detection(sensitivity=0.8, specificity=0.95))
    assert system.n_patterns == 2


def town(rng, n=400):
    """Lives with everything at once: candidates, ranges, beliefs, start share, verdicts on lines."""
    life = np.arange(n)
    even = life[::2]
    install = rng.uniform(1920, 1980, n)
    latest = install + np.where(rng.random(n) < 0.5, 20.0, 0.0)
    failure = 60 * rng.weibull(2.5, n)
    failure[rng.random(n) < 0.1] = 0.0
    look_life = np.concatenate((life, life))
    look_year = rng.uniform(1990, 2020, 2 * n)
    sensitivity = np.where(rng.random(2 * n) < 0.3, 0.95, 0.8)
    failed = look_year - install[look_life] > failure[look_life]
    bad = np.where(failed, rng.random(2 * n) < sensitivity, rng.random(2 * n) < 0.05)
    rows = rng.integers(0, 3, n)
    looks = LifeLooks(
        candidate_life=np.concatenate((life, even)),
        candidate_row=np.concatenate((rows, (rows[::2] + 1) % 3)),
        candidate_probability=np.concatenate((np.where(life % 2 == 0, 0.6, 1.0), np.full(len(even), 0.4))),
        install_min=install,
        install_max=latest,
        candidate_install_min=np.concatenate((install, install[::2] + 5)),
        candidate_install_max=np.concatenate((np.minimum(latest, install + 1), install[::2] + 30)),
        look_life=look_life,
        look_year=look_year,
        look_bad=bad,
        look_sensitivity=sensitivity,
    )
    lines = LineLooks(
        line_year=[2000.0, 2005.0, 2010.0],
        line_bad=[True, False, True],
        member_line=[0, 0, 1, 1, 2, 2, 2],
        member_life=[0, 1, 2, 3, 0, 1, 5],
    )
    return looks, lines


def slope(function, at: FloatArray, step=1e-5):
    return np.array(
        [(function(at + step * e) - function(at - step * e)) / (2 * step) for e in np.eye(len(at))]
    )


def test_derivatives_are_those_of_the_value():
    looks, lines = town(np.random.default_rng(0))
    designs = (np.eye(3), np.ones((3, 1)), np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 0.0]]))
    system = LooksLikelihood(looks, lines, Detection(sensitivity=0.8, specificity=0.95))
    at = np.array([-0.8, -1.2, -1.0, 0.9, -2.0, 0.5])
    found = system.derivatives(linear_predictors(designs, at), designs)
    np.testing.assert_allclose(
        found.gradient, slope(lambda c: system.value(linear_predictors(designs, c)), at), atol=1e-5
    )
    hessian = slope(lambda c: system.derivatives(linear_predictors(designs, c), designs).gradient, at)
    np.testing.assert_allclose(found.hessian.corner, hessian, atol=1e-4)


def test_the_start_share_is_found_again():
    # Known truth: 10 % bad from the start, Weibull(2.5, 60) else; looks of Se 0.8 and Sp 0.95.
    rng = np.random.default_rng(3)
    n = 8000
    failure = np.where(rng.random(n) < 0.10, 0.0, 60 * rng.weibull(2.5, n))
    age = rng.uniform(1, 100, n)
    failed = age > failure
    bad = np.where(failed, rng.random(n) < 0.8, rng.random(n) < 0.05)
    life, row, probability = single_candidates(np.zeros(n, dtype=int))
    looks = LifeLooks(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.zeros(n),
        install_max=np.zeros(n),
        look_life=life,
        look_year=np.round(age),
        look_bad=bad,
    )
    ridges = (Ridge(terms=("start: w0",), mean=-3.0, sd=1.5),)
    fit = LifeRegression(ridges=ridges, detection=Detection(sensitivity=0.8, specificity=0.95)).fit(
        np.ones((1, 1)), np.ones((1, 1)), looks, W=np.ones((1, 1))
    )
    assert fit.status == "ok"
    truth = np.array([-2.5 * np.log(60 / REFERENCE_AGE), np.log(2.5), np.log(0.1 / 0.9)])
    assert np.all(np.abs(fit.coef - truth) < 3 * fit.standard_error)
    at_sixty = fit.failure_probability(60.0, [[1.0]], [[1.0]], [[1.0]])
    assert at_sixty == pytest.approx(0.1 + 0.9 * (1 - np.exp(-1)), abs=0.03)
    assert fit.failure_probability(0.0, [[1.0]], [[1.0]], [[1.0]]) == 0.0

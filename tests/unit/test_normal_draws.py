"""Draws from a normal posterior: of the covariance asked for, and the same whatever rounding does to it."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal

from models.normal import deviations

N_DRAWS = 40_000


def test_the_draws_have_the_covariance_asked_for() -> None:
    covariance = np.array([[2.0, 0.6, 0.0], [0.6, 1.0, -0.3], [0.0, -0.3, 0.5]])
    ours = deviations(covariance, N_DRAWS, np.random.default_rng(1))
    # SciPy's own draws stray as far from the covariance: four of their standard errors bound both.
    theirs = multivariate_normal.rvs(cov=covariance, size=N_DRAWS, random_state=2)
    error = 4 * np.sqrt((covariance**2 + np.outer(np.diag(covariance), np.diag(covariance))) / N_DRAWS)
    assert np.all(np.abs(np.cov(ours.T) - covariance) < error)
    assert np.all(np.abs(np.cov(theirs.T) - covariance) < error)


def test_rounding_does_not_choose_other_draws_where_variances_are_equal() -> None:
    covariance = np.eye(4)
    rounded = covariance + 1e-15 * (np.ones((4, 4)) - np.eye(4))
    draws, others = (deviations(c, 10, np.random.default_rng(3)) for c in (covariance, rounded))
    assert_allclose(draws, others, atol=1e-12)


def test_what_is_known_for_certain_does_not_stray() -> None:
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 0.0]])
    draws = deviations(covariance, 100, np.random.default_rng(4))
    assert_allclose(draws[:, 0], draws[:, 1], atol=1e-7)
    assert_allclose(draws[:, 2], 0.0)

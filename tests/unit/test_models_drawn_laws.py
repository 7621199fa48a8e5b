"""Chances kept by kind and area are those of `FittedLives`, row by row, under every law and in either precision."""

import numpy as np
import pytest

from models.arrow import Arrow
from models.drawn_laws import drawn_laws, survive
from models.fitted_lives import FittedLives, GroupEffects
from models.laws import LAWS
from models.looks import Detection
from models.patterns import Forms

N_ROWS, N_AREAS, N_DRAWS = 40, 3, 7


def fit(law):
    names = ("hazard: all", "hazard: old", "shape: all", "start: all")
    none = np.empty(0)
    return FittedLives(
        status="ok",
        reason="",
        names=names,
        coef=np.array([-1.0, 0.5, 1.0, -3.0]),
        covariance=np.diag([0.04, 0.02, 0.01, 0.1]),
        log_likelihood=0.0,
        log_marginal=0.0,
        prior_sd=np.ones(4),
        converged=True,
        n_lives=0,
        n_looks=0,
        n_bad=0,
        excluded_lives=none.astype(np.int64),
        detection=Detection(),
        n_hazard=2,
        n_shape=1,
        law=law,
        effects=GroupEffects(
            value=np.array([0.3, -0.2, 0.0]),
            standard_error=np.full(N_AREAS, 0.1),
            sd=0.2,
            curvature=Arrow(np.eye(4), np.zeros((N_AREAS, 4)), np.full(N_AREAS, 50.0)),
        ),
    )


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("dtype", "off"), [(np.float64, 1e-12), (np.float32, 2e-6)])
def test_forms_of_many_rows_are_those_of_each_row(law, dtype, off):
    rng = np.random.default_rng(1)
    fitted = fit(law)
    X = np.column_stack((np.ones(N_ROWS), rng.integers(0, 2, N_ROWS)))
    one = np.ones((N_ROWS, 1))
    group = rng.integers(-1, N_AREAS, N_ROWS)
    draws = fitted.draws(N_DRAWS, rng)
    age = rng.uniform(0.1, 120.0, N_ROWS)
    # Every form is half one row's chance, a quarter of another's, and an eighth.
    other = np.roll(np.arange(N_ROWS), 1)
    forms = Forms(
        n_forms=N_ROWS,
        form=np.tile(np.arange(N_ROWS), 2),
        row=np.concatenate((np.arange(N_ROWS), other)),
        age=np.concatenate((age, age)),
        coef=np.repeat([0.5, 0.25], N_ROWS),
        constant=np.full(N_ROWS, 0.125),
    )

    laws = drawn_laws(fitted, X, one, one, draws, group)
    found = survive(forms, laws, dtype)

    sound = [
        1.0 - fitted.failure_probability(age, X[r], one[r], one[r], draws=draws, group=group[r])
        for r in (np.arange(N_ROWS), other)
    ]
    np.testing.assert_allclose(found.T, 0.5 * sound[0] + 0.25 * sound[1] + 0.125, rtol=0, atol=off)
    # Two kinds of covariates are worked, not forty rows.
    assert laws.shape.shape == (2, N_DRAWS)

"""What must hold of every curve and fit, whatever the records."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gammaln, logsumexp

from models.bands import likelihood_ratio_band
from models.families import hazard_value
from models.intervals import check_intervals
from models.npmle import NPMLE
from models.regression import IntervalRegression, likelihood


@st.composite
def records(draw, *, whole=True):
    """Up to 40 records of every kind: left, right, between, exact, with counts."""
    age = st.integers(0, 60) if whole else st.floats(0.0, 60.0, allow_subnormal=False)
    n = draw(st.integers(1, 40))
    first = np.array(draw(st.lists(age, min_size=n, max_size=n)), dtype=float)
    second = np.array(draw(st.lists(age, min_size=n, max_size=n)), dtype=float)
    kind = np.array(draw(st.lists(st.integers(0, 3), min_size=n, max_size=n)))
    left, right = np.minimum(first, second), np.maximum(first, second) + 1.0
    left = np.where(kind == 0, 0.0, left)
    right = np.where(kind == 1, np.inf, np.where(kind == 2, left + 1.0, right))
    left = np.where(kind == 2, right, left)
    weight = np.array(draw(st.lists(st.integers(1, 5), min_size=n, max_size=n)), dtype=float)
    return left, right, weight


@given(records(), st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=100)
def test_curve_is_the_proved_maximum_and_a_distribution(data, random):
    left, right, weight = data
    curve = NPMLE().fit(left, right, weight)
    assert curve.kkt_gap_ < 1e-6
    assert curve.mass_.sum() == pytest.approx(1.0)
    ages = np.linspace(0, 70, 141)
    lower, upper = curve.cdf(ages)
    assert (np.diff(lower) >= 0).all()
    assert (np.diff(upper) >= 0).all()
    assert (lower <= upper).all()
    order = np.array(random.sample(range(len(left)), len(left)))
    shuffled = NPMLE().fit(left[order], right[order], weight[order])
    assert shuffled.log_likelihood_ == pytest.approx(curve.log_likelihood_, abs=1e-7)


@given(records())
@settings(deadline=None, max_examples=60)
def test_weight_two_is_the_row_twice_and_time_may_be_stretched(data):
    left, right, weight = data
    curve = NPMLE().fit(left, right, weight)
    repeated = NPMLE().fit(np.repeat(left, weight.astype(int)), np.repeat(right, weight.astype(int)))
    months = NPMLE().fit(left * 12.5, right * 12.5, weight)
    for other in (repeated, months):
        assert other.log_likelihood_ == pytest.approx(curve.log_likelihood_, abs=1e-6)
    assert len(months.mass_) == len(curve.mass_)


@given(
    st.lists(st.tuples(st.integers(1, 80), st.integers(1, 30), st.integers(0, 30)), min_size=1, max_size=15)
)
@settings(deadline=None, max_examples=100)
def test_band_holds_the_estimate_and_rises_with_level(rows):
    age, looked, failed = np.array(rows, dtype=float).T
    failed = np.minimum(failed, looked)
    wide = likelihood_ratio_band(age, looked, failed, age, 0.99)
    narrow = likelihood_ratio_band(age, looked, failed, age, 0.80)
    assert (narrow.lower <= narrow.value + 1e-9).all()
    assert (narrow.value <= narrow.upper + 1e-9).all()
    assert (wide.lower <= narrow.lower + 1e-9).all()
    assert (wide.upper >= narrow.upper - 1e-9).all()
    curve = NPMLE().fit(np.r_[0 * age, age], np.r_[age, np.inf * age], np.r_[failed, looked - failed])
    at_ages, _ = curve.cdf(age)
    # Where some looks at an age were bad, the curve is determined there and both say the same.
    np.testing.assert_allclose(at_ages[failed > 0], wide.value[failed > 0], atol=1e-9)


def informative(seed):
    rng = np.random.default_rng(seed)
    n = 200
    x = rng.integers(0, 2, n).astype(float)
    lifetime = 50.0 * np.exp(0.3 * x) * rng.weibull(2.5, n)
    age = rng.integers(5, 90, n).astype(float)
    left, right = np.where(lifetime > age, age, 0.0), np.where(lifetime > age, np.inf, age)
    return x, left, right, rng.integers(1, 4, n).astype(float), rng


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal", "gamma", "gompertz"])
@pytest.mark.parametrize("seed", [1, 2])
def test_regression_ignores_order_repeats_and_the_unit_of_time(family, seed):
    x, left, right, weight, rng = informative(seed)
    fit = IntervalRegression(family).fit(x, left, right, weight)
    order, count = rng.permutation(len(x)), weight.astype(int)
    for other in (
        IntervalRegression(family).fit(x[order], left[order], right[order], weight[order]),
        IntervalRegression(family).fit(np.repeat(x, count), np.repeat(left, count), np.repeat(right, count)),
    ):
        np.testing.assert_allclose(other.parameters_, fit.parameters_, atol=1e-6)
        np.testing.assert_allclose(other.covariance_, fit.covariance_, rtol=1e-4, atol=1e-9)
    months = IntervalRegression(family).fit(x, left * 12, right * 12, weight)
    assert months.intercept_ == pytest.approx(fit.intercept_ + np.log(12), abs=1e-6)
    np.testing.assert_allclose(months.coef_, fit.coef_, atol=1e-6)


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal", "gamma", "gompertz"])
def test_gradient_and_hessian_are_differences_of_the_log_likelihood(family):
    # Every kind of record, with late entry, exposure, and covariates of both scale and shape.
    rng = np.random.default_rng(3)
    n = 60
    left, entry = rng.uniform(5, 60, n), rng.uniform(1, 4, n)
    right = left + rng.uniform(1, 50, n)
    entry[:15] = left[:15] = 0.0
    right[15:30] = np.inf
    right[30:45] = left[30:45]
    x, shape_x = rng.normal(size=(2, n))
    fit = IntervalRegression(family)
    records = check_intervals(left, right, rng.integers(1, 4, n), entry)
    rows = fit._rows(x, records, rng.uniform(0.5, 2.0, n), shape_x)
    at, step = np.array([3.8, 0.2, 0.5, 0.1]), 1e-5
    _, gradient, hessian = likelihood(family, rows, at)
    nudges = [likelihood(family, rows, at + sign * nudge) for nudge in np.eye(4) * step for sign in (1, -1)]
    numeric = np.array(
        [(up[0] - down[0]) / (2 * step) for up, down in zip(nudges[::2], nudges[1::2], strict=True)]
    )
    np.testing.assert_allclose(gradient, numeric, rtol=1e-6, atol=1e-5)
    numeric = np.array(
        [(up[1] - down[1]) / (2 * step) for up, down in zip(nudges[::2], nudges[1::2], strict=True)]
    )
    np.testing.assert_allclose(hessian, numeric, rtol=1e-6, atol=1e-6 * np.abs(hessian).max())


def test_exposure_two_is_two_pipes_in_series():
    # S^2: a pipe twice as long fails like the worse of two; checked on a likelihood written out.
    left, right = np.array([0.0, 20.0, 30.0]), np.array([20.0, 40.0, np.inf])
    fit = IntervalRegression().fit(None, left, right, exposure=np.full(3, 2.0))
    alone = IntervalRegression().fit(None, left, right)
    assert fit.log_likelihood_ == pytest.approx(alone.log_likelihood_, abs=1e-8)
    # Weibull: H = 2 (t/s)^k is a Weibull of scale s / 2^(1/k).
    assert fit.scale_ / 2 ** (1 / fit.shape_) == pytest.approx(alone.scale_, rel=1e-6)
    assert fit.shape_ == pytest.approx(alone.shape_, rel=1e-6)


@pytest.mark.parametrize("k", [1, 3, 40, 400])
def test_gamma_hazard_is_that_of_a_sum_of_exponentials_from_birth_to_far_tail(k):
    # Erlang by hand: S = e^-v Σ_{j<k} v^j / j!, and F = e^-v Σ_{j>=k} v^j / j!, summed as logarithms.
    log_v = np.log(np.concatenate((k * np.geomspace(1e-3, 1.0, 15), k + np.geomspace(1, 5000, 15))))
    v = np.exp(log_v)[:, None]
    j = np.arange(k + 3000)
    log_term = j * np.log(v) - v - gammaln(j + 1.0)
    log_survival, log_failed = logsumexp(log_term[:, :k], axis=1), logsumexp(log_term[:, k:], axis=1)
    H = hazard_value("gamma", log_v, np.zeros(30), np.full(30, np.log(k)))
    np.testing.assert_allclose(H[15:], -log_survival[15:], rtol=1e-9)
    # Early chances keep their digits, however small.
    told = log_failed[:15] > -650
    np.testing.assert_allclose(np.log(-np.expm1(-H[:15][told])), log_failed[:15][told], rtol=1e-9, atol=1e-9)

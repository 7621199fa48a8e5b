"""Likelihood intervals: against brute force, by hand, and where records are too few for standard errors."""

import numpy as np
import pytest
from scipy import optimize, stats

from models.errors import ModelInputError
from models.families import FAMILIES
from models.priors import Ridge
from models.profile import age_intervals, chance_intervals, parameter_intervals
from models.quantities import age_of
from models.regression import IntervalRegression

INF = np.inf
#: Loss of log-likelihood allowed at 95 %: half the chi-squared quantile 3.841 (any table).
LOSS = 1.9207294


def records(n=150, seed=2):
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 2, n).astype(float)
    lifetime = 50.0 * np.exp(0.4 * x) * rng.weibull(2.5, n)
    first = rng.uniform(5, 80, n)
    again = first + rng.uniform(1, 30, n)
    left = np.where(lifetime > again, again, np.where(lifetime > first, first, 0.0))
    right = np.where(lifetime > again, INF, np.where(lifetime > first, again, first))
    return x, left, right


LAWS = {
    "weibull": lambda scale, shape: stats.weibull_min(shape, scale=scale),
    "log-logistic": lambda scale, shape: stats.fisk(shape, scale=scale),
    "log-normal": lambda scale, shape: stats.lognorm(1.0 / shape, scale=scale),
    "gamma": lambda scale, shape: stats.gamma(shape, scale=scale),
    "gompertz": lambda scale, shape: stats.gompertz(shape, scale=scale),
}


@pytest.mark.parametrize("family", FAMILIES)
def test_limits_are_where_the_best_fit_that_says_so_is_just_too_bad(family):
    """scipy's laws and optimiser, forced to the limit by a constraint: as bad as allowed, not worse."""
    x, left, right = records()
    fit = IntervalRegression(family).fit(x, left, right)

    def log_likelihood(coef):
        law = LAWS[family](np.exp(coef[0] + coef[1] * x), np.exp(coef[2]))
        return np.log(np.maximum(law.cdf(right) - law.cdf(left), 1e-300)).sum()

    def chance(coef):
        law = LAWS[family](np.exp(coef[0] + coef[1]), np.exp(coef[2]))
        return np.log(-np.log(law.sf(60.0) / law.sf(25.0)))

    found = chance_intervals(fit, 60.0, [1.0], given_survival_to=25.0)
    for limit in (found.lower[0], found.upper[0]):
        wanted = np.log(-np.log1p(-limit))
        forced = optimize.minimize(
            lambda coef: -log_likelihood(coef),
            fit.parameters_,
            constraints={"type": "eq", "fun": lambda coef, wanted=wanted: chance(coef) - wanted},
            options={"ftol": 1e-12, "maxiter": 300},
        )
        assert fit.log_likelihood_ + forced.fun == pytest.approx(LOSS, abs=2e-4)
    assert found.lower[0] < fit.failure_probability(60.0, [1.0], given_survival_to=25.0)[0] < found.upper[0]


@pytest.mark.parametrize("family", FAMILIES)
def test_ages_and_chances_are_two_sides_of_one_interval(family):
    x, left, right = records()
    fit = IntervalRegression(family).fit(x, left, right)
    how = dict(given_survival_to=20.0, exposure=2.0)
    ages = age_intervals(fit, 0.3, [0.0], **how)
    assert ages.lower[0] < fit.quantile(0.3, [0.0], **how)[0] < ages.upper[0]
    # At the lower age a chance of .3 is just still allowed: it is the upper limit there.
    assert chance_intervals(fit, ages.lower[0], [0.0], **how).upper[0] == pytest.approx(0.3, abs=1e-5)
    assert chance_intervals(fit, ages.upper[0], [0.0], **how).lower[0] == pytest.approx(0.3, abs=1e-5)


def test_a_parameter_of_its_own_has_the_interval_of_its_curve():
    # With an intercept alone, log H at the age e^0 = 1 is -shape · log scale: no such luck for others; but the
    # quantile at 1 - 1/e of a Weibull is its scale.
    _, left, right = records()
    fit = IntervalRegression().fit(None, left, right)
    scale, ages = parameter_intervals(fit), age_intervals(fit, -np.expm1(-1.0))
    assert np.exp(scale.lower[0]) == pytest.approx(ages.lower[0], rel=1e-6)
    assert np.exp(scale.upper[0]) == pytest.approx(ages.upper[0], rel=1e-6)


def test_many_records_make_likelihood_and_wald_intervals_alike():
    x, left, right = records(40_000)
    fit = IntervalRegression().fit(x, left, right)
    found = parameter_intervals(fit)
    np.testing.assert_allclose(found.lower, fit.parameters_ - 1.959964 * fit.standard_error_, atol=2e-4)
    np.testing.assert_allclose(found.upper, fit.parameters_ + 1.959964 * fit.standard_error_, atol=2e-4)


def test_units_and_levels():
    x, left, right = records()
    plain = parameter_intervals(IntervalRegression().fit(x, left, right))
    tiny = IntervalRegression().fit(x * 1e-5, left, right)
    assert parameter_intervals(tiny).lower[1] == pytest.approx(plain.lower[1] * 1e5, rel=1e-4)
    fit = IntervalRegression().fit(x, left, right)
    same = chance_intervals(fit, 40.0, [1.0])
    assert chance_intervals(tiny, 40.0, [1e-5]).upper[0] == pytest.approx(same.upper[0], rel=1e-5)
    wide, narrow = parameter_intervals(fit, level=0.99), parameter_intervals(fit, level=0.8)
    assert (wide.lower < narrow.lower).all()
    assert (wide.upper > narrow.upper).all()


def test_without_failures_the_chance_runs_from_nothing_to_what_sound_pipes_allow():
    fit = IntervalRegression().fit(None, [10, 20, 30], [INF] * 3, [5, 5, 5])
    assert fit.status_ == "no_failures"
    found = chance_intervals(fit, [5.0, 30.0, 40.0])
    np.testing.assert_array_equal(found.lower, 0.0)
    # By hand. At the oldest age the curve may be 0 before: 5 · H = LOSS. At age 5 the flattest curve costs
    # least: 15 · H = LOSS. Past the oldest anything goes.
    np.testing.assert_allclose(found.upper, -np.expm1([-LOSS / 15, -LOSS / 5, -INF]), atol=1e-4)
    ages = age_intervals(fit, 0.5)
    assert ages.lower[0] == pytest.approx(30.0, abs=1e-3)
    assert ages.upper[0] == INF
    everything = parameter_intervals(fit)
    assert np.isinf(everything.lower).all()
    assert np.isinf(everything.upper).all()


def test_all_failed_is_the_mirror_image():
    fit = IntervalRegression().fit(None, [0, 0, 0], [10, 20, 30], [5, 5, 5])
    found = chance_intervals(fit, [10.0, 30.0])
    np.testing.assert_array_equal(found.upper, 1.0)
    # At 30 the flattest curve: 15 log F = -LOSS. At 10 it may be 1 soon after: 5 log F = -LOSS.
    np.testing.assert_allclose(found.lower, np.exp([-LOSS / 5, -LOSS / 15]), atol=1e-3)
    ages = age_intervals(fit, 0.5)
    assert ages.lower[0] == 0.0
    assert ages.upper[0] == pytest.approx(10.0, abs=1e-3)


@pytest.mark.parametrize("family", FAMILIES)
def test_one_age_alone_gives_the_binomial_interval_there_and_little_elsewhere(family):
    fit = IntervalRegression(family).fit(None, [0, 40], [40, INF], [6, 14])
    assert fit.status_ == "not_identified"
    found = chance_intervals(fit, [10.0, 40.0, 60.0])

    def loss(p):
        return 6 * np.log(0.3 / p) + 14 * np.log(0.7 / (1 - p)) - LOSS

    lower, upper = optimize.brentq(loss, 1e-3, 0.3), optimize.brentq(loss, 0.3, 0.99)
    assert found.lower[1] == pytest.approx(lower, abs=1e-5)
    assert found.upper[1] == pytest.approx(upper, abs=1e-5)
    # Before, no more than there; after, no less.
    assert found.lower[0] < 1e-6
    assert found.upper[0] < upper + 1e-5
    assert found.lower[2] > lower - 1e-5
    assert found.upper[2] > 0.99


@pytest.mark.parametrize("family", FAMILIES)
def test_a_separating_covariate_has_one_limit(family):
    """Of the 20 with x = 1 none failed: how much longer they live has a lower limit and no upper one."""
    x = np.repeat([0.0, 1.0], 20)
    left = np.r_[np.zeros(10), np.full(10, 30.0), np.full(20, 50.0)]
    right = np.r_[np.linspace(20, 60, 10), np.full(30, INF)]
    fit = IntervalRegression(family).fit(x, left, right)
    assert fit.status_ == "not_identified"
    assert "'x0'" in fit.reason_
    found = parameter_intervals(fit)
    assert 0.0 < found.lower[1] < 1.0
    assert found.upper[1] == INF
    chance = chance_intervals(fit, [50.0, 50.0], [[0.0], [1.0]])
    assert 0.4 < chance.lower[0] < 0.6
    assert chance.upper[0] > 0.98
    assert chance.lower[1] == pytest.approx(0.0, abs=1e-9)
    # By hand: 20 sound at 50 cost 20 H, and the scale of those without x is free to fit the others.
    assert chance.upper[1] == pytest.approx(-np.expm1(-LOSS / 20), abs=1e-6)


def test_priors_narrow_intervals():
    x, left, right = records(40)
    free = IntervalRegression().fit(x, left, right)
    held = IntervalRegression(priors=(Ridge(terms=("x0",), mean=0.4, sd=0.05),)).fit(x, left, right)
    wide, narrow = parameter_intervals(free), parameter_intervals(held)
    assert narrow.upper[1] - narrow.lower[1] < 0.4 * (wide.upper[1] - wide.lower[1])
    # The prior is as good as all there is: its own interval, nearly.
    assert narrow.lower[1] == pytest.approx(0.4 - 1.96 * 0.05, abs=0.03)


@pytest.mark.parametrize(
    ("ask", "text"),
    [
        (lambda fit: chance_intervals(fit, np.nan, [1.0]), "row 0: age is nan; it must be a finite number."),
        (lambda fit: chance_intervals(fit, INF, [1.0]), "row 0: age is inf; it must be a finite number."),
        (lambda fit: age_intervals(fit, [0.5, 1.0], [1.0]), "row 1: probability is 1; it must be"),
        (lambda fit: chance_intervals(fit, [1, 2], [[1.0]] * 3), "3 rows of covariates do not go with"),
        (lambda fit: parameter_intervals(fit, level=95), "level is 95; it must lie between 0 and 1."),
    ],
)
def test_impossible_questions_are_told(ask, text):
    x, left, right = records()
    with pytest.raises(ModelInputError) as caught:
        ask(IntervalRegression().fit(x, left, right))
    assert str(caught.value).startswith(text)


def test_no_records_give_no_interval():
    with pytest.raises(ModelInputError, match=r"there is no interval. There are no records."):
        chance_intervals(IntervalRegression().fit(None, [], []), 40.0)


def test_a_row_of_zeros_has_no_curve_of_its_own():
    x, left, right = records()
    fit = IntervalRegression(fit_intercept=False).fit(np.stack((x, 1 - x), axis=1), left, right)
    with pytest.raises(ModelInputError, match="this row of covariates is all 0"):
        chance_intervals(fit, 40.0, [0.0, 0.0])
    assert chance_intervals(fit, [0.0, 5.0], [1.0, 0.0], given_survival_to=5.0).upper.tolist() == [0.0, 0.0]


def test_a_curve_too_flat_to_get_there_says_the_farthest_age():
    _, left, right = records()
    fit = IntervalRegression().fit(None, left, right)
    row = fit._design_rows(None, None)[0]
    # Shape e^-10: over 60 log years either side of the scale e^4 its cumulative hazard hardly leaves 1.
    flat = np.array([4.0, -10.0])
    assert age_of(fit, row, 1e3, 0.0).value(flat) == 64.0
    assert age_of(fit, row, 1e-9, 0.0).value(flat) == -56.0
    assert age_of(fit, row, 1.0, 0.0).value(flat) == pytest.approx(4.0)

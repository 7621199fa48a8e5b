"""The regression as a scikit-learn estimator: its own checks where they can apply, and what we add to them."""

import pickle

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError
from sklearn.utils.estimator_checks import parametrize_with_checks

from models.errors import ModelInputError
from models.families import FAMILIES
from models.intervals import numbers
from models.priors import Ridge
from models.regression import IntervalRegression

INF = np.inf


class OneOutcome(IntervalRegression):
    """`fit(X, y)` as scikit-learn's checks call it: intervals made of y, so that the rest is ours."""

    def fit(self, X, y):
        outcome = numbers(y, "y").ravel()
        age = 40.0 + np.clip(outcome, -5, 5)
        failed = outcome > np.median(outcome)
        return super().fit(X, np.where(failed, 0.0, age), np.where(failed, age, INF))

    def predict(self, X):
        return self.quantile(0.5, X)

    def score(self, X, y):
        return float(np.mean(self.predict(X)))


# Priors on everything: the checks' records need not tell anything.
HELD = (
    Ridge(terms=("intercept",), mean=4.0, sd=1.0),
    Ridge(terms=("log_shape0",), mean=1.0, sd=0.5),
)
NOT_APPLICABLE = {
    "check_fit1d": "a flat X is one covariate",
    "check_fit2d_predict1d": "a flat X is one row of covariates, or one covariate",
    "check_estimators_empty_data_messages": "no records is a status with its sentence, not an error",
    "check_dtype_object": "text in X is our ModelInputError with its row, where TypeError is asked for",
}


@parametrize_with_checks(
    [OneOutcome(penalty=1.0, priors=HELD)], expected_failed_checks=lambda _: NOT_APPLICABLE
)
@pytest.mark.filterwarnings("ignore::sklearn.exceptions.SkipTestWarning")
def test_scikit_learn_checks(estimator, check):
    check(estimator)


def records(seed=1, n=300):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n, 2))
    lifetime = 50.0 * np.exp(x @ [0.3, -0.2]) * rng.weibull(2.5, n)
    age = rng.uniform(5, 90, n)
    return x, np.where(lifetime > age, age, 0.0), np.where(lifetime > age, INF, age)


def test_clone_and_settings():
    given = IntervalRegression("gamma", penalty="estimate", priors=HELD, max_iterations=7)
    copy = clone(given)
    assert copy.get_params() == given.get_params()
    assert clone(given).set_params(family="gompertz").family == "gompertz"
    with pytest.raises(ValueError, match="Invalid parameter 'shape'"):
        given.set_params(shape=1)


def test_predictions_before_the_fit_are_refused():
    fit = IntervalRegression()
    for ask in (lambda: fit.failure_probability(5.0), lambda: fit.quantile(0.5), lambda: fit.draws(1, None)):
        with pytest.raises(NotFittedError):
            ask()


def test_a_fit_survives_pickling_and_fitting_again():
    x, left, right = records()
    fit = IntervalRegression("log-normal").fit(x, left, right)
    other = pickle.loads(pickle.dumps(fit))
    np.testing.assert_array_equal(other.failure_probability(40.0, x), fit.failure_probability(40.0, x))
    before = fit.parameters_.copy()
    np.testing.assert_array_equal(fit.fit(x, left, right).parameters_, before)


def test_score_is_the_mean_log_likelihood_of_units():
    x, left, right = records()
    weight = np.random.default_rng(2).integers(0, 4, len(x)).astype(float)
    fit = IntervalRegression().fit(x, left, right, weight)
    assert fit.score(x, left, right, weight) == pytest.approx(fit.log_likelihood_ / weight.sum())
    # By hand, for one record of each kind.
    F = fit.failure_probability
    one = x[:1]
    np.testing.assert_allclose(
        fit.log_scores(np.repeat(one, 4, axis=0), [0, 30, 20, 20], [30, INF, 30, 30], entry=[0, 0, 0, 10]),
        np.log(
            np.concatenate(
                (
                    F(30.0, one),
                    1 - F(30.0, one),
                    F(30.0, one) - F(20.0, one),
                    (F(30.0, one) - F(20.0, one)) / (1 - F(10.0, one)),
                )
            )
        ),
    )


def test_draws_are_seeded_and_have_the_covariance_they_say():
    x, left, right = records()
    fit = IntervalRegression().fit(x, left, right)
    drawn = fit.draws(20_000, np.random.default_rng(5))
    np.testing.assert_array_equal(drawn, fit.draws(20_000, np.random.default_rng(5)))
    np.testing.assert_allclose(drawn.mean(axis=0), fit.parameters_, atol=4 * 0.15 / np.sqrt(20_000))
    np.testing.assert_allclose(np.cov(drawn.T), fit.covariance_, atol=0.03 * fit.covariance_.max())


@pytest.mark.parametrize("family", FAMILIES)
def test_quantile_undoes_chance_for_every_draw_row_and_condition(family):
    x, left, right = records()
    fit = IntervalRegression(family).fit(x, left, right)
    draws = fit.draws(3, np.random.default_rng(1))
    since, factor = np.array([0.0, 10.0, 30.0, 50.0]), np.array([1.0, 0.5, 2.0, 3.0])
    how = dict(given_survival_to=since, exposure=factor, parameters=draws)
    age = fit.quantile([0.1, 0.3, 0.5, 0.9], x[:4], **how)
    assert age.shape == (3, 4)
    assert (age > since).all()
    chance = fit.failure_probability(age[1], x[:4], **(how | {"parameters": draws[1]}))
    np.testing.assert_allclose(chance, [0.1, 0.3, 0.5, 0.9], rtol=1e-8)
    rows = fit.failure_probability(40.0, x[:4], **how)
    # One draw alone may be summed in another order than all of them: equal but for rounding.
    np.testing.assert_allclose(
        rows[2], fit.failure_probability(40.0, x[:4], **(how | {"parameters": draws[2]})), rtol=1e-14
    )


def test_a_flat_x_is_one_row_or_the_only_covariate():
    x, left, right = records()
    two = IntervalRegression().fit(x, left, right)
    np.testing.assert_array_equal(two.failure_probability(40, x[0]), two.failure_probability(40, x[:1]))
    one = IntervalRegression().fit(x[:, 0], left, right)
    np.testing.assert_array_equal(
        one.failure_probability(40, x[:5, 0]), one.failure_probability(40, x[:5, :1])
    )


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("unit", [1e-6, 1e6])
def test_units_of_covariates_do_not_matter(family, unit):
    """A pipe's diameter in metres or in micrometres: same fit, same verdict."""
    x, left, right = records()
    fit = IntervalRegression(family).fit(x, left, right)
    other = IntervalRegression(family).fit(x * unit, left, right)
    assert other.status_ == fit.status_ == "ok"
    assert other.log_likelihood_ == pytest.approx(fit.log_likelihood_, abs=1e-8)
    np.testing.assert_allclose(other.coef_ * unit, fit.coef_, rtol=1e-5)
    np.testing.assert_allclose(other.standard_error_[1:3] * unit, fit.standard_error_[1:3], rtol=1e-5)
    np.testing.assert_allclose(
        other.failure_probability(40, x * unit), fit.failure_probability(40, x), rtol=1e-6
    )


def test_years_as_they_are_written_are_a_covariate_like_any_other():
    x, left, right = records()
    year = 1950.0 + 20.0 * x[:, 0]
    centred = IntervalRegression().fit((year - 1950.0) / 20.0, left, right)
    fit = IntervalRegression().fit(year, left, right)
    assert fit.status_ == "ok"
    assert fit.coef_[0] * 20.0 == pytest.approx(centred.coef_[0], rel=1e-5)


# -- pooling -------------------------------------------------------------------------------------------


def material_and_era(seed, spread, n=6000):
    rng = np.random.default_rng(seed)
    effect = rng.normal(0, spread, 24)
    cell = rng.integers(0, 24, n)
    lifetime = 50 * np.exp(effect[cell]) * rng.weibull(3.0, n)
    age = rng.integers(10, 90, n).astype(float)
    return effect, np.eye(24)[cell], np.where(lifetime > age, age, 0), np.where(lifetime > age, INF, age)


@pytest.mark.parametrize("spread", [0.1, 0.5])
@pytest.mark.parametrize(
    "how", [{"penalty": "estimate"}, {"priors": (Ridge(terms=[f"x{i}" for i in range(24)]),)}]
)
def test_pooling_strength_is_found_from_the_records(spread, how):
    # 24 cells of material and era; the spread of 24 drawn effects is itself known to 15 %.
    effect, x, left, right = material_and_era(3, spread)
    fit = IntervalRegression(**how).fit(x, left, right)
    assert fit.status_ == "ok"
    assert fit.has_added_intercept_
    assert fit.prior_sd_[1] == pytest.approx(effect.std(), rel=0.3)
    assert np.isinf(fit.prior_sd_[0])
    assert 2.0 < fit.n_effective_ < 26.0


def test_pooled_cells_are_nearer_the_truth_than_cells_alone_or_all_alike():
    missed = np.zeros(3)
    for seed in range(8):
        effect, x, left, right = material_and_era(seed, 0.15, n=1500)
        pooled = IntervalRegression(penalty="estimate").fit(x, left, right)
        alone = IntervalRegression().fit(x, left, right)
        missed += [np.var(coef - effect) for coef in (pooled.coef_, alone.coef_, np.zeros(24))]
    assert missed[0] < 0.9 * missed[1:].min()


def test_the_estimated_strength_is_the_best_one():
    """Laplace marginal likelihood times the stated prior of the width falls on both sides of the choice."""
    _, x, left, right = material_and_era(4, 0.3, n=1500)
    fit = IntervalRegression(penalty="estimate").fit(x, left, right)
    sd = fit.prior_sd_[1]

    def worth(width):
        held = IntervalRegression(penalty=width**-2.0).fit(x, left, right)
        log_prior = -0.5 * np.sum(held.coef_**2) / width**2 - 24 * np.log(width)
        _, curvature = np.linalg.slogdet(held.covariance_)
        # The prior of the width is Gamma(2, 2): proportional to width · exp(-2 width).
        return held.log_likelihood_ + log_prior + 0.5 * curvature + np.log(width) - 2.0 * width

    assert worth(sd) > max(worth(sd * 0.85), worth(sd * 1.18))


def test_two_records_of_one_material_lean_on_the_rest_here_too():
    _, x, left, right = material_and_era(5, 0.2)
    x = np.vstack((np.hstack((x, np.zeros((len(x), 1)))), np.eye(25)[[24, 24]]))
    left, right = np.append(left, [40.0, 45.0]), np.append(right, [INF, INF])
    fit = IntervalRegression(penalty="estimate").fit(x, left, right)
    assert fit.status_ == "ok"
    # Wide as the spread of materials, and among them.
    assert fit.standard_error_[25] > 3 * np.median(fit.standard_error_[1:25])
    assert 0.75 * fit.prior_sd_[1] < fit.standard_error_[25] < fit.prior_sd_[1]
    assert abs(fit.coef_[24]) < 2 * fit.prior_sd_[1]


def test_effective_parameters_and_aic():
    x, left, right = records()
    free = IntervalRegression().fit(x, left, right)
    assert free.n_effective_ == 4.0
    assert free.aic_ == pytest.approx(-2 * free.log_likelihood_ + 8.0)
    held = IntervalRegression(penalty=1e8).fit(x, left, right)
    assert held.n_effective_ == pytest.approx(2.0, abs=1e-3)
    np.testing.assert_allclose(held.coef_, 0.0, atol=1e-5)


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"family": "cauchy"}, "family is 'cauchy'; choose one of weibull, "),
        ({"penalty": -1.0}, "penalty is -1.0; it must be 0 or more."),
        ({"penalty": np.nan}, "penalty is nan; it must be 0 or more."),
        ({"penalty": "best"}, "penalty is 'best'; it must be a number or 'estimate'."),
        (
            {"priors": (Ridge(terms=("x7",), sd=1.0),)},
            "a prior names 'x7', which is not a term of this model.",
        ),
    ],
)
def test_impossible_settings_are_told(settings, text):
    x, left, right = records()
    with pytest.raises(ModelInputError) as caught:
        IntervalRegression(**settings).fit(x, left, right)
    assert str(caught.value).startswith(text)

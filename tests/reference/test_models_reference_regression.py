"""Interval regression against R survreg, lifelines, and direct likelihoods.

Sources and tolerances: the .md beside each data file.
"""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from models.families import FAMILIES
from models.profile import chance_intervals
from models.regression import IntervalRegression

GROUPS = [
    ("turbine", "all"),
    ("part_cracking", "all"),
    ("cosmesis", "RT"),
    ("cosmesis", "RCT"),
    ("cosmesis", "ALL"),
    ("mice", "ce"),
    ("mice", "ge"),
    ("mice", "ALL"),
]


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal"])
@pytest.mark.parametrize(("name", "group"), GROUPS)
def test_curve_without_covariates_equals_survreg(reference_case, name, group, family):
    case = reference_case(name)
    expected = case.answers["groups"][group]["parametric"][family]
    fit = IntervalRegression(family).fit(None, *case.rows(group))
    assert fit.status_ == "ok"
    assert fit.log_likelihood_ == pytest.approx(expected["loglik"], rel=1e-6)
    assert fit.intercept_ == pytest.approx(expected["mu"], rel=5e-5)
    assert 1.0 / fit.shape_ == pytest.approx(expected["sigma"], rel=5e-5)
    assert fit.standard_error_[0] == pytest.approx(expected["se_mu"], rel=1e-4)
    # By the delta rule: sigma = exp(-log shape).
    assert fit.standard_error_[1] / fit.shape_ == pytest.approx(expected["se_sigma"], rel=1e-4)


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal"])
@pytest.mark.parametrize(
    ("name", "group", "term"), [("cosmesis", "RT", "groupRT"), ("mice", "ge", "groupge")]
)
def test_two_groups_equal_survreg(reference_case, name, group, term, family):
    # Finkelstein & Wolfe 1985; Hoel & Walburg 1972. Answers of R survreg on an indicator of one of the groups.
    case = reference_case(name)
    expected = case.answers["regression_on_group"][family]
    is_one = np.array([row["group"] == group for row in case.table], dtype=float)
    fit = IntervalRegression(family).fit(is_one, *case.rows("ALL"))
    assert fit.log_likelihood_ == pytest.approx(expected["loglik"], rel=1e-6)
    assert fit.intercept_ == pytest.approx(expected["coef"]["(Intercept)"], rel=5e-5)
    assert fit.coef_[0] == pytest.approx(expected["coef"][term], rel=5e-5)
    assert 1.0 / fit.shape_ == pytest.approx(expected["coef"]["scale"], rel=5e-5)
    assert fit.standard_error_[1] == pytest.approx(expected["se"][term], rel=1e-4)


def test_intercept_column_in_x_is_not_added_twice(reference_case):
    left, right, weight = reference_case("cosmesis").rows("ALL")
    alone = IntervalRegression().fit(None, left, right, weight)
    held = IntervalRegression().fit(np.ones((len(left), 1)), left, right, weight)
    assert held.coef_[0] == pytest.approx(alone.intercept_, abs=1e-8)
    assert held.log_likelihood_ == pytest.approx(alone.log_likelihood_, abs=1e-9)


def test_weibull_equals_lifelines_run_here(reference_case):
    # lifelines WeibullAFTFitter on the same intervals, to 4 digits.
    import lifelines

    case = reference_case("cosmesis")
    left, right, weight = case.rows("ALL")
    treated = np.array([row["group"] == "RT" for row in case.table], dtype=float)
    frame = pd.DataFrame({"left": left, "right": right, "weight": weight, "treated": treated})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = lifelines.WeibullAFTFitter().fit_interval_censoring(
            frame, "left", "right", weights_col="weight", formula="treated"
        )
    fit = IntervalRegression().fit(treated, left, right, weight)
    assert fit.log_likelihood_ == pytest.approx(other.log_likelihood_, rel=1e-6)
    assert fit.intercept_ == pytest.approx(other.params_["lambda_", "Intercept"], rel=5e-5)
    assert fit.coef_[0] == pytest.approx(other.params_["lambda_", "treated"], rel=1e-4)
    assert fit.log_shape_[0] == pytest.approx(other.params_["rho_", "Intercept"], rel=5e-5)


@pytest.mark.parametrize("answer", ["scipy direct", "lifelines 0.30.3 AFT entry_col"])
def test_late_entry_equals_other_programs(reference_case, answer):
    case = reference_case("truncated")
    expected = case.answers["answers"][answer]
    left, right, entry, x = (case.column(name) for name in ("left", "right", "entry", "x"))
    fit = IntervalRegression().fit(x, left, right, entry=entry)
    assert fit.log_likelihood_ == pytest.approx(expected["loglik"], rel=1e-6)
    assert fit.intercept_ == pytest.approx(expected["intercept"], rel=5e-5)
    assert fit.coef_[0] == pytest.approx(expected["beta_x"], rel=5e-5)
    assert fit.shape_ == pytest.approx(expected["shape"], rel=5e-5)


def test_leaving_late_entry_out_gives_the_known_wrong_answer(reference_case):
    case = reference_case("truncated")
    expected = case.answers["answers"]["scipy direct IGNORING truncation"]
    fit = IntervalRegression().fit(case.column("x"), case.column("left"), case.column("right"))
    assert fit.shape_ == pytest.approx(expected["shape"], rel=5e-5)
    assert fit.coef_[0] == pytest.approx(expected["beta_x"], rel=5e-5)


def scipy_law(family, scale, shape):
    """The same law in scipy.stats, a parametrisation made by others."""
    return {
        "weibull": stats.weibull_min(shape, scale=scale),
        "log-logistic": stats.fisk(shape, scale=scale),
        "log-normal": stats.lognorm(1.0 / shape, scale=scale),
        "gamma": stats.gamma(shape, scale=scale),
        "gompertz": stats.gompertz(shape, scale=scale),
    }[family]


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal", "gamma", "gompertz"])
def test_log_likelihood_is_that_of_scipy_laws_and_no_neighbour_is_better(reference_case, family):
    left, right, weight = reference_case("cosmesis").rows("RT")
    # An exact age as well, so that the density is checked.
    left, right, weight = np.append(left, 20.0), np.append(right, 20.0), np.append(weight, 2.0)
    fit = IntervalRegression(family).fit(None, left, right, weight)

    def log_likelihood(scale, shape):
        law = scipy_law(family, scale, shape)
        inside = np.where(left < right, law.cdf(right) - law.cdf(left), law.pdf(left))
        return float(weight @ np.log(inside))

    assert log_likelihood(fit.scale_, fit.shape_) == pytest.approx(fit.log_likelihood_, rel=1e-9)
    for scale, shape in ((1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99)):
        assert log_likelihood(fit.scale_ * scale, fit.shape_ * shape) < fit.log_likelihood_


@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal", "gamma", "gompertz"])
def test_predictions_are_those_of_scipy_laws(reference_case, family):
    fit = IntervalRegression(family).fit(None, *reference_case("turbine").rows("all"))
    law = scipy_law(family, fit.scale_, fit.shape_)
    ages = np.array([0.0, 5.0, 20.0, 40.0, 60.0])
    np.testing.assert_allclose(fit.failure_probability(ages), law.cdf(ages), atol=1e-12)
    given = fit.failure_probability(ages + 10.0, given_survival_to=ages)
    np.testing.assert_allclose(given, 1 - law.sf(ages + 10.0) / law.sf(ages), atol=1e-10)
    tripled = fit.failure_probability(ages, exposure=3.0)
    np.testing.assert_allclose(tripled, 1 - law.sf(ages) ** 3, atol=1e-12)
    assert fit.quantile(0.3)[0] == pytest.approx(law.ppf(0.3), rel=1e-9)


def test_part_cracking_has_the_weibull_of_the_book(reference_case):
    # Nelson 1982, Applied Life Data Analysis (from memory): 71.69 months, shape 1.485.
    fit = IntervalRegression().fit(None, *reference_case("part_cracking").rows("all"))
    assert fit.scale_ / 30.4375 == pytest.approx(71.69, abs=0.005)
    assert fit.shape_ == pytest.approx(1.485, abs=0.0005)


# Turbine wheels (Nelson 1982; Meeker & Escobar 1998), Weibull F at 20, 30, 40 hundred hours.
WALD_ON_LOG_HAZARD = [(0.1076717, 0.1955495), (0.2679301, 0.3712512), (0.4342773, 0.588676)]
LIKELIHOOD_RATIO = [(0.10537, 0.19195), (0.26633, 0.36938), (0.43189, 0.58615)]


def test_chance_intervals_equal_those_of_another_program(reference_case):
    # surpyval 0.25, cb(method="lr"), which gives five decimals.
    fit = IntervalRegression().fit(None, *reference_case("turbine").rows("all"))
    found = chance_intervals(fit, [20.0, 30.0, 40.0])
    np.testing.assert_allclose(np.stack((found.lower, found.upper), axis=1), LIKELIHOOD_RATIO, atol=6e-6)


def test_standard_errors_of_predictions_equal_those_of_survreg(reference_case):
    # By hand from R survreg's vcov (surpyval's default agrees): log cumulative hazard ± 1.96 se.
    fit = IntervalRegression().fit(None, *reference_case("turbine").rows("all"))
    log_age = np.log([20.0, 30.0, 40.0])
    # log H = k (log t - log scale), by log scale and by log k.
    slope = np.stack((np.full(3, -fit.shape_), fit.shape_ * (log_age - fit.intercept_)))
    centre, error = slope[1], np.sqrt(np.einsum("in,ij,jn->n", slope, fit.covariance_, slope))
    limits = -np.expm1(-np.exp(centre[:, None] + 1.959964 * error[:, None] * np.array([-1, 1])))
    np.testing.assert_allclose(limits, WALD_ON_LOG_HAZARD, atol=1e-6)


def test_quantiles_equal_those_of_survreg(reference_case):
    # R predict.survreg(type="quantile", p=c(.1, .5)), with standard errors.
    fit = IntervalRegression().fit(None, *reference_case("turbine").rows("all"))
    np.testing.assert_allclose(fit.quantile([0.1, 0.5]), [16.62846, 39.52547], rtol=1e-6)
    drawn = fit.quantile([0.1, 0.5], parameters=fit.draws(200_000, np.random.default_rng(1)))
    np.testing.assert_allclose(drawn.std(axis=0), [1.584336, 2.03124], rtol=0.01)


@pytest.mark.parametrize("family", FAMILIES)
def test_late_entry_of_every_family_is_that_of_scipy_laws(reference_case, family):
    """On the simulated records: log of the chance of (L, R] given survival to entry, and its maximum."""
    case = reference_case("truncated")
    left, right, entry = (case.column(name) for name in ("left", "right", "entry"))
    fit = IntervalRegression(family).fit(None, left, right, entry=entry)
    assert fit.status_ == "ok"

    def log_likelihood(log_scale, log_shape):
        law = scipy_law(family, np.exp(log_scale), np.exp(log_shape))
        seen = law.sf(np.maximum(left, entry)) - law.sf(right)
        return float(np.log(seen / law.sf(entry)).sum())

    assert log_likelihood(*fit.parameters_) == pytest.approx(fit.log_likelihood_, rel=1e-9)
    for nudge in np.vstack((np.eye(2), -np.eye(2))) * 0.02:
        assert log_likelihood(*(fit.parameters_ + nudge)) < fit.log_likelihood_


@pytest.mark.parametrize(("family", "law"), [("weibull", "WeibullAFT"), ("log-normal", "LogNormalAFT")])
def test_late_entry_with_a_covariate_equals_surpyval_run_here(reference_case, family, law):
    import surpyval

    case = reference_case("truncated")
    left, right, entry, x = (case.column(name) for name in ("left", "right", "entry", "x"))
    fit = IntervalRegression(family).fit(x, left, right, entry=entry)
    left = np.maximum(left, entry)
    kind = np.where(np.isinf(right), 1, 2)
    ends = np.stack((left, np.where(kind == 1, left, right)), axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = getattr(surpyval, law).fit(ends, x[:, None], c=kind, tl=entry)
    assert fit.log_likelihood_ == pytest.approx(-float(other.neg_ll()), rel=1e-6)
    # Its coefficients have the other sign.
    assert fit.coef_[0] == pytest.approx(-float(other.params[-1]), rel=1e-4)

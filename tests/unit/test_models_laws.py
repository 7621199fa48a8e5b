"""Laws of life: against scipy's formulas, and found again where records follow them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.backtest import lead_of
from models.errors import ModelInputError
from models.law_choice import choose_law
from models.laws import (
    LAWS,
    REFERENCE_AGE,
    code_of,
    cumulative_hazard,
    hazard_in_standard_form,
    link,
    standard_form,
    time_scale,
)
from models.lives import LifeLooks, LifeRegression, Ridge, single_candidates
from models.renewal_kernels import _age, _hazard

AGES = np.array([0.5, 5.0, 20.0, 40.0, 75.0, 110.0])
#: Level at 40 years and log shape.
LEVEL, LOG_SHAPE = -0.7, 0.9
K = np.exp(LOG_SHAPE)


def of_scipy(law: str, level: float = LEVEL, k: float = K):
    """The same law as scipy has it (its own parameters, worked out by hand from S(40))."""
    if law == "weibull":
        # H(40) = (40 / scale)^k = e^level.
        return stats.weibull_min(k, scale=REFERENCE_AGE * np.exp(-level / k))
    if law == "log-logistic":
        # Fisk: odds (t / scale)^k, which are e^level at 40.
        return stats.fisk(k, scale=REFERENCE_AGE * np.exp(-level / k))
    # Gompertz: S = exp(-c (e^(t / scale) - 1)), scale = 40 / k, and c (e^k - 1) = e^level.
    return stats.gompertz(np.exp(level) / np.expm1(k), scale=REFERENCE_AGE / k)


@pytest.mark.parametrize("law", LAWS)
def test_survival_is_that_of_scipy_in_every_form(law):
    expected, code = of_scipy(law).sf(AGES), code_of(law)
    log_age = np.log(AGES / REFERENCE_AGE)
    np.testing.assert_allclose(
        np.exp(-cumulative_hazard(code, LEVEL, LOG_SHAPE, log_age)), expected, rtol=1e-12
    )
    log_scale, shape = standard_form(law, np.array([LEVEL]), np.array([LOG_SHAPE]))
    np.testing.assert_allclose(
        np.exp(-hazard_in_standard_form(law, AGES, log_scale, shape)), expected, rtol=1e-12
    )
    compiled = np.array([_hazard(code, age, log_scale[0], shape[0]) for age in AGES])
    np.testing.assert_allclose(np.exp(-compiled), expected, rtol=1e-12)
    # The age at which a cumulative hazard is reached is the quantile.
    back = [_age(code, hazard, log_scale[0], shape[0]) for hazard in compiled]
    np.testing.assert_allclose(back, AGES, rtol=1e-10)
    # Nothing has failed at age 0.
    assert cumulative_hazard(code, LEVEL, LOG_SHAPE, np.array([-np.inf])) == 0.0
    assert hazard_in_standard_form(law, [-1.0, 0.0], log_scale, shape) == pytest.approx([0.0, 0.0])


@pytest.mark.parametrize("law", LAWS)
def test_derivatives_are_those_of_finite_differences(law):
    rng, step, code = np.random.default_rng(1), 1e-6, code_of(law)
    log_age, log_shape = np.log(rng.uniform(0.5, 120, 60) / 40), rng.normal(0.7, 0.5, 60)
    t, up, down = (time_scale(code, log_age, log_shape + s) for s in (0, step, -step))
    np.testing.assert_allclose((up.value - down.value) / (2 * step), t.slope, rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose((up.slope - down.slope) / (2 * step), t.bend, rtol=1e-6, atol=1e-8)
    u = rng.uniform(-6, 3, 60)
    g, up, down = (link(code, u + s) for s in (0, step, -step))
    np.testing.assert_allclose((up.value - down.value) / (2 * step), g.slope, rtol=1e-6)
    # bend is G''/G' - G'.
    bend = (up.slope - down.slope) / (2 * step) / g.slope - g.slope
    np.testing.assert_allclose(bend, g.bend, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_extreme_predictors_stay_within_0_and_1(law):
    level, log_shape, log_age = (
        grid.ravel() for grid in np.meshgrid([-40.0, 0.0, 40.0], [-9.0, 1.0, 9.0], [-9.0, -1e-9, 0.0, 1.5])
    )
    sound = np.exp(-cumulative_hazard(code_of(law), level, log_shape, log_age))
    assert ((sound >= 0) & (sound <= 1)).all()


def test_an_unknown_law_is_named():
    with pytest.raises(
        ModelInputError, match="law is 'cauchy'; choose one of weibull, log-logistic, gompertz"
    ):
        LifeRegression(law="cauchy").fit([[1.0]], [[1.0]], looks_at(np.array([50.0]), np.array([True])))


def looks_at(age, failed) -> LifeLooks:
    """One look at each of lives that all follow row 0."""
    n = len(age)
    life, row, probability = single_candidates(np.zeros(n, dtype=int))
    return LifeLooks(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.zeros(n),
        install_max=np.zeros(n),
        look_life=np.arange(n),
        look_year=age,
        look_bad=failed,
    )


PRIORS = (
    Ridge(terms=("hazard: all",), mean=-1.5, sd=2.0),
    Ridge(terms=("shape: all",), mean=0.7, sd=0.5),
)


def fit(law, age, failed):
    return LifeRegression(ridges=PRIORS, law=law).fit(
        [[1.0]], [[1.0]], looks_at(age, failed), X_names=["all"], Z_names=["all"]
    )


def town(law, n, rng):
    """Looks at ages of 5 to 110 years at lives of a law, in 40 areas; whole years, so that lives share the work."""
    age = np.round(rng.uniform(5, 110, n))
    failed = of_scipy(law).rvs(n, random_state=rng) <= age
    return age, failed, rng.integers(0, 40, n)


@pytest.mark.parametrize("truth", LAWS)
def test_the_law_that_records_follow_is_recovered_and_chosen(truth):
    rng = np.random.default_rng(11)
    age, failed, area = town(truth, 24_000, rng)
    is_out = area >= 20
    fits = {law: fit(law, age[~is_out], failed[~is_out]) for law in LAWS}
    assert {each.status for each in fits.values()} == {"ok"}
    assert {law: each.law for law, each in fits.items()} == {law: law for law in LAWS}
    # Its parameters lie within four standard errors of the truth, a chance of 1 in 8,000 each.
    away = (fits[truth].coef - [LEVEL, LOG_SHAPE]) / fits[truth].standard_error
    assert np.abs(away).max() < 4
    chances = {law: each.failure_probability(age[is_out], [[1.0]], [[1.0]]) for law, each in fits.items()}
    evidence = {law: each.log_marginal for law, each in fits.items()}
    found = choose_law(chances, evidence, failed[is_out], area[is_out])
    assert found.law == found.best == truth
    # Each other law is off by more at some age between 5 and 110 than the true one is.
    ages = np.arange(5.0, 111.0)
    truly = of_scipy(truth).cdf(ages)
    worst = {
        law: np.abs(each.failure_probability(ages, [[1.0]], [[1.0]]) - truly).max()
        for law, each in fits.items()
    }
    assert worst[truth] < 0.015
    assert min(off for law, off in worst.items() if law != truth) > 1.5 * worst[truth]


def test_where_records_are_log_logistic_the_weibull_is_worse_and_its_curve_biased():
    # Known truth. Bias is the mean over towns of curve less truth; its error is their spread.
    rng = np.random.default_rng(4)
    ages = np.array([20.0, 60.0, 100.0])
    off = {"weibull": [], "log-logistic": []}
    behind = []
    for _ in range(12):
        age, failed, area = town("log-logistic", 6_000, rng)
        is_out = area >= 20
        chances = {}
        for law, told in off.items():
            fitted = fit(law, age[~is_out], failed[~is_out])
            told.append(
                fitted.failure_probability(ages, [[1.0]], [[1.0]]) - of_scipy("log-logistic").cdf(ages)
            )
            chances[law] = fitted.failure_probability(age[is_out], [[1.0]], [[1.0]])
        behind.append(lead_of(chances["log-logistic"], chances["weibull"], failed[is_out], area[is_out]).by)
    error = {law: np.std(told, axis=0, ddof=1) / np.sqrt(len(told)) for law, told in off.items()}
    bias = {law: np.mean(told, axis=0) for law, told in off.items()}
    assert (np.abs(bias["log-logistic"]) < 4 * error["log-logistic"]).all()
    assert (np.abs(bias["weibull"]) > 6 * error["weibull"]).sum() >= 2
    assert np.mean(behind) > 4 * np.std(behind, ddof=1) / np.sqrt(len(behind))


#: Log marginal likelihoods that speak for the other law.
CLEAR = {"weibull": -100.0, "gompertz": -90.0}


def test_the_weibull_is_kept_where_another_is_ahead_by_no_more_than_chance():
    rng = np.random.default_rng(2)
    bad, group = (rng.random(400) < 0.5).astype(int), np.arange(400) % 20
    chance = rng.uniform(0.3, 0.7, 400)
    # Better in eleven areas and worse in nine.
    slightly = np.clip(chance + np.where(bad == 1, 0.02, -0.02) * np.where(group < 11, 1, -1), 0.01, 0.99)
    found = choose_law({"weibull": chance, "gompertz": slightly}, CLEAR, bad, group)
    ahead = found.score_of("gompertz").ahead
    assert found.best == "gompertz"
    assert 0 < -ahead.by < ahead.error
    assert found.law == "weibull"
    clearly = np.clip(chance + np.where(bad == 1, 0.05, -0.05), 0.01, 0.99)
    both = {"weibull": chance, "gompertz": clearly}
    assert choose_law(both, CLEAR, bad, group).law == "gompertz"
    # One group says nothing of the error, and looks that were fitted must bear it out.
    assert choose_law(both, CLEAR, bad, np.zeros(400)).law == "weibull"
    for evidence in (-98.0, -103.0, np.nan):
        assert choose_law(both, {"weibull": -100.0, "gompertz": evidence}, bad, group).law == "weibull"


def test_a_fit_that_begins_at_another_law_comes_to_the_same():
    rng = np.random.default_rng(6)
    age, failed, _ = town("log-logistic", 3_000, rng)
    weibull, own = fit("weibull", age, failed), fit("log-logistic", age, failed)
    near = LifeRegression(ridges=PRIORS, law="log-logistic").fit(
        [[1.0]], [[1.0]], looks_at(age, failed), X_names=["all"], Z_names=["all"], near=weibull, near_rounds=4
    )
    np.testing.assert_allclose(near.coef, own.coef, atol=1e-6)

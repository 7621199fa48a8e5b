"""Regression on simulated looks with known truth: unbiased, and intervals that hold it as often as they say.

Lives, looks and late entry are drawn here with numpy alone. Marked slow; under a minute in all.
"""

import numpy as np
import pytest
from scipy import stats

from models.profile import chance_intervals, parameter_intervals
from models.regression import IntervalRegression

pytestmark = pytest.mark.slow
INF = np.inf
FAMILIES = ("weibull", "log-logistic", "log-normal", "gamma", "gompertz")
#: Log scale, effect of x, log shape.
TRUTH = {
    "weibull": (np.log(55.0), 0.3, np.log(2.5)),
    "log-logistic": (np.log(50.0), 0.3, np.log(3.0)),
    "log-normal": (np.log(50.0), 0.3, np.log(2.0)),
    "gamma": (np.log(20.0), 0.3, np.log(2.5)),
    "gompertz": (np.log(25.0), 0.3, np.log(0.2)),
}
N = 500
AT_AGE, AT_X = 50.0, 1.0


def lifetimes(rng, family, x):
    """Ages at failure by the textbook recipe of each law."""
    log_scale, effect, log_shape = TRUTH[family]
    scale, k = np.exp(log_scale + effect * x), np.exp(log_shape)
    n = len(x)
    standard = {
        "weibull": lambda: rng.weibull(k, n),
        "log-logistic": lambda: (1.0 / rng.random(n) - 1.0) ** (1.0 / k),
        "log-normal": lambda: np.exp(rng.normal(size=n) / k),
        "gamma": lambda: rng.gamma(k, size=n),
        "gompertz": lambda: np.log1p(rng.exponential(size=n) / k),
    }[family]()
    return scale * standard


def true_chance(family):
    log_scale, effect, log_shape = TRUTH[family]
    scale, k = np.exp(log_scale + effect * AT_X), np.exp(log_shape)
    return {
        "weibull": stats.weibull_min(k, scale=scale),
        "log-logistic": stats.fisk(k, scale=scale),
        "log-normal": stats.lognorm(1.0 / k, scale=scale),
        "gamma": stats.gamma(k, scale=scale),
        "gompertz": stats.gompertz(k, scale=scale),
    }[family].cdf(AT_AGE)


def look_at(rng, family):
    """500 pipes still sound when they came on record at 0 to 25 years, looked at once or twice since."""
    x, entry = rng.integers(0, 2, 3 * N).astype(float), rng.uniform(0, 25, 3 * N)
    life = lifetimes(rng, family, x)
    seen = np.flatnonzero(life > entry)[:N]
    x, entry, life = x[seen], entry[seen], life[seen]
    first = entry + rng.uniform(0, 60, N)
    second = np.where(rng.random(N) < 0.3, first + rng.uniform(1, 15, N), first)
    left = np.where(life > second, second, np.where(life > first, first, entry))
    right = np.where(life > second, INF, np.where(life > first, second, first))
    return x, left, right, entry


def binomial_tolerance(level, repetitions, errors=3.0):
    return errors * np.sqrt(level * (1.0 - level) / repetitions)


@pytest.mark.parametrize("family", FAMILIES)
def test_estimates_are_unbiased_and_wald_intervals_cover(family):
    repetitions, rng = (150 if family == "gamma" else 400), np.random.default_rng(21)
    estimates, errors = [], []
    for _ in range(repetitions):
        x, left, right, entry = look_at(rng, family)
        fit = IntervalRegression(family).fit(x, left, right, entry=entry)
        assert fit.status_ == "ok"
        estimates.append(fit.parameters_)
        errors.append(fit.standard_error_)
    away, errors = np.array(estimates) - TRUTH[family], np.array(errors)
    # Maximum likelihood is off by order 1/n: a tenth of a standard error is granted for it at n = 500.
    monte_carlo = away.std(axis=0) / np.sqrt(repetitions)
    assert (np.abs(away.mean(axis=0)) < 3.0 * monte_carlo + 0.1 * errors.mean(axis=0)).all()
    # Standard errors are the spread of estimates: known to 1 / sqrt(2 · repetitions), three of it granted.
    spread = away.std(axis=0) / np.sqrt((errors**2).mean(axis=0))
    assert (np.abs(spread - 1.0) < 3.0 / np.sqrt(2.0 * repetitions) + 0.03).all(), spread
    coverage = (np.abs(away) < 1.959964 * errors).mean(axis=0)
    # Of 400 at .95: .033 either side; of 150 (gamma): .053.
    assert (np.abs(coverage - 0.95) < binomial_tolerance(0.95, repetitions)).all(), coverage


@pytest.mark.parametrize("family", FAMILIES)
def test_likelihood_intervals_cover(family):
    repetitions, rng = (40 if family == "gamma" else 200), np.random.default_rng(22)
    truth, chance = np.array(TRUTH[family]), true_chance(family)
    held = []
    for _ in range(repetitions):
        x, left, right, entry = look_at(rng, family)
        fit = IntervalRegression(family).fit(x, left, right, entry=entry)
        found, at = parameter_intervals(fit), chance_intervals(fit, AT_AGE, [AT_X])
        held.append([*((found.lower < truth) & (truth < found.upper)), at.lower[0] < chance < at.upper[0]])
    # Of 200 at .95: .046 either side; of 40 (gamma, ten times slower): .103.
    coverage = np.mean(held, axis=0)
    assert (np.abs(coverage - 0.95) < binomial_tolerance(0.95, repetitions)).all(), coverage


def test_leaving_late_entry_out_is_wrong_by_many_standard_errors():
    rng, scores = np.random.default_rng(23), []
    for _ in range(30):
        x, left, right, _ = look_at(rng, "weibull")
        fit = IntervalRegression().fit(x, left, right)
        scores.append((fit.parameters_ - TRUTH["weibull"]) / fit.standard_error_)
    assert np.abs(np.mean(scores, axis=0)).max() > 1.0


def test_exposure_and_counts_are_recovered():
    """Lines of 1 to 4 joints fail at the first of them; looks at like lines are counted."""
    rng, scores = np.random.default_rng(24), []
    truth = np.log([90.0, 2.5])
    for _ in range(150):
        joints = rng.integers(1, 5, 1500)
        life = 90.0 * np.array([rng.weibull(2.5, m).min() for m in joints])
        age = np.round(rng.uniform(5, 90, 1500))
        kind, weight = np.unique(np.stack((joints, age, life <= age)), axis=1, return_counts=True)
        left, right = np.where(kind[2], 0.0, kind[1]), np.where(kind[2], kind[1], INF)
        fit = IntervalRegression().fit(None, left, right, weight, exposure=kind[0])
        scores.append((fit.parameters_ - truth) / fit.standard_error_)
    coverage = (np.abs(scores) < 1.959964).mean(axis=0)
    assert (np.abs(coverage - 0.95) < binomial_tolerance(0.95, 150)).all(), coverage
    assert (np.abs(np.mean(scores, axis=0)) < 3.0 / np.sqrt(150) + 0.1).all()

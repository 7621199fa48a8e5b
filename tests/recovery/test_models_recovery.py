"""Simulated looks with a known truth: estimates near it, ranges that hold it as often as they say.

Simulation here draws failure ages and calls directly; it shares no code with `models`.
"""

import numpy as np
import pytest

from models.atoms import REFERENCE_AGE
from models.bands import likelihood_ratio_band
from models.interval_bands import first_look_band, interval_band
from models.lives import Detection, LifeLooks, LifeRegression, LineLooks, Ridge
from models.npmle import NPMLE
from models.regression import IntervalRegression
from models.series import series_chances

LOG_SCALE, LOG_SHAPE = np.log([45.0, 70.0, 110.0]), np.log(3.0)
MATERIAL_SHARE = np.array([0.4, 0.4, 0.2])
X, Z = np.eye(3), np.ones((3, 1))
TRUTH = np.array([*(np.exp(LOG_SHAPE) * (np.log(REFERENCE_AGE) - LOG_SCALE)), LOG_SHAPE])


def town(rng, n, *, detection, unknown=0.3, ranged=0.3, on_lines=0.3):
    """Lives with looks: some of unknown material, some with an install range, some under line verdicts."""
    material = rng.choice(3, n, p=MATERIAL_SHARE)
    lifetime = np.exp(LOG_SCALE[material]) * rng.weibull(np.exp(LOG_SHAPE), n)
    width = np.where(rng.random(n) < ranged, 15.0, 0.0)
    earliest = rng.integers(1920, 1985, n).astype(float)
    install = earliest + width * rng.random(n)
    hidden = rng.random(n) < unknown
    known_life, hidden_life = np.flatnonzero(~hidden), np.flatnonzero(hidden)

    def call(failed):
        return np.where(
            failed,
            rng.random(failed.shape) < detection.sensitivity,
            rng.random(failed.shape) > detection.specificity,
        )

    n_lines = int(n * on_lines) // 3
    members = np.arange(3 * n_lines).reshape(n_lines, 3)
    date = rng.integers(1990, 2025, n_lines).astype(float)
    line_failed = (date[:, None] - install[members] > lifetime[members]).any(axis=1)
    # Segments of one line were laid together: same quantile of their ranges.
    own = np.repeat(np.arange(3 * n_lines, n), rng.integers(1, 3, n - 3 * n_lines))
    year = rng.integers(1990, 2025, len(own)).astype(float)
    looks = LifeLooks(
        candidate_life=np.r_[known_life, np.repeat(hidden_life, 3)],
        candidate_row=np.r_[material[known_life], np.tile([0, 1, 2], len(hidden_life))],
        candidate_probability=np.r_[np.ones(len(known_life)), np.tile(MATERIAL_SHARE, len(hidden_life))],
        install_min=earliest,
        install_max=earliest + width,
        look_life=own,
        look_year=year,
        look_bad=call(year - install[own] > lifetime[own]),
    )
    lines = LineLooks(
        line_year=date,
        line_bad=call(line_failed),
        member_line=np.repeat(np.arange(n_lines), 3),
        member_life=members.ravel(),
    )
    return looks, lines


def standardised(fit):
    return (fit.coef - TRUTH) / fit.standard_error


@pytest.mark.parametrize("detection", [Detection(), Detection(sensitivity=0.75, specificity=0.96)])
def test_truth_is_recovered_from_imperfect_records(detection):
    looks, lines = town(np.random.default_rng(11), 6000, detection=detection)
    fit = LifeRegression(detection=detection).fit(X, Z, looks, lines)
    assert fit.status == "ok"
    assert np.abs(standardised(fit)).max() < 3.2
    # A tenth in log age, of a shape of 3.
    assert fit.standard_error.max() < 0.3


def test_believing_every_look_is_wrong_by_many_standard_errors():
    detection = Detection(sensitivity=0.75, specificity=0.96)
    looks, lines = town(np.random.default_rng(11), 6000, detection=detection)
    naive = LifeRegression().fit(X, Z, looks, lines)
    assert np.abs(standardised(naive)).max() > 6


def test_scores_are_calibrated_where_the_model_is_true():
    """Of lines given a chance of about p, a share of about p has in truth failed."""
    rng = np.random.default_rng(12)
    n, detection = 9000, Detection(sensitivity=0.8, specificity=0.95)
    material = rng.choice(3, n, p=MATERIAL_SHARE)
    # Three neighbours' segments of about one age make a line.
    install = np.repeat(rng.integers(1920, 2020, n // 3), 3).astype(float)
    lifetime = np.exp(LOG_SCALE[material]) * rng.weibull(np.exp(LOG_SHAPE), n)
    looked = np.flatnonzero(rng.random(n) < 0.6)
    year = rng.integers(2000, 2025, len(looked)).astype(float)
    failed = year - install[looked] > lifetime[looked]
    call = np.where(failed, rng.random(len(looked)) < 0.8, rng.random(len(looked)) > 0.95)
    looks = LifeLooks(
        candidate_life=np.arange(n),
        candidate_row=material,
        candidate_probability=np.ones(n),
        install_min=install,
        install_max=install,
        look_life=looked,
        look_year=year,
        look_bad=call,
    )
    fit = LifeRegression(detection=detection).fit(X, Z, looks)
    line = np.arange(n) // 3
    chances = series_chances(
        fit, X, Z, looks, line, now=2026.0, horizon=10.0, draws=fit.draws(100, rng), keep_draws=True
    )
    for found, date in ((chances.line_failed_now, 2026.0), (chances.line_failed_later, 2036.0)):
        truth = (date - install > lifetime).reshape(-1, 3).any(axis=1)
        for low in (0.0, 0.2, 0.4, 0.6, 0.8):
            inside = (found.mean >= low) & (found.mean < low + 0.2)
            assert inside.sum() > 30
            said = found.mean[inside].mean()
            error = np.sqrt(said * (1 - said) / inside.sum())
            assert truth[inside].mean() == pytest.approx(said, abs=3.5 * error)


def test_pooling_strength_is_found_from_the_data():
    rng = np.random.default_rng(13)
    for spread in (0.1, 0.5):
        effect = rng.normal(0, spread, 30)
        row = np.repeat(np.arange(30), 200)
        lifetime = 50 * np.exp(effect[row]) * rng.weibull(3.0, len(row))
        age = rng.integers(10, 90, len(row)).astype(float)
        looks = LifeLooks(
            candidate_life=np.arange(len(row)),
            candidate_row=row,
            candidate_probability=np.ones(len(row)),
            install_min=np.zeros(len(row)),
            install_max=np.zeros(len(row)),
            look_life=np.arange(len(row)),
            look_year=age,
            look_bad=age > lifetime,
        )
        names = [f"m{i}" for i in range(30)]
        fit = LifeRegression(ridges=(Ridge(terms=tuple(f"hazard: {name}" for name in names)),)).fit(
            np.hstack((np.ones((30, 1)), np.eye(30))), np.ones((30, 1)), looks, X_names=["all", *names]
        )
        # The spread of 30 drawn effects is itself known to about 13 %.
        assert fit.prior_sd[1] == pytest.approx(3.0 * effect.std(), rel=0.3)


@pytest.mark.slow
def test_parameter_ranges_hold_the_truth_as_often_as_they_say():
    rng, detection = np.random.default_rng(14), Detection(sensitivity=0.8, specificity=0.97)
    scores = []
    for _ in range(250):
        looks, lines = town(rng, 1500, detection=detection)
        fit = LifeRegression(detection=detection).fit(X, Z, looks, lines)
        assert fit.status == "ok"
        scores.append(standardised(fit))
    covered = (np.abs(scores) < 1.96).mean(axis=0)
    # Monte Carlo error of 250 repetitions at .95 is .014; three of it either side.
    assert ((covered > 0.95 - 0.042) & (covered < 0.95 + 0.042)).all()
    # Unbiased within Monte Carlo error and the small-sample bias of maximum likelihood.
    assert np.abs(np.mean(scores, axis=0)).max() < 0.35


BAND_AGES = np.array([40.0, 60.0, 75.0])
BAND_TRUTH = 1 - np.exp(-((BAND_AGES / 60.0) ** 3))


def two_looks(rng, n, *, whole_years, again=0.3):
    """Lives looked at once, and of those still sound a share again 1 to 15 years later.

    Returns first ages and what was found, second ages (NaN where none) and what was found.
    """
    lifetime = 60.0 * rng.weibull(3.0, n)
    first = rng.uniform(0, 100, n)
    second = first + rng.uniform(1, 15, n)
    if whole_years:
        first, second = np.ceil(first), np.maximum(np.ceil(second), np.ceil(first) + 1)
    second = np.where((rng.random(n) < again) & (lifetime > first), second, np.nan)
    return first, lifetime <= first, second, lifetime <= second


def as_intervals(first, failed, second, failed_again):
    left = np.where(failed, 0.0, np.where(np.isnan(second) | failed_again, first, second))
    right = np.where(failed, first, np.where(failed_again, second, np.inf))
    return left, right


def assert_covers(held, repetitions):
    coverage = held / repetitions
    # Promised .93 to .97; two Monte Carlo errors beyond.
    beyond = 2 * np.sqrt(0.95 * 0.05 / repetitions)
    assert ((coverage > 0.93 - beyond) & (coverage < 0.97 + beyond)).all(), coverage


@pytest.mark.slow
@pytest.mark.parametrize("n", [500, 5000])
@pytest.mark.parametrize("whole_years", [True, False])
def test_band_of_first_looks_covers_as_often_as_it_says(n, whole_years):
    rng = np.random.default_rng(15)
    # The limits hold at the last age looked at, so the truth is taken there; with this many looks that is
    # within a fraction of a year.
    held = np.zeros(3)
    for _ in range(1000):
        first, failed, second, failed_again = two_looks(rng, n, whole_years=whole_years)
        twice = np.flatnonzero(~np.isnan(second))
        band = first_look_band(
            np.r_[np.arange(n), twice],
            np.r_[first, second[twice]],
            np.r_[failed, failed_again[twice]],
            BAND_AGES,
        )
        held += (band.lower <= BAND_TRUTH) & (band.upper >= BAND_TRUTH)
    assert_covers(held, 1000)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "repetitions"), [(500, 300), (5000, 150)])
def test_band_of_all_looks_covers_as_often_as_it_says_and_is_narrower(n, repetitions):
    rng = np.random.default_rng(16)
    held, width, first_width = np.zeros((3, 3))
    for _ in range(repetitions):
        looks = two_looks(rng, n, whole_years=True)
        band = interval_band(*as_intervals(*looks), BAND_AGES, rng=rng, draws=60)
        held += (band.lower <= BAND_TRUTH) & (band.upper >= BAND_TRUTH)
        width += band.upper - band.lower
        first = likelihood_ratio_band(looks[0], np.ones(n), looks[1], BAND_AGES)
        first_width += first.upper - first.lower
    assert_covers(held, repetitions)
    assert width.sum() < 0.95 * first_width.sum()


@pytest.mark.slow
def test_counting_every_look_as_another_life_does_not_cover():
    """Why the pseudo-likelihood is not offered: who is looked at again depends on the first look."""
    rng = np.random.default_rng(17)
    held = np.zeros(3)
    for _ in range(300):
        first, failed, second, failed_again = two_looks(rng, 5000, whole_years=True, again=1.0)
        twice = ~np.isnan(second)
        age, bad = np.r_[first, second[twice]], np.r_[failed, failed_again[twice]]
        band = likelihood_ratio_band(age, np.ones(len(age)), bad, BAND_AGES)
        held += (band.lower <= BAND_TRUTH) & (band.upper >= BAND_TRUTH)
    assert (held / 300 < 0.6).all()


@pytest.mark.slow
@pytest.mark.parametrize("family", ["weibull", "log-logistic", "log-normal", "gamma", "gompertz"])
def test_each_family_recovers_itself_with_late_entry(family):
    rng = np.random.default_rng(16)
    draw = {
        "weibull": lambda size: 50 * rng.weibull(2.5, size),
        "log-logistic": lambda size: 50 * (1 / rng.random(size) - 1) ** (1 / 2.5),
        "log-normal": lambda size: 50 * np.exp(rng.normal(size=size) / 2.5),
        "gamma": lambda size: rng.gamma(2.5, 20.0, size),
        "gompertz": lambda size: 20 * np.log1p(rng.exponential(size=size) / 0.2),
    }[family]
    scale = {"gamma": 20.0, "gompertz": 20.0}.get(family, 50.0)
    shape = {"gompertz": 0.2}.get(family, 2.5)
    scores = []
    for _ in range(100):
        lifetime, entry = draw(2500), rng.uniform(0, 25, 2500)
        seen = lifetime > entry
        lifetime, entry = lifetime[seen], entry[seen]
        age = entry + rng.uniform(0, 60, seen.sum())
        left, right = np.where(lifetime > age, age, entry), np.where(lifetime > age, np.inf, age)
        fit = IntervalRegression(family).fit(None, left, right, entry=entry)
        assert fit.status_ == "ok"
        scores.append((fit.parameters_ - np.log([scale, shape])) / fit.standard_error_)
    covered = (np.abs(scores) < 1.96).mean(axis=0)
    assert (covered > 0.88).all(), covered
    assert np.abs(np.mean(scores, axis=0)).max() < 0.4


def test_curve_of_late_entries_is_near_the_truth_and_ignoring_entry_is_not():
    rng = np.random.default_rng(18)
    n = 40_000
    lifetime, entry = 60 * rng.weibull(3.0, n), np.floor(rng.uniform(0, 60, n))
    seen = lifetime > entry
    lifetime, entry = lifetime[seen], entry[seen]
    age = entry + np.ceil(rng.uniform(0, 40, len(entry)))
    left, right = np.where(lifetime > age, age, entry), np.where(lifetime > age, np.inf, age)
    ages = np.arange(15.0, 90.0)
    truth = 1 - np.exp(-((ages / 60) ** 3))
    curve = NPMLE().fit(left, right, entry=entry)
    assert curve.status_ == "ok"
    assert np.abs(np.mean(curve.cdf(ages), axis=0) - truth).max() < 0.08
    # The records leave out whoever failed before entry, and those early failures then look rare.
    ignoring = NPMLE().fit(left, right)
    assert (truth - np.mean(ignoring.cdf(ages), axis=0)).max() > 0.12


def test_curve_is_near_the_truth_at_every_age():
    rng = np.random.default_rng(17)
    n = 20_000
    lifetime, first = 60 * rng.weibull(3.0, n), np.ceil(rng.uniform(0, 100, n))
    second = first + np.ceil(rng.uniform(0, 15, n))
    left = np.where(lifetime > second, second, np.where(lifetime > first, first, 0.0))
    right = np.where(lifetime <= first, first, np.where(lifetime <= second, second, np.inf))
    curve = NPMLE().fit(left, right)
    ages = np.arange(10.0, 95.0)
    lower, upper = curve.cdf(ages)
    truth = 1 - np.exp(-((ages / 60) ** 3))
    assert np.abs((lower + upper) / 2 - truth).max() < 0.08

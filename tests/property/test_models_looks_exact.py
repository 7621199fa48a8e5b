"""Looks at lives and lines against chances added up over every course of events.

The comparison splits time at all dates of looks and walks through all combinations of failure intervals of
all members: no signed sums, no patterns, no shared code but the quadrature nodes.
"""

import itertools

import numpy as np
import pytest

from models.atoms import REFERENCE_AGE, Predictors
from models.likelihood import LooksLikelihood
from models.lives import Detection, FittedLives, LifeLooks, LifeRegression, LineLooks, single_candidates
from models.patterns import NODE_QUANTILE, NODE_WEIGHT
from models.regression import IntervalRegression
from models.series import series_chances

LOG_SCALE = np.array([3.9, 4.4])
SHAPE = 2.5
COEF = np.array([*(SHAPE * (np.log(REFERENCE_AGE) - LOG_SCALE)), np.log(SHAPE)])
X, Z = np.eye(2), np.ones((2, 1))
NOW, HORIZON = 2020.0, 10.0


def fitted(detection):
    return FittedLives(
        status="ok",
        reason="",
        names=("hazard: a", "hazard: b", "shape: all"),
        coef=COEF,
        covariance=np.eye(3) * 1e-4,
        log_likelihood=0.0,
        log_marginal=0.0,
        prior_sd=np.ones(3),
        converged=True,
        n_lives=1,
        n_looks=1,
        n_bad=1,
        excluded_lives=np.empty(0, dtype=np.int64),
        detection=detection,
        n_hazard=2,
        n_shape=1,
    )


def survival(age, candidate):
    return np.where(age <= 0, 1.0, np.exp(-((np.maximum(age, 0) / np.exp(LOG_SCALE[candidate])) ** SHAPE)))


def call_chance(detection, bad, failed):
    chance_bad = detection.sensitivity if failed else 1 - detection.specificity
    return chance_bad if bad else 1 - chance_bad


def walk(detection, install, shares, own, line, members):
    """P(all calls), and the same with each life, and the whole line, sound at NOW and NOW + HORIZON."""
    n = len(install)
    dates = np.unique([*(d for _, d, _ in own), *(d for d, _ in line), NOW, NOW + HORIZON])
    total, sound_life, sound_line = 0.0, np.zeros((2, n)), np.zeros(2)
    low, high = np.array(install).T
    wide = high - low > 0.5
    nodes = zip(NODE_QUANTILE, NODE_WEIGHT, strict=True) if wide.any() else [(0.5, 1.0)]
    for quantile, weight in nodes:
        laid = low + np.where(wide, quantile, 0.5) * (high - low)
        chance = np.array(
            [
                sum(p * -np.diff([1.0, *survival(dates - laid[k], c), 0.0]) for c, p in enumerate(shares[k]))
                for k in range(n)
            ]
        )
        for course in itertools.product(range(len(dates) + 1), repeat=n):
            failed = [[course[k] <= i for k in range(n)] for i in range(len(dates))]
            at = {date: failed[i] for i, date in enumerate(dates)}
            p = weight * np.prod([chance[k, course[k]] for k in range(n)])
            for life, date, bad in own:
                p *= call_chance(detection, bad, at[date][life])
            for (date, bad), covered in zip(line, members, strict=True):
                p *= call_chance(detection, bad, any(at[date][k] for k in covered))
            total += p
            for i, date in enumerate((NOW, NOW + HORIZON)):
                sound = ~np.array(at[date])
                sound_life[i] += p * sound
                sound_line[i] += p * sound.all()
    return total, sound_life, sound_line


def scene(seed, detection):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 4))
    low = rng.integers(1940, 1960, n).astype(float)
    high = low + rng.choice([0.0, 10.0], n)
    share = rng.uniform(0.1, 0.9, n)
    own = [
        (int(rng.integers(0, n)), float(rng.integers(1975, 2010)), bool(rng.random() < 0.4)) for _ in range(2)
    ]
    if detection.is_perfect:
        own = [(life, date, False) for life, date, _ in own]
    line = [(1990.0, False), (2005.0, True), (2012.0, True)]
    members = [range(n), range(n), range(min(n, 2))]
    looks = LifeLooks(
        candidate_life=np.repeat(np.arange(n), 2),
        candidate_row=np.tile([0, 1], n),
        candidate_probability=np.stack((share, 1 - share), axis=1).ravel(),
        install_min=low,
        install_max=high,
        look_life=[life for life, _, _ in own],
        look_year=[date for _, date, _ in own],
        look_bad=[bad for _, _, bad in own],
    )
    line_looks = LineLooks(
        line_year=[date for date, _ in line],
        line_bad=[bad for _, bad in line],
        member_line=[i for i, covered in enumerate(members) for _ in covered],
        member_life=[life for covered in members for life in covered],
    )
    shares = np.stack((share, 1 - share), axis=1)
    return looks, line_looks, walk(detection, list(zip(low, high, strict=True)), shares, own, line, members)


@pytest.mark.parametrize("detection", [Detection(), Detection(sensitivity=0.8, specificity=0.9)])
@pytest.mark.parametrize("seed", range(6))
def test_likelihood_and_scores_equal_the_sum_over_all_courses(seed, detection):
    looks, line_looks, (total, sound_life, sound_line) = scene(seed, detection)
    fit = fitted(detection)
    value = LooksLikelihood(looks, line_looks, detection).value(fit.predictors(X, Z, None, COEF))
    assert value == pytest.approx(np.log(total), abs=1e-8)
    found = series_chances(
        fit,
        X,
        Z,
        looks,
        np.zeros(looks.n_lives, dtype=int),
        now=NOW,
        horizon=HORIZON,
        draws=COEF[None],
        line_looks=line_looks,
        keep_draws=True,
        keep_lives=np.arange(looks.n_lives)[::-1],
    )
    for i, (life, line) in enumerate(
        ((found.life_failed_now, found.line_failed_now), (found.life_failed_later, found.line_failed_later))
    ):
        np.testing.assert_allclose(life.mean, 1 - sound_life[i] / total, atol=1e-9)
        np.testing.assert_allclose(line.mean, 1 - sound_line[i] / total, atol=1e-9)
    assert found.line_draws_now.shape == (1, 1)
    # One draw: the draw of a life is its mean.
    np.testing.assert_allclose(found.life_draws_now[0], found.life_failed_now.mean[::-1], atol=1e-6)


def many(seed, *, n_rows=3, n=400):
    """Lives with known material and install year, one or two looks each; perfect looks."""
    rng = np.random.default_rng(seed)
    row = rng.integers(0, n_rows, n)
    lifetime = np.array([40.0, 60.0, 90.0])[row] * rng.weibull(2.5, n)
    install = rng.integers(1900, 1990, n).astype(float)
    life = np.repeat(np.arange(n), rng.integers(1, 3, n))
    year = rng.integers(1995, 2025, len(life)).astype(float)
    return rng, row, lifetime, install, life, year


def as_looks(row, install, life, year, bad, **more):
    candidate = single_candidates(row)
    return LifeLooks(
        candidate_life=candidate[0],
        candidate_row=candidate[1],
        candidate_probability=candidate[2],
        install_min=install,
        install_max=install,
        look_life=life,
        look_year=year,
        look_bad=bad,
        **more,
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_perfect_looks_are_interval_censoring(seed):
    _, row, lifetime, install, life, year = many(seed)
    age = year - install[life]
    bad = age > lifetime[life]
    left, right = np.zeros(len(row)), np.full(len(row), np.inf)
    np.maximum.at(left, life[~bad], age[~bad])
    np.minimum.at(right, life[bad], age[bad])
    rows = np.eye(3)[:, 1:]
    fit = LifeRegression().fit(
        np.hstack((np.ones((3, 1)), rows)), np.ones((3, 1)), as_looks(row, install, life, year, bad)
    )
    other = IntervalRegression().fit(rows[row], left, right)
    assert fit.status == other.status_ == "ok"
    # One shape: multiplying the hazard by e^h is dividing the scale by e^(h / shape).
    shape = np.exp(other.parameters_[-1])
    hazard = -shape * (other.parameters_[:-1] - np.log(REFERENCE_AGE) * np.array([1.0, 0.0, 0.0]))
    np.testing.assert_allclose(fit.coef, [*hazard, other.parameters_[-1]], atol=1e-6)
    jacobian = np.diag([*np.full(3, -shape), 1.0])
    jacobian[:3, 3] = hazard
    np.testing.assert_allclose(
        fit.covariance, jacobian @ other.covariance_ @ jacobian.T, rtol=1e-4, atol=1e-9
    )
    assert fit.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-8)


def test_first_bad_look_wins_where_looks_are_the_truth():
    # Bad at 40, good at 60 and bad at 70 count as bad at 40 alone.
    looks = as_looks([0, 0], np.zeros(2), [0, 0, 0, 1], [40.0, 60.0, 70.0, 30.0], [1, 0, 1, 0])
    plain = as_looks([0, 0], np.zeros(2), [0, 1], [40.0, 30.0], [1, 0])
    at = fitted(Detection()).predictors(X, Z, None, COEF)
    both = [LooksLikelihood(each, None, Detection()).value(at) for each in (looks, plain)]
    assert both[0] == pytest.approx(both[1], abs=1e-12)


@pytest.mark.parametrize("with_lines", [False, True])
@pytest.mark.parametrize("detection", [Detection(), Detection(sensitivity=0.7, specificity=0.95)])
def test_order_repeats_and_derivatives(with_lines, detection):
    rng, row, lifetime, install, life, year = many(5)
    n = len(row)
    bad = year - install[life] > lifetime[life]
    line_looks = None
    if with_lines:
        members = rng.permutation(n)[:150].reshape(50, 3)
        date = rng.integers(2000, 2025, 50).astype(float)
        line_bad = ((date[:, None] - install[members]) > lifetime[members]).any(axis=1)
        line_looks = LineLooks(
            line_year=date,
            line_bad=line_bad,
            member_line=np.repeat(np.arange(50), 3),
            member_life=members.ravel(),
        )
    looks = as_looks(row, install, life, year, bad)
    order = rng.permutation(len(life))
    shuffled = as_looks(row, install, life[order], year[order], bad[order])
    doubled = as_looks(row, install, life, year, bad, weight=np.full(n, 2.0))
    designs = (np.eye(3), np.ones((3, 1)))
    coef = np.array([0.2, -0.8, -1.9, 0.9])

    def derivatives(system, c):
        return system.derivatives(Predictors(c[:3], np.full(3, c[3]), None), designs)

    systems = [LooksLikelihood(each, line_looks, detection) for each in (looks, shuffled, doubled)]
    found = [derivatives(system, coef) for system in systems]
    assert found[1].value == pytest.approx(found[0].value, abs=1e-9)
    assert found[2].value == pytest.approx(2 * found[0].value, rel=1e-12)
    step = 1e-5
    for i in range(4):
        nudge = np.eye(4)[i] * step
        up, down = (derivatives(systems[0], coef + s * nudge) for s in (1, -1))
        assert (up.value - down.value) / (2 * step) == pytest.approx(found[0].gradient[i], abs=1e-4)
        np.testing.assert_allclose(
            (up.gradient - down.gradient) / (2 * step), found[0].hessian.corner[i], rtol=1e-5, atol=1e-3
        )


def test_lines_alike_are_scored_alike_and_chunks_do_not_matter():
    rng, row, _, install, life, year = many(9, n=300)
    bad = rng.random(len(life)) < 0.3
    detection = Detection(sensitivity=0.8, specificity=0.9)
    fit = fitted(detection)
    looks = as_looks(np.minimum(row, 1), install, life, year, bad)
    line = np.repeat(np.arange(100), 3)
    draws = fit.draws(50, rng)
    whole = series_chances(fit, X, Z, looks, line, now=NOW, horizon=5, draws=draws)
    small = series_chances(fit, X, Z, looks, line, now=NOW, horizon=5, draws=draws, chunk_bytes=50_000)
    np.testing.assert_allclose(whole.line_failed_now.high, small.line_failed_now.high)
    kept = series_chances(fit, X, Z, looks, line, now=NOW, horizon=5, draws=draws, keep_draws=True)
    for found, drawn in (
        (kept.line_failed_now, kept.line_draws_now),
        (kept.line_failed_later, kept.line_draws_later),
    ):
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        np.testing.assert_allclose(found.low, low, atol=1e-6)
        np.testing.assert_allclose(found.high, high, atol=1e-6)
        np.testing.assert_allclose(found.mean, drawn.mean(axis=0), atol=1e-6)
    asked = rng.permutation(300)[:120]
    lives = series_chances(fit, X, Z, looks, line, now=NOW, horizon=5, draws=draws, keep_lives=asked)
    low, high = np.quantile(lives.life_draws_now, [0.05, 0.95], axis=0)
    np.testing.assert_allclose(lives.life_failed_now.low[asked], low, atol=1e-6)
    np.testing.assert_allclose(lives.life_failed_now.high[asked], high, atol=1e-6)
    assert whole.life_draws_now.shape == (50, 0)
    # No look at all: the chance is the average of F over the draws.
    none = as_looks(np.minimum(row, 1), install, [], [], [])
    plain = series_chances(fit, X, Z, none, np.arange(300), now=NOW, horizon=5, draws=draws)
    F = fit.failure_probability(NOW - install, X[np.minimum(row, 1)], np.ones((300, 1)), draws=draws).mean(
        axis=0
    )
    np.testing.assert_allclose(plain.line_failed_now.mean, F, atol=1e-6)
    np.testing.assert_allclose(plain.line_unconditional_now.mean, F, atol=1e-6)
    with_looks = series_chances(fit, X, Z, looks, np.arange(300), now=NOW, horizon=5, draws=draws)
    np.testing.assert_allclose(with_looks.line_unconditional_now.mean, F, atol=1e-6)
    np.testing.assert_allclose(whole.life_failed_later.low, small.life_failed_later.low)
    one_by_one = 1 - whole.life_failed_now.mean
    assert (whole.line_failed_now.mean >= 1 - one_by_one.reshape(100, 3).min(axis=1) - 1e-12).all()
    assert (whole.line_failed_later.mean >= whole.line_failed_now.mean - 1e-12).all()
    # A dated line is the same line whatever its place in the list.
    turned = rng.permutation(100)
    moved = series_chances(fit, X, Z, looks, turned[line], now=NOW, horizon=5, draws=draws)
    np.testing.assert_allclose(moved.line_failed_now.mean[turned], whole.line_failed_now.mean, atol=1e-12)

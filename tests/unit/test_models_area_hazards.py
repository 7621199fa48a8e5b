"""Hazard multipliers of areas against sums worked here by brute force, and on invented towns."""

from functools import partial

import numpy as np
import pytest
from scipy.stats import gamma, norm

from models.area_gain import held_out_gain, local_chance
from models.area_hazards import gamma_hazards
from models.area_neighbours import neighbour_hazards
from models.errors import ModelInputError
from models.local_statistics import excess_deviate, nearest, neighbour_matrix, with_self
from models.risk_surface import risk_surface


def town(n_blocks, variance, seed=0, *, per=25, smooth=False):
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(n_blocks), per)
    side = int(np.ceil(np.sqrt(n_blocks)))
    x, y = np.arange(n_blocks) % side, np.arange(n_blocks) // side
    chance = -np.expm1(-((rng.uniform(20, 90, n_blocks * per) / 125) ** 2.5))
    multiplier = rng.gamma(1 / variance, variance, n_blocks) if variance else np.ones(n_blocks)
    if smooth:
        multiplier = np.exp(0.6 * np.sin(x / side * 6) * np.cos(y / side * 6))
    events = rng.random(len(block)) < 1 - (1 - chance) ** multiplier[block]
    return chance, events.astype(float), block, multiplier, nearest(x, y, 4)


def test_gamma_posterior_equals_brute_force():
    chance, events, block, *_ = town(60, 0.3, per=30)
    found = gamma_hazards(chance, events, block, n_areas=60)
    # The same posterior on a fine even grid of the multiplier, its density from scipy.stats.
    u = np.linspace(1e-4, 12, 20_000)
    prior = gamma.pdf(u, 1 / found.variance, scale=found.variance)
    hazard = -np.log1p(-chance) * found.level
    log_marginal = 0.0
    for area in range(60):
        h, y = hazard[block == area], events[block == area] == 1
        log_each = -h[~y].sum() * u + np.log(-np.expm1(-np.outer(h[y], u))).sum(axis=0)
        density = np.exp(log_each - log_each.max()) * prior
        mean = (u * density).sum() / density.sum()
        assert found.mean[area] == pytest.approx(mean, rel=2e-3)
        sd = np.sqrt(((u - mean) ** 2 * density).sum() / density.sum())
        assert found.sd[area] == pytest.approx(sd, rel=5e-3)
        assert found.probability_notable[area] == pytest.approx(
            density[u > 1.25].sum() / density.sum(), abs=0.01
        )
        at_one = np.where(y, np.log(-np.expm1(-h)), -h).sum()
        log_marginal += np.log(density.sum() * (u[1] - u[0])) + log_each.max() - at_one
    assert found.log_likelihood_gain == pytest.approx(log_marginal, rel=1e-3, abs=0.01)


def test_neighbour_posterior_equals_brute_force():
    # Three areas in a row: the posterior summed over a grid of 61³ points.
    chance, events, block, *_ = town(3, 0.5, seed=4, per=400)
    near = neighbour_matrix([0, 1, 1, 2], [1, 0, 2, 1], 3)
    found = neighbour_hazards(chance, events, block, near)
    assert found.variance > 0
    nodes = np.linspace(-3, 3, 61)
    grid = np.stack(np.meshgrid(nodes, nodes, nodes, indexing="ij"))
    laplacian = np.array([[1, -1, 0], [-1, 2, -1], [0, -1, 1]], dtype=float)
    share = found.neighbour_share
    precision = (share * laplacian + (1 - share) * np.eye(3)) / found.variance
    log_density = -0.5 * np.einsum("iabc,ij,jabc->abc", grid, precision, grid)
    hazard = -np.log1p(-chance) * found.level
    for area in range(3):
        h, y = hazard[block == area], events[block == area] == 1
        u = np.exp(nodes)
        each = -h[~y].sum() * u + np.log(-np.expm1(-np.outer(h[y], u))).sum(axis=0)
        shape = [1, 1, 1]
        shape[area] = 61
        log_density = log_density + each.reshape(shape)
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    for area in range(3):
        # The mode's normal approximation is off by about one over the failures in an area.
        assert found.mean[area] == pytest.approx((np.exp(grid[area]) * density).sum(), rel=0.03)


def test_no_variation_is_told_as_none():
    chance, events, block, _, near = town(120, 0.0, seed=3)
    for found in (
        gamma_hazards(chance, events, block, n_areas=120),
        neighbour_hazards(chance, events, block, near),
    ):
        assert found.variance < 0.05
        assert np.ptp(found.mean) < 0.3


def test_two_bad_houses_do_not_condemn_a_street():
    chance, events, block, *_ = town(200, 0.1, seed=5)
    block = np.concatenate((block, [200, 200]))
    found = gamma_hazards(
        np.concatenate((chance, [0.2, 0.2])), np.concatenate((events, [1, 1])), block, n_areas=202
    )
    # Two failures where .4 were expected are five times too many; the estimate stays near the town's.
    assert 1.0 < found.mean[200] < 1.6
    # An area without a look has the prior: mean 1, the variance between areas.
    assert found.mean[201] == pytest.approx(1.0, abs=0.01)
    assert found.sd[201] ** 2 == pytest.approx(found.variance, rel=0.02)


def test_local_chance_averages_over_what_is_not_known():
    chance, events, block, *_ = town(100, 0.3, seed=6)
    found = gamma_hazards(chance, events, block, n_areas=100)
    drawn = np.random.default_rng(0).gamma(
        (found.mean[7] / found.sd[7]) ** 2, found.sd[7] ** 2 / found.mean[7], 200_000
    )
    expected = np.mean(1 - (1 - 0.3) ** (drawn * found.level))
    assert local_chance([0.3], found, [7])[0] == pytest.approx(expected, abs=0.001)
    assert local_chance([0.3], found, [-1])[0] == pytest.approx(1 - 0.7**found.level)


def test_local_effect_helps_where_there_is_one_and_is_off_where_there_is_none():
    for variance, smooth, expected in ((0.3, False, True), (0.0, False, False)):
        chance, events, block, *_ = town(400, variance, seed=7, smooth=smooth)
        fold = np.random.default_rng(1).integers(0, 5, len(block))
        gain = held_out_gain(chance, events, block, fold, partial(gamma_hazards, n_areas=400))
        assert gain.is_helpful is expected
        assert gain.n == len(block)


def test_neighbours_help_for_areas_that_nobody_has_seen():
    chance, events, block, _, near = town(400, 0.0, seed=8, smooth=True)
    fold = np.random.default_rng(1).integers(0, 5, 400)[block]
    fit = partial(neighbour_hazards, weights=near)
    assert held_out_gain(chance, events, block, fold, fit).is_helpful
    # Drawn towards the town alone, an area left out whole has the town's rate: nothing lost, nothing won.
    alone = held_out_gain(chance, events, block, fold, partial(gamma_hazards, n_areas=400))
    assert abs(alone.mean) < 1e-3


def test_impossible_looks_are_named():
    with pytest.raises(ModelInputError, match="row 1: an event is neither 0 nor 1"):
        gamma_hazards([0.1, 0.2], [1, 2], [0, 0], n_areas=1)
    with pytest.raises(ModelInputError, match="row 0: a chance is not between 0 and 1"):
        gamma_hazards([0.0, 0.2], [1, 0], [0, 0], n_areas=1)
    with pytest.raises(ModelInputError, match="row 1: an area is not one of the 1"):
        gamma_hazards([0.1, 0.2], [1, 0], [0, 1], n_areas=1)


def test_excess_has_honest_tails_under_the_model():
    # 31 lots around each, chance .02 to .2: the plain deviate exceeds 4 many times too often, by its skewness.
    rng = np.random.default_rng(9)
    x, y = np.divmod(np.arange(40_000), 200)
    chance = rng.uniform(0.02, 0.2, 40_000)
    near = nearest(x, y, 30)
    drawn = [rng.random(40_000) < chance for _ in range(12)]
    z = np.concatenate([excess_deviate(events, chance, near) for events in drawn])
    for deviate in (2.0, 3.0, 4.0):
        # Neighbouring sums overlap: 480,000 deviates are worth some 15,000.
        tail = norm.sf(deviate)
        assert (z > deviate).mean() < tail * (1.25 if deviate < 4 else 2.0)
        # A count goes by steps, and the step that reaches the deviate counts whole.
        assert (z > deviate).mean() > (0.2 if deviate < 4 else 0.0) * tail
    around = with_self(near)
    plain = (around @ (drawn[0] - chance)) / np.sqrt(around @ (chance * (1 - chance)))
    assert (plain > 3.0).mean() > 2 * norm.sf(3.0)


def test_surface_shows_where_risk_is_higher_and_is_silent_where_nothing_is_known():
    rng = np.random.default_rng(10)
    x, y = rng.uniform(0, 1000, 8000), rng.uniform(0, 1000, 8000)
    kept = (x < 400) | (x > 600)
    x, y = x[kept], y[kept]
    chance = np.full(len(x), 0.2)
    events = rng.random(len(x)) < np.where(x > 600, 0.4, 0.2)
    surface = risk_surface(x, y, events, chance, bandwidth=40, size=20)
    known = surface.relative_risk[5:-5]
    left, right = known[:, (surface.x > 100) & (surface.x < 300)], known[:, surface.x > 700]
    assert np.nanmean(left) == pytest.approx(1.0, abs=0.1)
    assert np.nanmean(right) == pytest.approx(2.0, abs=0.15)
    thin = risk_surface(x, y, events, chance, bandwidth=10, size=10, least_expected=3.0)
    assert np.isnan(thin.relative_risk[:, np.argmin(np.abs(thin.x - 500))]).all()

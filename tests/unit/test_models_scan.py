"""The quick scan against a plain loop that shares no code with it, and its laws."""

import numpy as np
import pytest

from models.errors import ModelInputError
from models.scan import NullMaxima, bernoulli_log_ratio, find_zones, poisson_log_ratio
from models.scan_core import core_membership
from models.scan_draws import Frailty, Variation, _next, _output, draw_towns, town_law
from models.scan_null import Refit, null_maxima
from models.zones import grid_layer, members, n_zones, points_layer, town_layers


def town(n, seed=1, *, lift=1.0):
    """Blocks of 25 lots with chances of about 15 %; hazards in a disc of 5 % of the area times `lift`."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(n / 25)))
    block = np.arange(n) // 25
    x = block % side * 300.0 + rng.uniform(0, 280, n)
    y = block // side * 300.0 + rng.uniform(0, 280, n)
    chance = -np.expm1(-((rng.uniform(20, 90, n) / 125) ** 2.5))
    inside = np.hypot(x - 150 * side, y - 150 * side) < np.sqrt(0.05 / np.pi) * 300 * side
    lifted = np.where(inside, 1 - (1 - chance) ** lift, chance)
    return x, y, block, chance, rng.random(n) < lifted, inside


def plain_best(layers, events, weight, variance=None):
    """Largest ratio over all circles; Kulldorff 1997, over the zone's dispersion where a variance is given."""
    variance = weight if variance is None else variance
    total, whole, best = events.sum(), weight.sum(), 0.0
    for layer in layers:
        used = layer.site >= 0
        counts = np.bincount(layer.site[used], events[used], layer.n_sites)
        expected = np.bincount(layer.site[used], weight[used], layer.n_sites) * total / whole
        varied = np.bincount(layer.site[used], variance[used], layer.n_sites) * total / whole
        for centre in range(layer.n_sites):
            entries = range(layer.first[centre], layer.first[centre + 1])
            for entry in entries:
                if layer.is_end[entry]:
                    inside = layer.neighbour[layer.first[centre] : entry + 1]
                    c, e = counts[inside].sum(), expected[inside].sum()
                    if c > e and c >= 2:
                        rest = (total - c) * np.log((total - c) / (total - e)) if c < total else 0.0
                        best = max(best, (c * np.log(c / e) + rest) * e / varied[inside].sum())
    return best


def test_circles_are_closed_and_within_the_cap():
    rng = np.random.default_rng(0)
    x, y = rng.integers(0, 6, 60).astype(float), rng.integers(0, 6, 60).astype(float)
    weight = rng.uniform(0.1, 0.3, 60)
    layer = points_layer(x, y, weight, cap=0.3)
    for centre in range(layer.n_sites):
        distance = np.hypot(layer.x - layer.x[centre], layer.y - layer.y[centre])
        for entry in np.flatnonzero(layer.is_end):
            if layer.first[centre] <= entry < layer.first[centre + 1]:
                radius = layer.radius_of(entry)
                wanted = set(np.flatnonzero(distance <= radius + 1e-9))
                assert set(layer.sites_of(entry)) == wanted
                inside = np.isin(layer.site, list(wanted))
                np.testing.assert_array_equal(members(layer, entry), np.flatnonzero(inside))
                assert weight[inside].sum() <= 0.3 * weight.sum() + 1e-9


def test_grid_by_offsets_equals_grid_by_tree(monkeypatch):
    x, y, _, chance, *_ = town(3000)
    by_offsets = grid_layer("cells", x, y, chance, size=150.0, cap=0.25, most=60)
    monkeypatch.setattr("models.zones.LARGEST_LATTICE", 1)
    by_tree = grid_layer("cells", x, y, chance, size=150.0, cap=0.25, most=60)
    for centre in range(by_offsets.n_sites):
        zones = []
        for layer in (by_offsets, by_tree):
            start, stop = layer.first[centre], layer.first[centre + 1]
            ends = [e for e in range(start, stop) if layer.is_end[e]]
            zones.append([frozenset(layer.neighbour[start : e + 1].tolist()) for e in ends])
        # The tree cannot tell whether its last ring is whole, so it may have one circle less.
        assert zones[1] in (zones[0], zones[0][:-1])


@pytest.mark.parametrize("n", [400, 2500])
@pytest.mark.parametrize("scaled", [False, True])
def test_zone_and_draws_equal_a_plain_loop(n, scaled):
    x, y, block, chance, events, _ = town(n, lift=2.5)
    layers = town_layers(x, y, chance, block=block)
    variance = chance * (1 - chance) if scaled else None
    zones = find_zones(layers, events, chance, variance=variance, most=3)
    assert zones[0].log_ratio == pytest.approx(plain_best(layers, events, chance, variance), rel=1e-9)
    assert not set(zones[0].points) & set(zones[1].points)
    total = int(events.sum())
    drawn = null_maxima(layers, chance, total, rng=np.random.default_rng(5), n_draws=128, variance=variance)
    rng = np.random.default_rng(5).spawn(2)[1]
    state = draw_towns(town_law(chance, None), total, rng, 128)
    assert (state.sum(axis=0) == total).all()
    for lane in (0, 17, 127):
        best = plain_best(layers, state[:, lane].astype(float), chance, variance)
        if best > drawn.threshold:
            # Dispersions are kept in single precision.
            assert drawn.maxima[lane] == pytest.approx(best, rel=1e-6 if scaled else 1e-9)
        else:
            assert drawn.maxima[lane] == 0


@pytest.mark.parametrize("seen", [126, 134, 142])
def test_ratio_over_dispersion_is_the_bernoulli_ratio_to_second_order(seen):
    # Kulldorff 1997's two models: 1,220 of 4,000, in a zone of 400; one minus the chance is the dispersion.
    scaled = poisson_log_ratio(seen, 122, 1220) / (1 - 1220 / 4000)
    exact = bernoulli_log_ratio(seen, 400, 1220, 4000)
    assert scaled == pytest.approx(exact, rel=0.05)
    assert poisson_log_ratio(seen, 122, 1220) < 0.75 * exact


def test_refitted_draws_equal_a_plain_refit():
    x, y, _, chance, *_ = town(400)
    layers = [points_layer(x, y, chance, cap=0.25)]
    half = (x > np.median(x)).astype(float)
    terms, slope = np.column_stack((1 - half, half)), chance * (1 - chance)
    total = round(float(chance.sum()))
    chance = chance * total / chance.sum()
    drawn = null_maxima(
        layers,
        chance,
        total,
        rng=np.random.default_rng(6),
        n_draws=128,
        refit=Refit(terms=terms, slope=slope),
    )
    state = draw_towns(town_law(chance, None), total, np.random.default_rng(6).spawn(2)[1], 128)
    checked = 0
    for lane in range(0, 128, 9):
        outcome = state[:, lane].astype(float)
        variance = chance * (1 - chance)
        score = terms.T @ ((outcome - chance) * slope / variance)
        change = np.linalg.solve(terms.T @ (terms * (slope**2 / variance)[:, None]), score)
        expected = np.maximum(chance + slope * (terms @ change), 1e-3 * chance)
        best = _plain_best_with_totals(layers[0], outcome, expected, total)
        if best > drawn.threshold * 1.01:
            assert drawn.maxima[lane] == pytest.approx(best, rel=2e-3)
            checked += 1
    assert checked > 3


def _plain_best_with_totals(layer, events, expected, total):
    counts = np.bincount(layer.site, events, layer.n_sites)
    weights = np.bincount(layer.site, expected, layer.n_sites)
    best = 0.0
    for centre in range(layer.n_sites):
        span = slice(layer.first[centre], layer.first[centre + 1])
        c, e = counts[layer.neighbour[span]].cumsum(), weights[layer.neighbour[span]].cumsum()
        kept = layer.is_end[span] & (c > e) & (c >= 2)
        c, e = c[kept], e[kept]
        if len(c):
            best = max(best, np.max(c * np.log(c / e) + (total - c) * np.log((total - c) / (total - e))))
    return best


def test_draws_have_the_chances_and_the_total():
    chance = np.repeat([0.02, 0.1, 0.3, 0.8], 250)
    total = int(chance.sum()) + 25
    rng = np.random.default_rng(3)
    state = np.concatenate([draw_towns(town_law(chance, None), total, rng, 128) for _ in range(8)], axis=1)
    # Bernoulli trials given their total have tilted odds: the tilt is found by hand.
    low, high = -5.0, 5.0
    for _ in range(60):
        tilt = (low + high) / 2
        odds = chance / (1 - chance) * np.exp(tilt)
        low, high = (tilt, high) if (odds / (1 + odds)).sum() < total else (low, tilt)
    expected = odds / (1 + odds)
    for part in np.split(np.arange(1000), 4):
        found = state[part].mean()
        error = np.sqrt(expected[part].mean() * (1 - expected[part].mean()) / (250 * 1024))
        assert found == pytest.approx(expected[part].mean(), abs=5 * error + 0.001)


def drawn_with(chance, variation, *, total=None, seed=4):
    """Events of 512 towns, shape (n_points, 512), moved to their total."""
    law = town_law(chance, variation)
    wanted = round(float(chance.sum())) if total is None else total
    rng = np.random.default_rng(seed)
    return np.concatenate([draw_towns(law, wanted, rng, 128) for _ in range(4)], axis=1)


def test_draws_with_frailty_keep_chances_and_have_its_variance():
    n_blocks, per = 400, 25
    chance = np.full(n_blocks * per, 0.2)
    block = np.repeat(np.arange(n_blocks), per)
    state = drawn_with(chance, Variation(frailties=(Frailty(area=block, variance=0.25),)))
    by_block = state.reshape(n_blocks, per, -1).sum(axis=1)
    assert by_block.mean() == pytest.approx(5.0)
    # u gamma, mean 1, variance .25: E (1 - p)^2 = (1 + 2 v h)^(-1/v), h set so that (1 + v h)^(-1/v) = .8.
    h = (0.8**-0.25 - 1) / 0.25
    both_sound = (1 + 0.5 * h) ** -4
    pair = both_sound - 0.8**2
    expected = per * 0.2 * 0.8 + per * (per - 1) * pair
    assert by_block.var() == pytest.approx(expected, rel=0.05)


def test_blocks_differ_within_subdivisions_that_differ():
    # 100 subdivisions of 4 blocks of 25: lots of one block share both multipliers, of one subdivision one.
    n, per = 10_000, 25
    chance = np.full(n, 0.2)
    block, subdivision = np.arange(n) // per, np.arange(n) // (4 * per)
    variances = (0.15, 0.25)
    frailties = tuple(
        Frailty(area=area, variance=variance)
        for area, variance in zip((block, subdivision), variances, strict=True)
    )
    by_block = drawn_with(chance, Variation(frailties=frailties)).reshape(400, per, -1).sum(axis=1)
    within = np.cov(by_block.reshape(100, 4, -1).transpose(1, 0, 2).reshape(4, -1))
    # By brute force: multipliers drawn, and the hazard at which the mean chance is .2.
    rng = np.random.default_rng(1)
    b1, b2 = rng.gamma(1 / 0.15, 0.15, (2, 400_000))
    s = rng.gamma(4, 0.25, 400_000)
    v = 1.15 * 1.25 - 1
    h = np.expm1(-v * np.log(0.8)) / v
    p1, p2 = -np.expm1(-h * b1 * s), -np.expm1(-h * b2 * s)
    assert p1.mean() == pytest.approx(0.2, abs=0.002)
    across = within[~np.eye(4, dtype=bool)].mean()
    assert np.diag(within).mean() == pytest.approx(per * 0.16 + per * (per - 1) * p1.var(), rel=0.06)
    assert across == pytest.approx(per**2 * np.cov(p1, p2)[0, 1], rel=0.12)


def test_no_multiplier_moves_a_chance_past_what_looks_can_show():
    n = 10_000
    chance, area = np.full(n, 0.5), np.arange(n) // 250
    frailties = (Frailty(area=area, variance=2.0),)
    bounds = {"lowest": np.full(n, 0.1), "highest": np.full(n, 0.8)}
    found = {}
    for name, more in (("bounded", bounds), ("free", {})):
        state = drawn_with(chance, Variation(frailties=frailties, **more))
        found[name] = np.quantile(state.reshape(40, 250, -1).mean(axis=1), [0.01, 0.99])
    # A share of 250 has an error of .03, and the move to the total another.
    assert found["bounded"][0] > 0.1 - 0.06
    assert 0.75 < found["bounded"][1] < 0.8 + 0.06
    assert found["free"][0] < 0.03
    assert found["free"][1] > 0.95


def test_each_town_follows_one_law():
    n = 2000
    chance = np.full(n, 0.4)
    half = np.arange(n) < n // 2
    laws = np.stack([np.where(half, 0.5, 0.3), np.where(half, 0.3, 0.5)])
    state = drawn_with(chance, Variation(laws=laws))
    first = state[half].mean(axis=0)
    # Of 128 draws side by side as many follow either; none lies between.
    assert np.mean(first > 0.4) == pytest.approx(0.5, abs=0.02)
    assert np.abs(first - 0.4).min() > 0.03
    assert first[first > 0.4].mean() == pytest.approx(0.5, abs=0.01)


def test_threads_and_repeats_change_nothing():
    x, y, block, chance, events, _ = town(600)
    layers = town_layers(x, y, chance, block=block)
    runs = [
        null_maxima(
            layers, chance, int(events.sum()), rng=np.random.default_rng(8), n_draws=300, n_threads=threads
        ).maxima
        for threads in (1, 2, 3)
    ]
    np.testing.assert_array_equal(runs[0], runs[1])
    np.testing.assert_array_equal(runs[0], runs[2])


def test_order_of_points_changes_no_zone():
    x, y, block, chance, events, _ = town(900, lift=2.5)
    order = np.random.default_rng(1).permutation(900)
    first = find_zones(town_layers(x, y, chance, block=block), events, chance)[0]
    again = find_zones(
        town_layers(x[order], y[order], chance[order], block=block[order]), events[order], chance[order]
    )[0]
    assert set(order[again.points]) == set(first.points)
    assert again.log_ratio == pytest.approx(first.log_ratio, rel=1e-12)


def test_tail_of_a_gumbel_law_is_found_from_its_upper_half():
    # 2000 draws of a Gumbel law with location 5 and scale .8; its tail at 12 is known.
    draws = np.random.default_rng(2).gumbel(5, 0.8, 2000)
    threshold = float(np.median(draws))
    null = NullMaxima.from_maxima(np.where(draws > threshold, draws, 0.0), threshold)
    true = -np.expm1(-np.exp(-(12 - 5) / 0.8))
    p, how = null.p_value(12.0)
    assert how == "gumbel"
    assert p == pytest.approx(true, rel=0.5)
    assert null.p_value(threshold - 1)[1] == "at_least"
    assert null.p_value(7.0) == ((1 + int((draws >= 7).sum())) / 2001, "rank")


def test_core_of_a_planted_zone_is_inside_it():
    x, y, block, chance, events, planted = town(1500, lift=4.0)
    layers = town_layers(x, y, chance, block=block)
    zone = find_zones(layers, events, chance, most=1)[0]
    share = core_membership(layers, zone, events, chance, (x, y), rng=np.random.default_rng(3))
    core = zone.points[share >= 0.8]
    assert share.max() <= 1
    assert len(core) > 10
    assert planted[core].mean() > 0.9
    # Points near the middle are found again more often than those at the edge.
    away = np.hypot(x[zone.points] - zone.x, y[zone.points] - zone.y)
    assert np.corrcoef(away, share)[0, 1] < -0.2


def test_impossible_input_is_named():
    layer = points_layer([0.0, 1.0, 2.0], [0.0, 0.0, 0.0], np.ones(3), cap=0.5)
    with pytest.raises(ModelInputError, match="row 1: weight must be 0 or more"):
        find_zones([layer], np.ones(3), np.array([1.0, -1.0, 1.0]))
    with pytest.raises(ModelInputError, match="row 2: a chance lies outside"):
        null_maxima([layer], np.array([0.1, 0.2, 1.3]), 1, rng=np.random.default_rng(1))
    with pytest.raises(ModelInputError, match="laws must have one value for each point"):
        town_law(np.full(3, 0.1), Variation(laws=np.full((2, 4), 0.1)))
    with pytest.raises(ModelInputError, match="variances 0 or more"):
        town_law(np.full(3, 0.1), Variation(frailties=(Frailty(area=np.zeros(3, int), variance=-1.0),)))
    with pytest.raises(ModelInputError, match="cannot be drawn"):
        null_maxima([layer], np.full(3, 0.1), 0, rng=np.random.default_rng(1))
    with pytest.raises(ModelInputError, match="row 1: a place is not finite"):
        town_layers([0.0, np.nan], [0.0, 1.0], [1.0, 1.0])


def test_no_events_or_nothing_above_expectation_gives_no_zone():
    layer = points_layer(np.arange(9.0), np.zeros(9), np.ones(9), cap=0.5)
    assert find_zones([layer], np.zeros(9), np.ones(9)) == []
    assert n_zones([layer]) > 0


def test_words_are_those_of_the_published_generator():
    # xorshift64* in whole numbers, as S. Vigna gives it (ACM Transactions on Mathematical Software 42:30, 2016;
    # shifts 12, 25, 27 and multiplier 2685821657736338717 from memory).
    mask, expected = 2**64 - 1, 1
    state = np.uint64(1)
    for _ in range(1_000):
        expected ^= expected >> 12
        expected ^= (expected << 25) & mask
        expected ^= expected >> 27
        state = _next(np.uint64(state))
        assert int(state) == expected
        assert int(_output(np.uint64(state))) == expected * 2685821657736338717 & mask

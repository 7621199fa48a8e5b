"""Hot spots on many small invented towns: false alarms as stated, planted ones found with a stated power.

Towns share no code with what they test: blocks of 20 lots, subdivisions of 2 by 2 blocks, chances from a Weibull age
curve, hazards lifted in a disc, or gamma by block and by subdivision. The model's chances are the true ones, but where
a test says that its law is off; what fitting them adds is in the town's own test.
"""

import numpy as np
import pytest

from models.scan import find_zones
from models.scan_null import Refit, null_maxima
from models.scan_ordinary import ordinary_variation
from models.zones import town_layers

pytestmark = pytest.mark.slow
DRAWS = 99


def town(rng, n_blocks=36, *, per=20, blocks=0.0, subdivisions=0.0, lift=1.0, share=0.05):
    n, side = n_blocks * per, int(np.sqrt(n_blocks))
    block = np.repeat(np.arange(n_blocks), per)
    subdivision = block // side // 2 * ((side + 1) // 2) + block % side // 2
    x = block % side * 300.0 + rng.uniform(0, 280, n)
    y = block // side * 300.0 + rng.uniform(0, 280, n)
    chance = -np.expm1(-((rng.uniform(20, 90, n) / 120) ** 2.5))
    middle = rng.uniform(0.2, 0.8, 2) * 300 * side
    inside = np.hypot(x - middle[0], y - middle[1]) < np.sqrt(share / np.pi) * 300 * side
    multiplier = np.where(inside, lift, 1.0)
    for area, variance in ((block, blocks), (subdivision, subdivisions)):
        if variance:
            multiplier = multiplier * rng.gamma(1 / variance, variance, area.max() + 1)[area]
    events = rng.random(n) < 1 - (1 - chance) ** multiplier
    return (x, y, (block, subdivision), chance, events, inside)


def judge(rng, x, y, areas, chance, events, *, draws=DRAWS, laws=None):
    """Both p-values of the best zone, as the build has them, and its points."""
    layers, spread = town_layers(x, y, chance, block=areas[0]), chance * (1 - chance)
    zone = find_zones(layers, events, chance, variance=spread, most=1)[0]
    found = [
        null_maxima(
            layers,
            chance,
            int(events.sum()),
            rng=rng,
            variance=spread,
            n_draws=draws,
            variation=variation,
            least=zone.log_ratio,
        ).p_value(zone.log_ratio)[0]
        for variation in (None, ordinary_variation(chance, events, *areas, laws=laws))
    ]
    return found[0], found[1], zone.points


def test_a_thousand_towns_without_a_hot_spot():
    # 5 % of 1,000 has a sd of .7 points. Measured: 5.3 % at .05, 50.3 % at .5.
    rng = np.random.default_rng(20)
    found = np.array([judge_plain(rng) for _ in range(1000)])
    share = float((found <= 0.05).mean())
    assert 0.035 <= share <= 0.065
    assert (found <= 0.5).mean() == pytest.approx(0.5, abs=0.05)


def judge_plain(rng, *, lift=1.0, scaled=True, old=False):
    """The first p-value of the best zone of one town."""
    x, y, (block, _), chance, events, _ = town(rng, 25 if not old else 64, per=16, lift=lift)
    if old:
        # Districts of one age each, half of whose lines have failed: the disc's hazards again, drawn anew.
        inside = np.hypot(x - 1200, y - 1200) < np.sqrt(0.05 / np.pi) * 2400
        age = np.clip(rng.normal(55, 18, 64)[block] + rng.normal(0, 8, len(x)), 10, 110)
        chance = np.clip(-np.expm1(-((age / 60) ** 4)), 1e-3, 0.999)
        events = rng.random(len(x)) < 1 - (1 - chance) ** np.where(inside, lift, 1.0)
    layers, spread = town_layers(x, y, chance, block=block), chance * (1 - chance) if scaled else None
    zone = find_zones(layers, events, chance, variance=spread, most=1)[0]
    null = null_maxima(
        layers,
        chance,
        int(events.sum()),
        rng=rng,
        variance=spread,
        n_draws=DRAWS,
        least=zone.log_ratio,
    )
    return null.p_value(zone.log_ratio)[0]


def test_an_excess_among_lines_that_mostly_fail_is_not_overlooked():
    power = {
        scaled: np.mean([judge_plain(rng, lift=4.0, scaled=scaled, old=True) <= 0.05 for _ in range(60)])
        for scaled, rng in ((False, np.random.default_rng(24)), (True, np.random.default_rng(24)))
    }
    assert power[True] >= 0.6
    assert power[True] >= power[False] + 0.15


@pytest.mark.parametrize(
    ("blocks", "subdivisions"), [(0.15, 0.0), (0.0, 0.13), (0.1, 0.1)], ids=["blocks", "subdivisions", "both"]
)
def test_areas_that_differ_make_no_firm_hot_spot(blocks, subdivisions):
    rng = np.random.default_rng(21)
    found = np.array(
        [
            judge(rng, *town(rng, 64, per=12, blocks=blocks, subdivisions=subdivisions)[:5])[:2]
            for _ in range(300)
        ]
    )
    first, firm = (found[:, 0] <= 0.05).mean(), (found.max(axis=1) <= 0.05).mean()
    # The first question alone is fooled: that is why there is a second. Measured, first and firm: 12.0 and 3.7 %,
    # 20.3 and 4.3 %, 28.7 and 2.3 %.
    assert first > 0.10
    assert firm <= 0.05


def test_a_law_that_is_off_makes_no_firm_hot_spot():
    # Old pipe lies in the west. Its hazards may be 1.8 times as high or low as the law has them, which the draws know
    # and the chances that are scanned do not.
    rng = np.random.default_rng(25)
    plain, firm = [], []
    for _ in range(120):
        x, y, areas, chance, _, _ = town(rng, 64, per=12)
        old = np.where(x < 1200, 1.0, 0.0)
        sure = np.clip(1 - (1 - chance) ** (1 + 2 * old), 1e-4, 1 - 1e-4)
        laws = [1 - (1 - sure) ** np.exp(old * rng.normal(0, 0.6)) for _ in range(41)]
        events = rng.random(len(x)) < laws[0]
        p_value, p_value_areas, _ = judge(rng, x, y, areas, sure, events, laws=np.stack(laws[1:]))
        plain.append(p_value <= 0.05)
        firm.append(max(p_value, p_value_areas) <= 0.05)
    # Measured on 120 towns: 16.7 and 1.7 %.
    assert np.mean(plain) > 0.10
    assert np.mean(firm) <= 0.05


def test_planted_hot_spots_are_found():
    rng = np.random.default_rng(22)
    found, firm = {}, {}
    sensitivity, purity = [], []
    for lift in (2.0, 3.0, 4.0):
        judged = []
        for _ in range(60):
            x, y, areas, chance, events, inside = town(rng, 64, lift=lift)
            p_value, p_value_areas, points = judge(rng, x, y, areas, chance, events)
            judged.append((p_value <= 0.05, max(p_value, p_value_areas) <= 0.05))
            if judged[-1][1] and lift == 4.0:
                sensitivity.append(inside[points].sum() / max(inside.sum(), 1))
                purity.append(inside[points].mean())
        found[lift], firm[lift] = np.mean(judged, axis=0)
    # Measured, in 5 % of 1,280 lots with 16 subdivisions: found 22, 80 and 100 %, firm 15, 58 and 95 %. That subdivisions
    # may differ costs power: with blocks alone in the second question 17, 75 and 97 % were firm.
    assert found[3.0] >= 0.6
    assert found[4.0] >= 0.9
    assert found[2.0] < found[3.0] < found[4.0]
    assert firm[2.0] < firm[3.0] < firm[4.0]
    assert firm[4.0] >= 0.85
    assert np.mean(sensitivity) > 0.7
    assert np.mean(purity) > 0.7


def test_refitting_keeps_the_level_where_the_baseline_has_places_in_it():
    # Nine areas' own rates are fitted by a Newton step; without a refit the test would hardly ever speak.
    rng = np.random.default_rng(23)
    plain, refitted = [], []
    for _ in range(200):
        x, y, (block, _), chance, events, _ = town(rng, 36)
        area = (x // 601).astype(int) * 3 + (y // 601).astype(int)
        terms = (area[:, None] == np.arange(9)).astype(float)
        slope = chance * (1 - chance)
        fitted = chance.copy()
        for _ in range(20):
            spread = fitted * (1 - fitted)
            step = (terms.T @ (events - fitted)) / (terms.T @ spread)
            odds = fitted / (1 - fitted) * np.exp(terms @ step)
            fitted = odds / (1 + odds)
        slope = fitted * (1 - fitted)
        layers = town_layers(x, y, fitted, block=block)
        zone = find_zones(layers, events, fitted, most=1)[0]
        for store, refit in ((plain, None), (refitted, Refit(terms=terms, slope=slope))):
            null = null_maxima(
                layers, fitted, int(events.sum()), rng=rng, n_draws=DRAWS, refit=refit, least=zone.log_ratio
            )
            store.append(null.p_value(zone.log_ratio)[0])
    shares = [np.mean(np.array(found) <= 0.05) for found in (plain, refitted)]
    # Measured: .5 % plugged in, 5.0 % refitted.
    assert shares[0] < 0.03
    assert 0.01 <= shares[1] <= 0.10
    assert np.median(refitted) < np.median(plain)

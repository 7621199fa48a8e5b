"""Steps about places on made-up looks: labels, warnings, areas, outlines. No warehouse."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import shapely

from pipeline.published import contract
from pipeline.published.write import conform
from pipeline.settings import Settings
from pipeline.steps.places_areas import areas_and_effects
from pipeline.steps.places_looks import LotLooks, numbered
from pipeline.steps.places_outlines import cell_names, hull, in_degrees
from pipeline.steps.places_scan import (
    Surge,
    blocks_of,
    cell_side,
    inspection_surges,
    scan_looks,
    warnings_of,
)

SETTINGS = Settings(hot_spot_draws=199)


def made_up(n_blocks=64, *, lift=1.0, frailty=0.0, seed=1, per=20):
    """Looks in a town of square blocks; hazards in one disc times `lift`, blocks' gamma with `frailty`."""
    rng = np.random.default_rng(seed)
    n, side = n_blocks * per, int(np.sqrt(n_blocks))
    block = np.repeat(np.arange(n_blocks), per)
    x = block % side * 300.0 + rng.uniform(0, 280, n)
    y = block // side * 300.0 + rng.uniform(0, 280, n)
    chance = -np.expm1(-((rng.uniform(20, 80, n) / 110) ** 2.5))
    inside = np.hypot(x - 150 * side, y - 150 * side) < 0.13 * 300 * side
    multiplier = rng.gamma(1 / frailty, frailty, n_blocks)[block] if frailty else np.ones(n)
    multiplier = np.where(inside, lift, multiplier)
    lots = pl.DataFrame(
        {
            "lot_id": [f"L{number:05d}" for number in range(n)],
            "is_bad": rng.random(n) < 1 - (1 - chance) ** multiplier,
            "expected": chance,
            "lowest": 0.0,
            "highest": 1.0,
            "years_ago": rng.uniform(0, 10, n),
            "inspection_id": [f"I{number:05d}" for number in range(n)],
            "x_ft": x,
            "y_ft": y,
            "block": [f"B{number:03d}" for number in block],
            "subdivision": [f"S{number // 8:02d}" for number in block],
        }
    )
    return LotLooks(lots, np.stack([chance * 0.95, chance, chance * 1.05]).clip(0, 0.999)), inside


def test_a_planted_hot_spot_is_firm_and_its_core_inside_it():
    looks, inside = made_up(lift=5.0)
    result = scan_looks(looks, SETTINGS, np.random.default_rng(1))
    assert result.is_enough
    first = result.zones[0]
    assert first.is_firm
    assert first.p_value < 0.01
    # The circle with the largest ratio takes in a few lots past the edge.
    assert inside[first.rows].mean() > 0.6
    assert inside[first.rows[first.core_share >= 0.8]].mean() > 0.9


def test_looks_without_a_place_are_left_out_and_counted():
    looks, _ = made_up()
    lots = looks.lots.with_columns(x_ft=pl.when(pl.int_range(pl.len()) < 100).then(None).otherwise("x_ft"))
    result = scan_looks(LotLooks(lots, looks.draws), SETTINGS, np.random.default_rng(1))
    assert result.n_without_place == 100
    assert result.looks.lots.height == looks.lots.height - 100
    assert result.looks.draws.shape[1] == result.looks.lots.height


def test_too_few_looks_are_not_scanned():
    looks, _ = made_up(n_blocks=4, per=8)
    result = scan_looks(looks, SETTINGS, np.random.default_rng(1))
    assert not result.is_enough
    assert result.zones == ()


def test_cells_stand_in_for_blocks_that_are_not_on_record():
    looks, _ = made_up()
    lots = looks.lots.with_columns(block=pl.lit(None, dtype=pl.String))
    sizes = np.bincount(blocks_of(lots))
    assert 15 <= sizes.mean() <= 35
    side = cell_side(lots["x_ft"].to_numpy(), lots["y_ft"].to_numpy())
    names = cell_names(np.array([0.0, side - 1, side + 1, -1.0]), np.zeros(4), side)
    assert names.to_list() == ["0:0", "0:0", "1:0", "-1:0"]


def test_numbers_follow_names_and_none_is_minus_one():
    number, names = numbered(pl.Series(["b", None, "a", "b"]))
    assert number.tolist() == [1, -1, 0, 1]
    assert names == ["a", "b"]


@pytest.fixture(scope="module")
def found():
    looks, _ = made_up(lift=5.0)
    return looks, scan_looks(looks, SETTINGS, np.random.default_rng(1)).zones[0]


def operators(looks, first):
    """Everyone's camera is run by one of four, but those of the zone by OP-1."""
    rng = np.random.default_rng(2)
    names = np.array([f"OP-{number}" for number in rng.integers(1, 5, looks.lots.height)])
    names[first.rows] = "OP-1"
    return looks.lots.select("inspection_id", operator=pl.Series(names))


def test_one_operator_is_warned_of(found):
    looks, first = found
    nothing = Surge(frozenset())
    warned = warnings_of(first, looks, operators(looks, first), nothing, None)
    assert warned == "Coincides with how the looks were made: one operator (OP-1) made 100% of its looks."
    mixed = looks.lots.select(
        "inspection_id", operator=pl.Series(np.tile(["OP-1", "OP-2"], looks.lots.height // 2))
    )
    assert warnings_of(first, looks, mixed, nothing, None) == ""


def test_one_year_is_warned_of(found):
    looks, first = found
    ago = looks.lots["years_ago"].to_numpy().copy()
    ago[first.rows] = 3.5
    dated = LotLooks(looks.lots.with_columns(years_ago=pl.Series(ago)), looks.draws)
    none = pl.DataFrame(schema={"inspection_id": pl.String, "operator": pl.String})
    assert "100% of its looks were made in 2022" in warnings_of(
        first, dated, none, Surge(frozenset()), 2026.0
    )
    assert warnings_of(first, looks, none, Surge(frozenset()), 2026.0) == ""


def test_a_surge_of_inspections_is_found_and_warned_of(found):
    looks, first = found
    rng = np.random.default_rng(3)
    inside = np.zeros(looks.lots.height, dtype=bool)
    inside[first.rows] = True
    looked = rng.random(looks.lots.height) < np.where(inside, 0.9, 0.25)
    surge = inspection_surges(
        looks.lots, looks.lots.filter(pl.Series(looked))["lot_id"], np.random.default_rng(4)
    )
    caught = looks.lots["lot_id"].is_in(list(surge.lots)).to_numpy()
    assert caught[inside].mean() > 0.8
    none = pl.DataFrame(schema={"inspection_id": pl.String, "operator": pl.String})
    assert "inspected more often than elsewhere" in warnings_of(first, looks, none, surge, None)
    even = looks.lots.filter(pl.Series(rng.random(looks.lots.height) < 0.4))["lot_id"]
    assert not inspection_surges(looks.lots, even, np.random.default_rng(4)).lots


def test_areas_have_multipliers_or_say_too_few():
    looks, _ = made_up(n_blocks=196, frailty=0.5, seed=6)
    few = looks.lots["block"].is_in(["B000", "B001"]).to_numpy() & (np.arange(looks.lots.height) % 4 > 0)
    thinned = looks.only(pl.lit(pl.Series(~few)))
    table, effects = areas_and_effects(thinned, looks.lots, SETTINGS, np.random.default_rng(1))
    conform(contract.AREA_HAZARDS, table)
    conform(contract.LOCAL_EFFECTS, effects)
    blocks = table.filter(pl.col("area_kind") == "block")
    assert blocks.height == 196
    thin = blocks.filter(pl.col("area").is_in(["B000", "B001"]))
    assert thin["status"].to_list() == ["too_few_records"] * 2
    assert thin.select("multiplier", "n_observed", "expected", "gi_star_z").null_count().row(0) == (
        2,
        2,
        2,
        2,
    )
    known = blocks.filter(pl.col("status") == "ok")
    assert (known["multiplier_lower"] <= known["multiplier"]).all()
    assert (known["multiplier"] <= known["multiplier_upper"]).all()
    assert (known["expected_lower"] <= known["expected_upper"]).all()
    ratio = known["n_observed"] / known["expected"]
    assert np.corrcoef(ratio, known["multiplier"])[0, 1] > 0.95
    used = effects.filter(pl.col("is_used"))
    assert "block" in used["area_kind"].to_list()
    assert used.group_by("area_kind").len()["len"].max() == 1


def test_no_local_effect_is_switched_off():
    looks, _ = made_up(seed=7)
    _, effects = areas_and_effects(looks, looks.lots, SETTINGS, np.random.default_rng(1))
    assert not effects["is_used"].any()


def test_areas_without_places_have_no_neighbours():
    looks, _ = made_up(frailty=0.4, seed=6)
    nowhere = looks.lots.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in ("x_ft", "y_ft"))
    table, effects = areas_and_effects(
        LotLooks(nowhere, looks.draws), nowhere, SETTINGS, np.random.default_rng(1)
    )
    assert set(table["area_kind"]) == {"block", "subdivision"}
    assert table["neighbour_multiplier"].null_count() == table.height
    assert set(effects["method"]) == {"towards_town"}


def test_outlines_in_degrees_are_true_to_a_foot():
    # A foot of latitude is 1 / 364,567 degrees near 45 N (one degree is 111,132 m there, common practice).
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 2000, 100), rng.uniform(0, 2000, 100)
    lat = 45 + y / 364_567
    lon = -93 + x / (364_567 * np.cos(np.radians(45)))
    shape = hull(x[:20], y[:20])
    turned = shapely.from_wkt(in_degrees(shape, x, y, lon, lat))
    back = shapely.transform(
        turned,
        lambda points: np.column_stack(
            ((points[:, 0] + 93) * 364_567 * np.cos(np.radians(45)), (points[:, 1] - 45) * 364_567)
        ),
    )
    assert shapely.hausdorff_distance(back, shape) < 1.0
    assert in_degrees(shape, x[:2], y[:2], lon[:2], lat[:2]) is None
    line = np.arange(5.0)
    assert in_degrees(shape, line, line, -93 + line, 45 + line) is None

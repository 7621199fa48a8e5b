"""What the assumptions file and its prices may say; each fault is one sentence that names the place."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.money import Spread
from pipeline.assumptions import (
    NOT_IN_FILE,
    parse_assumptions,
    read_assumptions,
    shipped_text,
    write_own_copy,
)
from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.steps.budget_costs import depth_range, draw_prices, loaded_costs, spot_repairs, works_by


def changed(old: str, new: str):
    text = shipped_text()
    assert old in text
    return parse_assumptions(text.replace(old, new, 1))


FAULTS = [
    (
        "visit_usd = { low = 150, likely = 300, high = 560 }",
        "visit_usd = { low = -150, likely = 300, high = 560 }",
        "assumptions.toml, [camera], visit_usd: low is -150; it cannot be negative. Correct it.",
    ),
    (
        "visit_usd = { low = 150, likely = 300, high = 560 }",
        "visit_usd = { low = 150, high = 560 }",
        "assumptions.toml, [camera], visit_usd: low, likely and high are needed. Write it as { low = 100, likely = 150, high = 250 }.",
    ),
    (
        "visit_usd = { low = 150, likely = 300, high = 560 }",
        "visit_usd = { low = 350, likely = 300, high = 560 }",
        "assumptions.toml, [camera], visit_usd: low, likely and high do not rise in this order. Correct them.",
    ),
    (
        "usd = { low = 80, likely = 140, high = 250 }\n",
        "",
        "assumptions.toml, [[cost]] number 1: its price is missing. Add usd = { low = 100, likely = 150, high = 250 }.",
    ),
    (
        "horizon_years = 20",
        "horizon_years = 0",
        "assumptions.toml, [look_ahead], horizon_years: 0 is not a whole number from 1 up. Correct it.",
    ),
    (
        "horizon_years = 20",
        "horizon_years = 61",
        "assumptions.toml: a horizon of 61 years cannot be budgeted. Give one from 1 to 60 years.",
    ),
    (
        "escalation_rate = 0.03",
        "escalation_rate = 3",
        "assumptions.toml, [prices], escalation_rate: 3 is not a yearly rate between -0.5 and 0.5. Write 3 % as 0.03.",
    ),
    (
        "bituminized_fiber = 40,",
        "papyrus = 40,",
        "assumptions.toml, [replace_by_age], ages_years: unknown material 'papyrus'.",
    ),
    (
        'material = "pvc"',
        'material = "brick"',
        "assumptions.toml, [method.open_cut], material: 'brick' is not laid new.",
    ),
    (
        "[look_ahead]",
        "[look_back]",
        "assumptions.toml, the file: 'look_back' is unknown.",
    ),
    (
        'unit = "per foot"',
        'unit = "per mile"',
        "assumptions.toml, [[cost]] number 1, unit: 'per mile' is unknown. Use 'per foot' or 'each'.",
    ),
    (
        "share = { low = 0.2, likely = 0.4, high = 0.6 }",
        "share = { low = 20, likely = 40, high = 60 }",
        "assumptions.toml, [spot_repair], share: high is 60; a share is 1 at most. Write 40 % as 0.4.",
    ),
    ("[prices]", "[prices", "assumptions.toml: not readable as TOML"),
]


@pytest.mark.parametrize(("old", "new", "sentence"), FAULTS)
def test_each_fault_is_one_sentence(old, new, sentence) -> None:
    with pytest.raises(SettingsError) as caught:
        changed(old, new)
    assert str(caught.value).startswith(sentence)


def test_a_policy_with_an_unknown_method_is_told_the_known_ones() -> None:
    found = changed(
        '[reline_ahead]\nfrom_age_years = 40\nprogramme_years = 10\nmethod = "lining"',
        '[reline_ahead]\nfrom_age_years = 40\nprogramme_years = 10\nmethod = "magic"',
    )
    with pytest.raises(SettingsError) as caught:
        found.method("reline_ahead")
    assert str(caught.value) == (
        "assumptions.toml, [reline_ahead], method: unknown method 'magic'. Use one of: open_cut, bursting, lining; "
        "or describe it as [method.magic]."
    )


def test_options_stand_before_the_file_and_are_told() -> None:
    found = parse_assumptions(shipped_text()).changed(horizon=7, draws=50, balance=1_000, cap=2_000)
    assert (found.horizon_years, found.reserve_usd, found.cap_usd) == (7, 1_000, 2_000)
    table = dict(found.table(found.costs).select("name", "source").iter_rows())
    assert table["look ahead: horizon years"] == "set for this run"
    for options, words in (
        (
            {"horizon": 0},
            "the options: a horizon of 0 years cannot be budgeted. Give one from 1 to 60 years.",
        ),
        ({"draws": 0}, "the options: 0 draws cannot be simulated. Give from 1 to 100,000."),
        (
            {"cap": -5.0},
            "--cap -5: this is no sum of money from 0 to 1,000,000,000,000 US dollars. Correct it.",
        ),
        (
            {"balance": float("nan")},
            "--reserve nan: this is no sum of money from 0 to 1,000,000,000,000 US dollars. Correct it.",
        ),
    ):
        with pytest.raises(SettingsError) as caught:
            found.changed(**options)
        assert str(caught.value) == words


def test_every_assumption_is_told_with_its_value_and_source(tmp_path) -> None:
    workspace = Workspace(tmp_path / "w")
    write_own_copy(workspace)
    found = read_assumptions(workspace)
    told = found.table(found.costs)
    for name, value in (
        ("prices: base year", "2025"),
        ("trouble: surcharge factor", "1.2 / 1.5 / 2"),
        ("new pipe: is checked at handover", "yes"),
        ("price of open cut, 6-10 ft, street", "175 / 305 / 545 US dollars of 2025 per foot"),
    ):
        assert told.filter(pl.col("name") == name)["value"].to_list() == [value]
    assert told["source"].null_count() == 0
    assert told["source"].str.len_chars().min() > 3


def test_an_older_copy_lacks_what_came_since_and_that_is_told() -> None:
    found = changed("mobilisation_usd = { low = 500, likely = 1200, high = 2500 }\n", "")
    assert found.spread("job", "mobilisation_usd") == Spread(500, 1200, 2500)
    (source,) = found.table(()).filter(pl.col("name") == "job: mobilisation usd")["source"]
    assert source == NOT_IN_FILE


@pytest.mark.parametrize(
    ("band", "expected"),
    [
        ("0-6 ft", (0, 6)),
        ("6 to 10 ft", (6, 10)),
        ("over 10 ft", (10, np.inf)),
        ("12+ ft", (12, np.inf)),
        ("up to 6 ft", (0, 6)),
        ("< 6", (0, 6)),
    ],
)
def test_depth_bands_as_people_write_them(band, expected) -> None:
    assert depth_range(band) == expected


def test_a_band_that_nobody_can_read_is_told() -> None:
    with pytest.raises(SettingsError, match="depth band 'rather deep': cannot be read"):
        depth_range("rather deep")


ROW = {
    "method": "Open cut", "diameter_in": 4.0, "depth_band": "0-6 ft", "surface": "lawn", "unit": "per foot",
    "low_usd": 80.0, "likely_usd": 140.0, "high_usd": 250.0, "base_year": 2020,
}  # fmt: skip


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"likely_usd": None}, "a price is missing. Load the table again with low, likely and high."),
        (
            {"low_usd": -1.0},
            "the prices -1, 140, 250 are negative or do not rise. Correct and load them again.",
        ),
        ({"unit": "mile"}, "unit 'mile' is unknown. Use 'per foot' or 'each'."),
    ],
)
def test_loaded_prices_that_cannot_be(wrong, words) -> None:
    with pytest.raises(SettingsError) as caught:
        loaded_costs(pl.DataFrame([{**ROW, **wrong}]))
    assert str(caught.value) == f"Unit costs, method 'Open cut': {words}"


def prices(rows, *, as_of=2023.0, method="open_cut", **options):
    found = parse_assumptions(shipped_text()).changed(draws=4_000, **options)
    table = draw_prices(
        found,
        loaded_costs(pl.DataFrame(rows)),
        [found.methods[method]],
        as_of_year=as_of,
        rng=np.random.default_rng(1),
    )
    return found, table


def test_prices_are_brought_to_today_and_stay_in_their_range() -> None:
    _, table = prices([ROW])
    grown = 1.03**3
    assert table.price[0].min() >= 80 * grown
    assert table.price[0].max() <= 250 * grown
    # (80 + 4 · 140 + 250) / 6 = 148.33; standard error 0.5 %.
    assert table.price[0].mean() == pytest.approx(148.33 * grown, rel=0.01)


def test_all_prices_of_a_method_are_dear_together() -> None:
    _, table = prices(
        [ROW, {**ROW, "depth_band": "over 6 ft", "low_usd": 160.0, "likely_usd": 280.0, "high_usd": 500.0}]
    )
    np.testing.assert_allclose(table.price[1], 2 * table.price[0])


def test_each_pipe_has_the_price_of_its_depth_size_and_surface() -> None:
    rows = [
        ROW,
        {**ROW, "depth_band": "6-10 ft"},
        {**ROW, "depth_band": "over 10 ft"},
        {**ROW, "diameter_in": 6.0},
        {**ROW, "surface": "street"},
        {**ROW, "method": "bursting"},
    ]
    found, table = prices(rows)
    pipes = pl.DataFrame(
        {
            "material": ["pvc"] * 6,
            "diameter_in": [4.0, 4.0, 4.0, 6.0, 5.9, 4.0],
            "depth_ft": [3.0, 6.0, 25.0, 3.0, 5.0, 9.9],
            "length_ft": [10.0, 20.0, 30.0, 40.0, 50.0, 60.0],
        }
    )
    works = works_by(found.methods["open_cut"], table, pipes, np.zeros(6, dtype=np.int64), found)
    # A depth on an edge belongs to the deeper band.
    np.testing.assert_array_equal(works.row, [0, 1, 2, 3, 3, 1])
    np.testing.assert_array_equal(works.units, [10, 20, 30, 40, 50, 60])
    lining = works_by(found.methods["lining"].__class__(name="open_cut", material="pvc", not_for=("pvc",), source=""), table, pipes, np.zeros(6, dtype=np.int64), found)  # fmt: skip
    assert (lining.row == -1).all()


def test_a_price_for_each_does_not_grow_with_length() -> None:
    found, table = prices([{**ROW, "unit": "each"}])
    pipes = pl.DataFrame({"material": ["pvc"], "diameter_in": [4.0], "depth_ft": [3.0], "length_ft": [70.0]})
    works = works_by(found.methods["open_cut"], table, pipes, np.zeros(1, dtype=np.int64), found)
    np.testing.assert_array_equal(works.units, [1.0])


def test_a_spot_costs_what_the_assumptions_say_unless_unit_costs_list_it() -> None:
    pipes = pl.DataFrame(
        {"material": ["pvc"] * 2, "diameter_in": [4.0] * 2, "depth_ft": [3.0, 9.0], "length_ft": [70.0] * 2}
    )
    found, table = prices([ROW], as_of=2025.0)
    usual = spot_repairs(table, pipes, found)
    np.testing.assert_array_equal(usual.units, 1.0)
    # (1,500 + 4 · 2,500 + 4,000) / 6 = 2,583 whatever the depth, in 0.4 of pipes; standard errors 0.3 and 0.3 %.
    np.testing.assert_allclose(usual.price[usual.row].mean(axis=1), 2_583, rtol=0.02)
    assert usual.share.mean() == pytest.approx(0.4, rel=0.02)
    spot = {**ROW, "method": "Spot repair", "unit": "each", "base_year": 2025}
    listed = [
        {**spot, "low_usd": 900.0, "likely_usd": 900.0, "high_usd": 900.0},
        {**spot, "depth_band": "over 6 ft", "low_usd": 5_000.0, "likely_usd": 5_000.0, "high_usd": 5_000.0},
    ]
    found, table = prices([ROW, *listed], as_of=2025.0)
    own = spot_repairs(table, pipes, found)
    np.testing.assert_allclose(own.price[own.row, 0], [900, 5_000])


def test_a_method_or_surface_without_a_price_is_told() -> None:
    with pytest.raises(SettingsError) as caught:
        prices([ROW], method="lining")
    assert str(caught.value) == (
        "Method 'lining' has no unit cost (there are prices of: open_cut). Add one to assumptions.toml or load it."
    )
    found, table = prices([{**ROW, "surface": "street"}])
    pipes = pl.DataFrame({"material": ["pvc"], "diameter_in": [4.0], "depth_ft": [3.0], "length_ft": [70.0]})
    with pytest.raises(
        SettingsError,
        match=r"\[site\], surface: method 'open_cut' has no price for 'lawn'. Use one of: street.",
    ):
        works_by(found.methods["open_cut"], table, pipes, np.zeros(1, dtype=np.int64), found)

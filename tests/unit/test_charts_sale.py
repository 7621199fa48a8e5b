"""Charts of a sale and of the intake, and the words for numbers beside them."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
import pytest
import vl_convert

from dashboards import theme, wording
from dashboards.charts import intake, sale

CHANCES = pl.DataFrame(
    {"what": ["now|here", "later"], "chance": [0.2, 0.4], "lower": [0.1, 0.3], "upper": [0.3, 0.6]}
)
SEGMENTS = pl.DataFrame(
    {
        "material": ["pvc", "vitrified_clay"], "from_ft": [0.0, 12.0], "to_ft": [12.0, 60.0], "label": ["1", "2"],
        "chance": ["1 %", "30 %"], "laid": ["1990", "1950"],
    }
)  # fmt: skip
AT_LEAST = pl.DataFrame({"k": [0, 1, 2], "probability_at_least": [1.0, 0.6, 0.2]})
LOADS = pl.DataFrame(
    {
        "load_id": [2, 1], "file_name": ["b.csv", "a.csv"], "n_read": [10, 0], "n_accepted": [6, 0],
        "n_unchanged": [1, 0], "n_duplicate": [1, 0], "n_rejected": [2, 0],
    }
)  # fmt: skip
REASONS = pl.DataFrame({"reason": ["not a date"], "n_rejects": [3]})


@pytest.mark.parametrize(
    "chart",
    [
        sale.chances(CHANCES),
        sale.line(SEGMENTS),
        sale.at_least(AT_LEAST),
        intake.accounting(LOADS),
        intake.reasons(REASONS),
    ],
    ids=["chances", "line", "at_least", "accounting", "reasons"],
)
def test_charts_compile_with_the_shared_dress(chart: Any) -> None:
    spec = chart if isinstance(chart, dict) else theme.dress(chart)
    alt.Chart.from_dict(spec)  # checks it against the schema
    assert vl_convert.vegalite_to_vega(spec)["marks"]


def test_another_lot_is_drawn_the_same_way_with_its_own_rows() -> None:
    one, other = sale.line(SEGMENTS), sale.line(SEGMENTS.with_columns(pl.col("to_ft") + 1))
    assert [row["to_ft"] for row in one["data"]["values"]] == [12, 60]
    assert [row["to_ft"] for row in other["data"]["values"]] == [13, 61]
    assert {**one, "data": None} == {**other, "data": None}


def test_parts_of_a_load_add_up_to_the_rows_read() -> None:
    spec = intake.accounting(LOADS).to_dict()
    rows = spec["datasets"][spec["data"]["name"]]
    assert sum(row["rows"] for row in rows) == 10
    assert sum(row["share"] for row in rows) == pytest.approx(1)
    assert {row["load"] for row in rows} == {"load 2"}  # an empty file has no shares


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "–"), (float("nan"), "–"), (0.0, "under 1 %"), (0.004, "under 1 %"), (0.006, "1 %"), (0.25, "25 %"), (0.994, "99 %"), (1.0, "over 99 %")],
)  # fmt: skip
def test_chances_are_never_a_false_nought_or_certainty(value: float | None, words: str) -> None:
    assert wording.chance(value) == words


def test_a_counted_share_may_be_none_or_all_but_only_exactly() -> None:
    assert wording.share(0, 2836) == "0 %"
    assert wording.share(2836, 2836) == "100 %"
    assert wording.share(2835, 2836) == "over 99 %"
    assert wording.share(1, 2836) == "under 1 %"
    assert wording.share(0, 0) == "–"


@pytest.mark.parametrize(
    ("status", "n_observed", "words"),
    [
        ("ok", 8, "within chance"), ("ok", 9, "more than chance allows"), ("ok", 1, "fewer than chance allows"),
        ("too_few_records", 9, "too few records"),
    ],
)  # fmt: skip
def test_an_area_is_set_against_chance(status: str, n_observed: int, words: str) -> None:
    row = {"status": status, "n_observed": n_observed, "expected_lower": 2.0, "expected_upper": 8.0}
    assert wording.against_chance(row) == words


def test_ranges_in_words() -> None:
    assert wording.chance_range(0.123, 0.456) == "12 to 46 %"
    assert wording.chance_range(0.001, 0.002) == "under 1 %"
    assert wording.chance_range(0.001, 0.02) == "under 1 to 2 %"
    assert wording.chance_range(None, 0.2) == "–"
    assert wording.number_range(1.24, 12345.6) == "1 to 12,346"
    assert wording.years(1950.0, 1951.0) == "1950"
    assert wording.years(1950.0, 1957.0) == "1950 to 1957"
    assert wording.years(None, 1957.0) == "–"
    assert wording.years(0.0, 0.0) == "–"  # only ages are kept


def test_every_code_of_the_trade_has_words_for_the_page() -> None:
    assert wording.material("abs") == "ABS"
    assert wording.material("vitrified_clay") == "vitrified clay"
    assert wording.material(None) == "not recorded"
    assert wording.outcome("any") == "Any repair-grade finding"

"""Where a line crosses the property line: on record, or assumed from the main back."""

from __future__ import annotations

from importlib import resources

import numpy as np
import polars as pl
import pytest

from models.money import Spread
from pipeline.steps.connections_property_line import property_lines
from pipeline.steps.connections_rules import FILE, Consequences, parse

SHIPPED = (resources.files("pipeline.rules") / FILE).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def rules() -> Consequences:
    return parse(SHIPPED)


def placed(
    rules: Consequences, lengths: list[float | None], recorded: float | None, street: str | None
) -> dict:
    lives = pl.DataFrame(
        {"lot_id": ["a"] * len(lengths), "length_ft": lengths}, schema_overrides={"length_ft": pl.Float64}
    )
    facts = pl.DataFrame(
        {"lot_id": ["a"], "property_line_ft": [recorded], "street_class": [street]},
        schema={"lot_id": pl.String, "property_line_ft": pl.Float64, "street_class": pl.String},
    )
    return property_lines(lives, facts, rules).row(0, named=True)


@pytest.mark.parametrize(
    ("lengths", "recorded", "street", "source", "upper", "lower"),
    [
        # By hand, from the shipped lengths of lower laterals: 28 ft, 34 under a collector, 45 under an arterial street.
        ([20.0, 40.0], 33.0, "local", "recorded", 33.0, 27.0),
        ([20.0, 40.0], None, "local", "assumed", 32.0, 28.0),
        ([20.0, 40.0], None, "collector", "assumed", 26.0, 34.0),
        ([20.0, 40.0], None, "arterial", "assumed", 15.0, 45.0),
        ([20.0, 40.0], None, None, "assumed", 32.0, 28.0),
        # A line shorter than the lower lateral is all lower.
        ([20.0], None, "local", "assumed", 0.0, 20.0),
        ([20.0, 40.0], 0.0, "local", "recorded", 0.0, 60.0),
        # A property line behind the main cannot be.
        ([20.0, 40.0], 60.0, "local", "beyond_line", 32.0, 28.0),
        # Lengths not on record: 50 ft in all, or as much as what is known asks for.
        ([None], None, "local", "length_assumed", 22.0, 28.0),
        ([45.0, None], None, "local", "length_assumed", 45.0, 28.0),
        ([None], 40.0, "local", "recorded", 40.0, 28.0),
    ],
)
def test_where_the_property_line_is(rules, lengths, recorded, street, source, upper, lower):
    found = placed(rules, lengths, recorded, street)
    assert found["property_line_source"] == source
    assert (found["upper_length_ft"], found["lower_length_ft"]) == (upper, lower)


def test_the_shipped_lengths_are_half_of_usual_rights_of_way(rules):
    # Common practice: rights-of-way of local streets 50 to 60 ft, of collectors 60 to 80, of arterials 80 to 120,
    # with the main near the middle; each range must hold half of both.
    usual = {None: (50, 60), "collector": (60, 80), "arterial": (80, 120)}
    assert {row.street_class for row in rules.lower_laterals} == set(usual)
    for row in rules.lower_laterals:
        narrow, wide = usual[row.street_class]
        assert isinstance(row.length_ft, Spread)
        assert row.length_ft.low <= narrow / 2 <= wide / 2 <= row.length_ft.high
        assert np.isclose(row.length_ft.likely, (narrow + wide) / 4, atol=5)

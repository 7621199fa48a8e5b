"""What a client allowed decides what an inspection is used for (fair dealing: the report is the client's)."""

from __future__ import annotations

from datetime import date

import pytest

LOT = {"lot_id": "A", "address": "1 Elm St", "year_built": 1950}
SEGMENT = {"lot_id": "A", "sequence": 1, "material": "vitrified_clay", "install_year": 1950}


def look(consent):
    return {
        "inspection_id": "J1",
        "lot_id": "A",
        "inspection_date": date(2010, 5, 1),
        "overall_verdict": "repair",
        **({"consent": consent} if consent else {}),
    }


@pytest.mark.parametrize(("consent", "n"), [(None, 1), ("aggregate", 1), ("identified", 1), ("none", 0)])
def test_an_inspection_is_used_unless_nothing_was_allowed(records, consent, n):
    exposed = records(lots=[LOT], segments=[SEGMENT], inspections=[look(consent)])
    assert exposed.looks.height == n
    assert exposed.intervals.height == n


def test_what_it_described_is_not_used_either(records):
    described = {**SEGMENT, "observed_by": "J1", "material": "concrete"}
    for consent, material in (("none", "unknown"), ("aggregate", "concrete")):
        exposed = records(lots=[LOT], inspections=[look(consent)], observed=[described])
        assert exposed.lives.filter(exposed.lives["ended_year"].is_null())["material"].to_list() == [material]

"""Segments of which nothing tells when they were laid are counted, and their lines say why they have no estimate."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import polars as pl

from pipeline.settings import Settings
from pipeline.steps.build_lots import _with_status, years_of_lines
from pipeline.steps.fit_input import read_exposure
from pipeline.warehouse import sql_text

CLAY = {"material": "vitrified_clay", "install_year": 1950}


def line(lot, *segments):
    return [
        {"lot_id": lot, "sequence": place, "from_ft": 20.0 * (place - 1), "to_ft": 20.0 * place, **segment}
        for place, segment in enumerate(segments, start=1)
    ]


def years(seen) -> dict[str, tuple[int, int, int]]:
    exposure = read_exposure(seen._warehouse, Settings())
    found = years_of_lines(seen._warehouse.frame(sql_text("published/lives_in_use")), exposure)
    return {row[0]: row[1:] for row in found.rows()}


def test_a_segment_without_material_install_year_and_house_year_leaves_its_line_without_an_age(records):
    look = {
        "inspection_id": "1",
        "lot_id": "A",
        "inspection_date": date(2000, 1, 1),
        "overall_verdict": "repair",
    }
    seen = records(
        lots=[{"lot_id": "A"}, {"lot_id": "B", "year_built": 1950}, {"lot_id": "C"}],
        segments=[*line("A", CLAY, {}, CLAY), *line("B", CLAY, {}), *line("C", CLAY, CLAY)],
        inspections=[look],
    )
    assert years(seen) == {"A": (3, 1, 0)}


def test_a_house_built_after_the_pipe_was_seen_tells_nothing_of_it(records):
    look = {
        "inspection_id": "1",
        "lot_id": "A",
        "inspection_date": date(1980, 1, 1),
        "overall_verdict": "repair",
    }
    seen = records(
        lots=[{"lot_id": "A", "year_built": 1995}], segments=line("A", CLAY, {}), inspections=[look]
    )
    assert years(seen) == {"A": (2, 1, 0)}


def test_a_known_material_has_the_years_in_which_it_was_laid(records):
    seen = records(lots=[{"lot_id": "A"}], segments=line("A", CLAY, {"material": "pvc"}))
    assert years(seen) == {"A": (2, 0, 1)}


def test_the_sentence_counts_the_segments() -> None:
    lots = pl.DataFrame(
        {
            "failure_probability": [None, None, None, 0.25],
            "failure_probability_lower": [None, None, None, 0.1],
            "failure_probability_upper": [None, None, None, 0.5],
            "year_built": [None, None, None, 1950],
            "n_in_line": [3, 3, 1, None],
            "n_untold": [1, 2, 1, None],
        },
        schema_overrides={f"failure_probability{end}": pl.Float64 for end in ("", "_lower", "_upper")},
    )
    told = _with_status(lots, SimpleNamespace(is_ok=True), Settings())
    assert told["status"].to_list() == ["too_little_known"] * 3 + ["ok"]
    one, two, whole, scored = told["sentence"].to_list()
    assert one.startswith("No estimate: one of the 3 segments of this line has no install year on record")
    assert two.startswith("No estimate: 2 of the 3 segments of this line have no install year")
    assert whole.startswith("No estimate: this line has no install year")
    assert "25 % (range 10 to 50 %)" in scored

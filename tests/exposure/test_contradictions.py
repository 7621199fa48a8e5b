"""Each check on the records finds its planted fault, and nothing in records without it."""

from __future__ import annotations

from datetime import date

import pytest

LOT = {"lot_id": "A", "year_built": 1950}
LINE = {"lot_id": "A", "sequence": 1, "material": "concrete", "install_year": 1950}
RUN = {
    "inspection_id": "1",
    "lot_id": "A",
    "inspection_date": date(2000, 1, 1),
    "overall_verdict": "serviceable",
}


def kinds(seen):
    return sorted(set(seen.findings_on_records["kind"]))


def detail(seen):
    assert seen.findings_on_records.height == 1, seen.findings_on_records
    return seen.findings_on_records.row(0, named=True)


def test_sound_records_have_no_findings(records):
    other = {**RUN, "inspection_id": "2", "inspection_date": date(2010, 1, 1), "overall_verdict": "repair"}
    assert kinds(records(lots=[LOT], segments=[LINE], inspections=[RUN, other])) == []


def test_install_after_failure_in_works(records):
    works = {"lot_id": "A", "works_date": date(1990, 1, 1), "kind": "repair", "reason": "failure"}
    lot, line = {"lot_id": "A"}, {**LINE, "install_year": 1995}
    found = detail(records(lots=[lot], segments=[line], works=[works]))
    assert (found["kind"], found["table_name"], found["lot_id"]) == ("install_after_failure", "works", "A")
    assert found["detail"] == (
        "A repair of 1990-01-01 comes before the pipe was laid according to the records (1995)."
    )
    # later works, or an older house, explain a newer pipe
    later = {"lot_id": "A", "works_date": date(1995, 1, 1), "kind": "replacement"}
    assert kinds(records(lots=[lot], segments=[line], works=[works, later])) == []
    assert kinds(records(lots=[LOT], segments=[line], works=[works])) == []
    assert (
        kinds(records(lots=[lot], segments=[line], works=[{**works, "works_date": date(1995, 1, 1)}])) == []
    )


def test_install_after_failure_in_looks(records):
    """The inventory came after the inspection, so loading could not see it."""
    bad = {**RUN, "inspection_date": date(1990, 1, 1), "overall_verdict": "repair"}
    seen = records(lots=[{"lot_id": "A"}], inspections=[bad], observed=[{**LINE, "install_year": 1995}])
    assert kinds(seen) == ["install_after_failure"]
    assert seen.findings_on_records["inspection_id"].to_list() == ["1"]
    assert seen.looks.is_empty()


def test_pipe_older_than_house(records):
    seen = records(lots=[LOT], segments=[{**LINE, "install_year": 1948}])
    assert detail(seen)["detail"] == "The pipe is said to be laid in 1948, the house built in 1950."
    assert kinds(seen) == ["pipe_older_than_house"]
    assert kinds(records(lots=[LOT], segments=[{**LINE, "install_year": 1949}])) == []


def test_house_after_inspection(records):
    seen = records(lots=[{**LOT, "year_built": 2005}], inspections=[RUN])
    assert kinds(seen) == ["house_after_inspection"]
    assert detail(seen)["detail"] == "The line was inspected on 2000-01-01, the house built in 2005."


def test_material_before_its_time(records):
    seen = records(lots=[LOT], segments=[{**LINE, "material": "pvc", "install_year": 1951}])
    assert detail(seen)["detail"] == "Recorded as pvc in 1951, but it was first laid here about 1965."
    observed = {"lot_id": "A", "observed_by": "1", "sequence": 1, "material": "abs"}
    early = {**RUN, "inspection_date": date(1960, 1, 1)}
    seen = records(lots=[LOT], inspections=[early], observed=[observed])
    assert kinds(seen) == ["material_before_its_time"]
    assert seen.findings_on_records["inspection_id"].to_list() == ["1"]


def test_contradictory_looks_name_both_inspections(records):
    bad = {**RUN, "overall_verdict": "replace", "purpose": "backup"}
    later = {**RUN, "inspection_id": "2", "inspection_date": date(2005, 1, 1)}
    seen = records(lots=[LOT], segments=[LINE], inspections=[bad, later])
    assert detail(seen)["detail"] == (
        "Inspection '2' found nothing to repair (the line), but the earlier inspection '1' did, and no repair lies between."
    )


@pytest.mark.parametrize(
    ("run", "words"),
    [
        ({"reached_tie_in": False, "end_ft": 31.0, "abandoned_reason": "roots"},
         "The camera did not see the whole line and stopped at 31.0 ft (roots); the rest is not judged."),
        ({"reached_tie_in": False}, "The camera did not see the whole line; the rest is not judged."),
    ],
)  # fmt: skip
def test_survey_incomplete(records, run, words):
    seen = records(lots=[LOT], segments=[LINE], inspections=[{**RUN, **run}])
    assert (detail(seen)["kind"], detail(seen)["detail"]) == ("survey_incomplete", words)


def test_conflicting_house_years(records):
    jobs = [
        {
            "lot_id": "A",
            "year_built": year,
            "inspection_id": str(year),
            "inspection_date": date(2000, 1, 1),
            "overall_verdict": "serviceable",
        }
        for year in (1950, 1955)
    ]
    seen = records(jobs=jobs)
    assert (
        detail(seen)["detail"]
        == "Jobs at this lot give the house as built in 1950, 1955; the newest job counts."
    )
    assert detail(seen)["n"] == 2
    # a list of houses that is corrected later is no contradiction
    assert kinds(records(lots=[LOT], inspections=[RUN])) == []

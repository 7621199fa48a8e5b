"""Each way in which looks bound the age of failure; the expected ages are hand arithmetic beside each case.

Convention: (left, right], ages counted from the middle of the install range; a pipe laid "in 1950" was laid
in the middle of 1950 at the best guess, so a look on 1 January 2000 sees it at 49.5 years.
"""

from __future__ import annotations

import math
from datetime import date

import pytest

HOUSE = {"lot_id": "A", "year_built": 1950}
LINE = {
    "lot_id": "A",
    "sequence": 1,
    "material": "vitrified_clay",
    "install_year": 1950,
    "from_ft": 0.0,
    "to_ft": 60.0,
}


def look(number, year, **more):
    return {"inspection_id": str(number), "lot_id": "A", "inspection_date": date(year, 1, 1), **more}


def good(number, year, **more):
    return look(number, year, overall_verdict="serviceable", **more)


def bad(number, year, **more):
    return look(number, year, overall_verdict="repair", **more)


def test_good_then_bad(records):
    interval = records(
        lots=[HOUSE], segments=[LINE], inspections=[good(1, 2000), good(2, 2005), bad(3, 2010), bad(4, 2015)]
    ).interval()
    assert (interval["left_years"], interval["right_years"]) == (54.5, 59.5)
    assert (interval["case"], interval["n_looks"], interval["is_right_open"]) == ("good_then_bad", 4, False)


def test_bad_at_first_look(records):
    interval = records(lots=[HOUSE], segments=[LINE], inspections=[bad(1, 2000)]).interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (
        0.0,
        49.5,
        "bad_at_first_look",
    )


def test_never_bad(records):
    interval = records(lots=[HOUSE], segments=[LINE], inspections=[good(1, 2000), good(2, 2010)]).interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (
        59.5,
        math.inf,
        "never_bad",
    )
    assert interval["is_right_open"]


@pytest.mark.parametrize("reason", ["failure", "unknown", None])
def test_replaced_between_two_looks(records, reason):
    """The works follow the failure, so R is the next look (2010), not the day of the works (2005)."""
    works = {
        "lot_id": "A",
        "works_date": date(2005, 7, 2),
        "kind": "replacement",
        "reason": reason,
        "material_after": "pvc",
    }
    seen = records(lots=[HOUSE], segments=[LINE], works=[works], inspections=[good(1, 2000), good(2, 2010)])
    interval = seen.interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (
        49.5,
        59.5,
        "ended_between",
    )
    newer = seen.interval(life_number=2)
    assert newer["case"] == "never_bad"
    assert newer["left_years"] == pytest.approx(2010 - 2005.5, abs=0.01)


def test_planned_replacement_says_nothing_bad(records):
    works = {"lot_id": "A", "works_date": date(2005, 7, 2), "kind": "replacement", "reason": "planned"}
    seen = records(lots=[HOUSE], segments=[LINE], works=[works], inspections=[good(1, 2000), good(2, 2010)])
    assert seen.interval()["case"] == "never_bad"
    assert seen.interval()["left_years"] == 49.5
    assert seen.looks.filter(basis="ended").is_empty()


def test_a_selected_look_is_no_fair_look_at_an_ended_life(records):
    works = {"lot_id": "A", "works_date": date(2005, 7, 2), "kind": "replacement", "reason": "failure"}
    seen = records(
        lots=[HOUSE],
        segments=[LINE],
        works=[works],
        inspections=[good(1, 2000), good(2, 2007, purpose="backup")],
    )
    assert seen.interval()["case"] == "never_bad"
    assert seen.looks.filter(basis="ended").is_empty()


def test_lining_ends_a_life_and_begins_one_of_resin(records):
    works = {"lot_id": "A", "works_date": date(2005, 7, 2), "kind": "lining", "reason": "failure"}
    lives = records(lots=[HOUSE], segments=[LINE], works=[works]).lives
    assert lives["material"].to_list() == ["vitrified_clay", "cured_in_place"]
    assert lives["ended_by"].to_list() == ["lining", None]
    assert lives["ended_reason"].to_list() == ["failure", None]
    assert lives["ended_year"][0] == lives["install_year_min"][1] == pytest.approx(2005.5, abs=0.01)


def test_contradictory_looks_keep_the_bad_one(records):
    seen = records(lots=[HOUSE], segments=[LINE], inspections=[good(1, 2000), bad(2, 2005), good(3, 2010)])
    interval = seen.interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (
        49.5,
        54.5,
        "contradictory",
    )
    listed = seen.findings_on_records.filter(kind="contradictory_looks")
    assert listed["inspection_id"].to_list() == ["3"]
    assert "'2'" in listed["detail"][0]


def test_a_good_look_after_a_repair_contradicts_nothing(records):
    works = {"lot_id": "A", "works_date": date(2006, 1, 1), "kind": "repair", "from_ft": 10.0, "to_ft": 14.0}
    seen = records(
        lots=[HOUSE], segments=[LINE], works=[works], inspections=[good(1, 2000), bad(2, 2005), good(3, 2010)]
    )
    assert seen.interval()["case"] == "good_then_bad"
    assert seen.lives["repaired_year"].to_list() == [2006.0]
    assert seen.findings_on_records.is_empty()


def test_ranged_install_year(records):
    line = {**LINE, "install_year": None, "install_year_min": 1946, "install_year_max": 1953}
    interval = records(lots=[HOUSE], segments=[line], inspections=[bad(1, 2000)]).interval()
    # laid between 1 January 1946 and 31 December 1953: 8 years wide, the middle is 1950.0
    assert (interval["right_years"], interval["install_width_years"]) == (50.0, 8.0)


def test_missing_install_year_comes_from_house_and_material(records):
    line = {**LINE, "install_year": None}
    life = records(lots=[HOUSE], segments=[line], inspections=[bad(1, 1980)]).lives.row(0, named=True)
    assert (life["install_year_min"], life["install_year_max"], life["install_source"]) == (
        1950,
        1980,
        "house_and_material",
    )
    pvc = {**line, "material": "bituminized_fiber"}
    life = records(
        lots=[{**HOUSE, "year_built": 1943}], segments=[pvc], inspections=[bad(1, 2000)]
    ).lives.row(0, named=True)
    # bituminized fiber: 1945 to the end of 1972
    assert (life["install_year_min"], life["install_year_max"]) == (1945, 1973)


def test_plastic_under_an_old_house_is_not_its_first_pipe(records):
    line = {**LINE, "material": "pvc", "install_year": None}
    seen = records(lots=[{**HOUSE, "year_built": 1925}], segments=[line], inspections=[good(1, 2000)])
    first, second = seen.lives.rows(named=True)
    assert (first["install_source"], first["material"], first["ended_reason"]) == (
        "inferred_first_life",
        "unknown",
        "unknown",
    )
    assert (first["install_year_min"], first["install_year_max"]) == (1925, 1926)
    assert (second["life_number"], second["install_year_min"], second["install_year_max"]) == (2, 1965, 2000)
    assert first["ended_year"] == (1965 + 2000) / 2
    interval = seen.interval()
    # gone by the look of 2000: it failed somewhere in (0, 2000 − 1925.5]
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (0, 74.5, "ended_between")


def test_a_pipe_little_younger_than_its_house_is_its_first(records):
    assert records(lots=[HOUSE], segments=[{**LINE, "install_year": 1953}]).lives[
        "life_number"
    ].to_list() == [1]
    assert records(lots=[HOUSE], segments=[{**LINE, "install_year": 1954}]).lives[
        "life_number"
    ].to_list() == [1, 2]


def test_works_that_explain_a_young_pipe_leave_nothing_to_infer(records):
    works = {
        "lot_id": "A",
        "works_date": date(1994, 7, 2),
        "kind": "replacement",
        "reason": "planned",
        "material_before": "concrete",
    }
    lives = records(
        lots=[HOUSE], segments=[{**LINE, "material": "pvc", "install_year": 1995}], works=[works]
    ).lives
    assert lives["install_source"].to_list() == ["house_and_material", "recorded"]
    assert lives["material"].to_list() == ["concrete", "pvc"]
    assert lives["material_source"].to_list() == ["works", "recorded"]


def test_ages_only(records):
    looks = [
        {"inspection_id": "1", "lot_id": "A", "age_years": 30.0, "overall_verdict": "serviceable"},
        {"inspection_id": "2", "lot_id": "A", "age_years": 42.0, "overall_verdict": "repair"},
    ]
    seen = records(lots=[{"lot_id": "A"}], inspections=looks)
    life = seen.lives.row(0, named=True)
    assert (life["install_year_min"], life["install_year_max"], life["install_source"], life["era"]) == (
        0,
        0,
        "age_only",
        "unknown",
    )
    interval = seen.interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (30, 42, "good_then_bad")


def test_date_and_age_together_give_the_install_year(records):
    """30 whole years old on 1 January 2000: laid in 1969."""
    life = records(lots=[{"lot_id": "A"}], inspections=[good(1, 2000, age_years=30.0)]).lives.row(
        0, named=True
    )
    assert (life["install_year_min"], life["install_year_max"]) == (1969, 1970)


def test_material_that_changes_between_looks_is_a_new_life(records):
    observed = [
        {"lot_id": "A", "observed_by": "1", "sequence": 1, "material": "vitrified_clay"},
        {"lot_id": "A", "observed_by": "2", "sequence": 1, "material": "vitrified_clay"},
        {"lot_id": "A", "observed_by": "3", "sequence": 1, "material": "pvc"},
        {"lot_id": "A", "observed_by": "4", "sequence": 1, "material": None},
    ]
    seen = records(
        lots=[HOUSE],
        inspections=[good(1, 1990), good(2, 1995), good(3, 2005), bad(4, 2010)],
        observed=observed,
    )
    older, newer = seen.lives.rows(named=True)
    assert (older["material"], newer["material"]) == ("vitrified_clay", "pvc")
    assert (newer["install_year_min"], newer["install_year_max"]) == (1995, 2005)
    assert (older["ended_year"], older["ended_by"], older["ended_reason"]) == (2000, "replacement", "unknown")
    # laid 1950 to 1989 (house, and the last year of clay): the middle of 1950 and 1990 is 1970
    interval = seen.interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (25, 35, "ended_between")
    newer_interval = seen.interval(life_number=2)
    assert (newer_interval["left_years"], newer_interval["right_years"]) == (5, 10)


def test_same_day_works_come_after_the_look_that_led_to_them(records):
    works = {"lot_id": "A", "works_date": date(2005, 1, 1), "kind": "replacement", "reason": "failure"}
    seen = records(lots=[HOUSE], segments=[LINE], works=[works], inspections=[bad(1, 2005)])
    assert seen.interval()["case"] == "bad_at_first_look"
    checked = records(
        lots=[HOUSE], segments=[LINE], works=[works], inspections=[good(1, 2005, purpose="post_repair")]
    )
    assert checked.interval(life_number=2)["case"] == "never_bad"


def test_half_a_segment_replaced_ends_its_life_and_less_does_not(records):
    works = {
        "lot_id": "A",
        "works_date": date(2005, 1, 1),
        "kind": "replacement",
        "from_ft": 0.0,
        "to_ft": 30.0,
    }
    assert records(lots=[HOUSE], segments=[LINE], works=[works]).lives.height == 2
    assert records(lots=[HOUSE], segments=[LINE], works=[{**works, "to_ft": 29.0}]).lives.height == 1


def test_backups_stay_out_of_intervals_but_in_looks(records):
    seen = records(lots=[HOUSE], segments=[LINE], inspections=[bad(1, 2000, purpose="backup")])
    assert seen.intervals.is_empty()
    assert seen.look("1")["is_selected"]


def test_an_install_year_rounded_to_five_years_still_names_the_pipe_of_the_works(records):
    works = {
        "lot_id": "A",
        "works_date": date(1954, 7, 2),
        "kind": "replacement",
        "reason": "failure",
        "material_before": "cast_iron",
        "material_after": "vitrified_clay",
    }
    seen = records(lots=[{**HOUSE, "year_built": 1925}], segments=[LINE], works=[works])
    older, newer = seen.lives.rows(named=True)
    assert (older["material"], newer["material"], newer["install_source"]) == (
        "cast_iron",
        "vitrified_clay",
        "works",
    )
    assert newer["install_year_min"] == pytest.approx(1954.5, abs=0.01)
    # without a change of material, the year decides: the pipe of 1950 was taken out in 1954
    same = {**works, "material_before": "vitrified_clay"}
    lives = records(lots=[{**HOUSE, "year_built": 1949}], segments=[LINE], works=[same]).lives
    assert lives["install_source"].to_list() == ["recorded", "works"]


def test_an_age_beside_a_recorded_install_year_is_an_age_of_that_pipe(records):
    aged = {"inspection_id": "1", "lot_id": "A", "age_years": 42.0, "overall_verdict": "repair"}
    seen = records(lots=[HOUSE], segments=[LINE], inspections=[aged])
    assert seen.lives["install_source"].to_list() == ["recorded"]
    assert seen.look("1")["look_year"] == 1950.5 + 42
    assert seen.interval()["right_years"] == 42


def test_a_repair_between_two_good_looks_says_that_the_pipe_had_failed(records):
    works = {"lot_id": "A", "works_date": date(2006, 1, 1), "kind": "repair", "from_ft": 10.0, "to_ft": 14.0}
    seen = records(lots=[HOUSE], segments=[LINE], works=[works], inspections=[good(1, 2000), good(2, 2010)])
    interval = seen.interval()
    assert (interval["left_years"], interval["right_years"], interval["case"]) == (
        49.5,
        59.5,
        "repaired_between",
    )
    # of what it had failed is not on record: looks with findings after it speak of any failure only
    crack = {"at_ft": 30.0, "kind": "crack"}
    runs = [look(n, year, reached_tie_in=True, line_drained=True) for n, year in ((1, 2000), (2, 2010))]
    seen = records(
        lots=[HOUSE],
        segments=[LINE],
        works=[works],
        inspections=runs,
        findings=[{**crack, "inspection_id": "1"}, {**crack, "inspection_id": "2"}],
    )
    assert seen.interval()["case"] == "repaired_between"
    structural = seen.interval("structural")
    assert (structural["case"], structural["left_years"], structural["n_looks"]) == ("never_bad", 49.5, 1)


#: A hole 10 ft along the line of 60 ft.
HOLE = {"inspection_id": "1", "at_ft": 10.0, "kind": "hole"}


def seen_so_far(records, end_ft, findings, **more):
    run = look(1, 2000, end_ft=end_ft, line_drained=True, reached_tie_in=end_ft >= 60.0, **more)
    return records(lots=[HOUSE], segments=[LINE], inspections=[run], findings=findings)


def test_a_segment_seen_in_part_bounds_nothing_whatever_was_seen(records):
    """Counting only what is bad of pipe seen in part would make pipes look worse than they are."""
    assert seen_so_far(records, 30.0, [HOLE]).intervals.is_empty()
    assert seen_so_far(records, 30.0, [{**HOLE, "kind": "crack"}]).intervals.is_empty()
    whole = seen_so_far(records, 60.0, [HOLE])
    cases = dict(whole.intervals.select("outcome", "case").rows())
    assert cases == {
        "any": "bad_at_first_look",
        "structural": "bad_at_first_look",
        "roots_joints": "never_bad",
        "grade": "never_bad",
    }
    # what was seen still tells about this one line
    assert seen_so_far(records, 30.0, [HOLE]).look("1")["any_outcome"] == 1


def test_a_collapse_that_stopped_the_camera_counts_though_the_rest_is_unseen(records):
    seen = seen_so_far(records, 10.0, [{**HOLE, "kind": "collapse"}], abandoned_reason="collapsed")
    assert dict(seen.intervals.select("outcome", "case").rows()) == {
        "any": "bad_at_first_look",
        "structural": "bad_at_first_look",
    }


def test_a_line_that_was_not_drained_bounds_no_belly_and_not_the_whole(records):
    run = look(1, 2000, end_ft=60.0, reached_tie_in=True, line_drained=False)
    seen = records(lots=[HOUSE], segments=[LINE], inspections=[run], findings=[HOLE])
    assert dict(seen.intervals.select("outcome", "case").rows()) == {
        "structural": "bad_at_first_look",
        "roots_joints": "never_bad",
    }

"""What one camera run says about each segment: reach, outcomes kept apart, drained lines, whole-line verdicts."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.settings import Settings

HOUSE = {"lot_id": "A", "year_built": 1950}
UPPER = {
    "lot_id": "A",
    "sequence": 1,
    "material": "cast_iron",
    "install_year": 1950,
    "from_ft": 0.0,
    "to_ft": 20.0,
}
LOWER = {
    "lot_id": "A",
    "sequence": 2,
    "material": "concrete",
    "install_year": 1950,
    "from_ft": 20.0,
    "to_ft": 60.0,
}
RUN = {"inspection_id": "1", "lot_id": "A", "inspection_date": date(2000, 1, 1)}
HOLE = {"inspection_id": "1", "at_ft": 30.0, "kind": "hole"}
CRACK = {"inspection_id": "1", "at_ft": 5.0, "kind": "crack"}
BELLY = {"inspection_id": "1", "at_ft": 30.0, "to_ft": 36.0, "kind": "belly", "water_depth_in": 2.0}


def outcomes(look):
    return tuple(look[name] for name in ("structural", "roots_joints", "grade", "any_outcome"))


def seen_by(records, run, findings=(), segments=(UPPER, LOWER), **more):
    return records(
        lots=[HOUSE], segments=list(segments), inspections=[{**RUN, **run}], findings=list(findings), **more
    )


def test_findings_go_to_the_segment_they_lie_in(records):
    seen = seen_by(records, {"end_ft": 60.0}, [CRACK, HOLE])
    assert outcomes(seen.look("1", 1)) == (0, 0, 0, 0)
    assert outcomes(seen.look("1", 2)) == (1, 0, 0, 1)
    lower = seen.look("1", 2)
    assert (lower["verdict"], lower["rule_id"], lower["finding_number"]) == ("repair", "hole", 2)
    assert seen.look("1", 1)["verdict"] == "monitor"


@pytest.mark.parametrize(("at_ft", "sequence"), [(19.9, 1), (20.0, 2), (61.5, 2)])
def test_a_spot_on_the_border_belongs_to_the_segment_it_begins(records, at_ft, sequence):
    seen = seen_by(records, {"end_ft": 60.0}, [{**HOLE, "at_ft": at_ft}])
    assert [seen.look("1", number)["structural"] for number in (1, 2)] == [
        int(sequence == 1),
        int(sequence == 2),
    ]


def test_a_stretch_belongs_to_every_segment_it_runs_through(records):
    stretch = {"inspection_id": "1", "at_ft": 18.0, "to_ft": 25.0, "kind": "fracture"}
    seen = seen_by(records, {"end_ft": 60.0}, [stretch])
    assert [seen.look("1", number)["structural"] for number in (1, 2)] == [1, 1]


def test_pipe_not_reached_is_not_judged(records):
    seen = seen_by(records, {"end_ft": 15.0}, [CRACK])
    assert outcomes(seen.look("1", 1)) == (None,) * 4
    assert outcomes(seen.look("1", 2)) == (None,) * 4
    assert seen.intervals.is_empty()
    assert seen.findings_on_records["kind"].to_list() == ["survey_incomplete"]


def test_pipe_partly_reached_is_judged_only_when_bad(records):
    good = seen_by(records, {"end_ft": 40.0}, [CRACK])
    assert outcomes(good.look("1", 1)) == (0, 0, 0, 0)
    assert outcomes(good.look("1", 2)) == (None,) * 4
    bad = seen_by(records, {"end_ft": 40.0}, [CRACK, HOLE])
    assert outcomes(bad.look("1", 2)) == (1, None, None, 1)


def test_no_footage_means_the_whole_line_unless_the_tie_in_was_not_reached(records):
    assert outcomes(seen_by(records, {}, [CRACK]).look("1", 2)) == (0, 0, 0, 0)
    stopped = seen_by(records, {"reached_tie_in": False}, [CRACK, HOLE])
    assert outcomes(stopped.look("1", 1)) == (None,) * 4
    assert outcomes(stopped.look("1", 2)) == (1, None, None, 1)


def test_the_tie_in_reached_counts_for_more_than_the_counter(records):
    assert outcomes(seen_by(records, {"end_ft": 55.0, "reached_tie_in": True}, [CRACK]).look("1", 2)) == (
        0,
        0,
        0,
        0,
    )


def test_cable_counters_slip_by_two_feet(records):
    assert outcomes(seen_by(records, {"end_ft": 58.0}, [CRACK]).look("1", 2)) == (0, 0, 0, 0)
    assert outcomes(seen_by(records, {"end_ft": 57.9}, [CRACK]).look("1", 2)) == (None,) * 4


def test_from_a_manhole_the_footage_runs_up_the_line(records):
    run = {"access": "manhole", "end_ft": 40.0}
    seen = seen_by(records, run, [{**HOLE, "at_ft": 5.0}])
    assert outcomes(seen.look("1", 2)) == (1, 0, 0, 1)
    assert outcomes(seen.look("1", 1)) == (None,) * 4


def test_footage_may_start_along_the_line(records):
    seen = seen_by(records, {"start_ft": 18.0, "end_ft": 42.0}, [{**HOLE, "at_ft": 1.0}])
    assert outcomes(seen.look("1", 1)) == (1, None, None, 1)
    assert outcomes(seen.look("1", 2)) == (0, 0, 0, 0)


def test_grade_is_judged_on_a_drained_line_only(records):
    drained = seen_by(records, {"line_drained": True, "end_ft": 60.0}, [BELLY])
    assert outcomes(drained.look("1", 2)) == (0, 0, 1, 1)
    undrained = seen_by(records, {"line_drained": False, "end_ft": 60.0}, [BELLY])
    assert outcomes(undrained.look("1", 2)) == (0, 0, None, None)
    assert outcomes(undrained.look("1", 1)) == (0, 0, None, None)
    unsaid = seen_by(records, {"end_ft": 60.0}, [BELLY])
    assert outcomes(unsaid.look("1", 2)) == (0, 0, None, None)
    assert outcomes(unsaid.look("1", 1)) == (0, 0, 0, 0)


def test_an_undrained_line_may_still_be_bad_for_another_reason(records):
    seen = seen_by(records, {"line_drained": False, "end_ft": 60.0}, [HOLE])
    assert outcomes(seen.look("1", 2)) == (1, 0, None, 1)


def test_upkeep_is_no_outcome(records):
    seen = seen_by(
        records, {"end_ft": 60.0}, [{"inspection_id": "1", "at_ft": 30.0, "kind": "grease", "loss_pct": 90.0}]
    )
    assert outcomes(seen.look("1", 2)) == (0, 0, 0, 0)


def test_another_utilitys_line_is_flagged_and_is_no_condition(records):
    seen = seen_by(records, {"end_ft": 60.0}, [{"inspection_id": "1", "at_ft": 30.0, "kind": "foreign_line"}])
    verdict = seen.finding_verdicts.row(0, named=True)
    assert (verdict["is_hazard"], verdict["verdict"], verdict["family"]) == (True, None, "hazard")
    assert outcomes(seen.look("1", 2)) == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("run", "expected"),
    [
        ({"end_ft": 60.0}, 0),
        ({"reached_tie_in": True}, 0),
        ({}, None),
        ({"end_ft": 60.0, "reached_tie_in": False}, 0),
    ],
)
def test_nothing_noted_is_good_only_when_it_is_said_how_far_the_camera_got(records, run, expected):
    assert seen_by(records, run).look("1", 2)["any_outcome"] == expected


def test_overall_verdict_of_a_line_of_one_segment_is_a_look(records):
    whole = {**LOWER, "sequence": 1, "from_ft": 0.0}
    for verdict, expected in (("serviceable", 0), ("monitor", 0), ("repair", 1), ("replace", 1)):
        look = seen_by(records, {"overall_verdict": verdict}, segments=[whole]).look("1")
        assert outcomes(look) == (None, None, None, expected)
        assert (look["basis"], look["verdict"]) == ("overall", verdict)


def test_overall_verdict_of_several_segments_belongs_to_the_line(records):
    bad = seen_by(records, {"overall_verdict": "repair"})
    assert bad.looks.is_empty()
    assert bad.line_looks.select("any_outcome", "life_ids").rows() == [(1, [1, 2])]
    good = seen_by(records, {"overall_verdict": "monitor"})
    assert good.line_looks.select("any_outcome", "life_ids").rows() == [(0, [1, 2])]
    short = seen_by(records, {"overall_verdict": "serviceable", "end_ft": 30.0})
    assert short.line_looks.select("any_outcome", "life_ids").rows() == [(0, [1])]


def test_overall_verdict_goes_to_the_only_segment_reached(records):
    look = seen_by(records, {"overall_verdict": "repair", "end_ft": 15.0}).look("1", 1)
    assert (look["any_outcome"], look["basis"]) == (1, "overall")


def test_segments_without_footage_are_judged_as_a_line(records):
    blank = [{**UPPER, "from_ft": None, "to_ft": None}, {**LOWER, "from_ft": None, "to_ft": None}]
    bad = seen_by(records, {"end_ft": 60.0}, [HOLE], segments=blank)
    assert bad.looks.is_empty()
    assert bad.line_looks.select("any_outcome", "life_ids").rows() == [(1, [1, 2])]
    good = seen_by(records, {"end_ft": 60.0}, [CRACK], segments=blank)
    assert good.line_looks["any_outcome"].to_list() == [0]
    assert seen_by(
        records, {"end_ft": 60.0, "line_drained": False}, [CRACK], segments=blank
    ).line_looks.is_empty()


def test_a_job_sheet_gives_looks_and_line_looks(records):
    jobs = [
        {
            "lot_id": "A",
            "year_built": 1950,
            "inspection_id": "1",
            "inspection_date": date(2000, 1, 1),
            "overall_verdict": "repair",
            "segments": [{"material": "pvc"}, {"material": "vitrified_clay"}],
        },
        {
            "lot_id": "B",
            "year_built": 1950,
            "inspection_id": "2",
            "inspection_date": date(2000, 1, 1),
            "overall_verdict": "serviceable",
            "segments": [{"material": "cast_iron"}],
        },
        {
            "lot_id": "C",
            "inspection_id": "3",
            "inspection_date": date(2000, 1, 1),
            "overall_verdict": "serviceable",
        },
    ]
    seen = records(jobs=jobs)
    assert seen.line_looks["inspection_id"].to_list() == ["1"]
    assert seen.looks.filter(seen.looks["basis"] == "overall")["inspection_id"].to_list() == ["2", "3"]
    # PVC from 1965 on under a house of 1950 had a forerunner, which was gone by the look of 2000
    assert seen.looks.filter(seen.looks["basis"] == "ended")["inspection_id"].to_list() == ["1"]


def test_selected_purposes_are_a_setting(records):
    run = {"overall_verdict": "repair", "purpose": "warranty", "end_ft": 15.0}
    assert not seen_by(records, run).look("1")["is_selected"]
    assert seen_by(records, run, settings=Settings(selected_purposes=("warranty",))).look("1")["is_selected"]


def test_a_lot_without_any_record_has_one_life_of_unknown_pipe(records):
    life = records(lots=[HOUSE]).lives.row(0, named=True)
    assert (life["sequence"], life["material"], life["material_source"]) == (1, "unknown", "not_recorded")

"""Loading: repeats, rows that cannot be true beside what is on record, superseding, and the count of it all."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.readers.raw import REJECT_SCHEMA
from tests.warehouse_frames import frame, load_frames, load_jobs, load_rows

LOT = {"lot_id": "A", "year_built": 1950}
RUN = {"inspection_id": "1", "lot_id": "A", "inspection_date": date(2001, 5, 1), "end_ft": 60.0}


def reasons(warehouse):
    return warehouse.frame("FROM records.rejects ORDER BY load_id, source_row, reason")["reason"].to_list()


def counts(report):
    return (report.n_read, report.n_accepted, report.n_unchanged, report.n_duplicate, report.n_rejected)


def test_rows_are_kept_as_given_beside_the_typed_ones(warehouse):
    load_rows(warehouse, "lots", [{**LOT, "x": 12.5}])
    landed = warehouse.frame("FROM landing.load_000001")
    headers = warehouse.frame("FROM landing.headers ORDER BY position")["header"].to_list()
    assert landed.columns[0] == "source_row"
    assert landed.row(0)[1 + headers.index("x")] == "12.5"
    core = warehouse.frame("FROM core.lots").row(0, named=True)
    assert (core["lot_id"], core["x"], core["load_id"], core["source_row"]) == ("A", 12.5, 1, 2)


def test_same_file_again_changes_nothing(warehouse):
    first = load_rows(warehouse, "lots", [LOT, LOT])
    again = load_rows(warehouse, "lots", [LOT, LOT])
    assert first.already_loaded is None
    assert again.already_loaded is not None
    assert (again.load_id, counts(again)) == (first.load_id, counts(first))
    assert warehouse.frame("FROM records.loads").height == 1
    assert not warehouse.has_table("landing", "load_000002")


def test_repeated_rows_count_as_duplicates(warehouse):
    report = load_rows(warehouse, "lots", [LOT, {"lot_id": "B"}, LOT, LOT])
    assert counts(report) == (4, 2, 0, 2, 0)
    assert warehouse.frame("FROM core.lots WHERE lot_id = 'A'")["source_row"].to_list() == [2]


def test_one_id_with_different_content_rejects_all_its_rows(warehouse):
    report = load_rows(warehouse, "lots", [LOT, {**LOT, "year_built": 1951}, {"lot_id": "B"}, LOT])
    assert counts(report) == (4, 1, 0, 0, 3)
    assert report.rejects_by_reason == {"duplicate_conflict": 3}
    assert reasons(warehouse)[0] == (
        "Rows 2, 3, 5 carry the same lot_id 'A' with different content. Keep the right one, or give them different ids."
    )


@pytest.mark.parametrize(
    ("table", "row", "reason"),
    [
        ("segments", {"lot_id": "Z", "sequence": 1}, "Lot 'Z' is not on record. Load the lots first, or correct the lot_id."),
        ("segments", {"lot_id": "A", "sequence": 1, "observed_by": "9"},
         "Inspection '9' is not on record. Load the inspections first, or correct the observed_by."),
        ("inspections", {**RUN, "lot_id": "Z"}, "Lot 'Z' is not on record. Load the lots first, or correct the lot_id."),
        ("findings", {"inspection_id": "9", "at_ft": 1.0, "kind": "crack"},
         "Inspection '9' is not on record. Load the inspections first, or correct the inspection_id."),
        ("works", {"lot_id": "Z", "works_date": date(2000, 1, 1), "kind": "repair"},
         "Lot 'Z' is not on record. Load the lots first, or correct the lot_id."),
        ("connections", {"lot_id": "Z"}, "Lot 'Z' is not on record. Load the lots first, or correct the lot_id."),
    ],
)  # fmt: skip
def test_rows_that_name_nothing_on_record(warehouse, table, row, reason):
    load_rows(warehouse, "lots", [LOT])
    report = load_rows(warehouse, table, [row])
    assert report.rejects_by_reason == {"unknown_parent": 1}
    assert reasons(warehouse) == [reason]
    assert warehouse.frame(f"FROM core.{table}").is_empty()


def test_rows_that_came_before_their_parent_can_be_loaded_again_after_it(warehouse):
    """Only they: what has superseded the rest of the file since stays as it is."""
    findings = [{"inspection_id": i, "number": 1, "at_ft": 1.0, "kind": "crack"} for i in ("1", "2", "3")]
    load_rows(warehouse, "lots", [LOT])
    load_rows(warehouse, "inspections", [RUN])
    first = load_rows(warehouse, "findings", findings)
    assert (counts(first), first.rejects_by_reason) == ((3, 1, 0, 0, 2), {"unknown_parent": 2})
    # no parent has come yet
    assert load_rows(warehouse, "findings", findings).already_loaded is not None
    load_rows(warehouse, "findings", [{**findings[0], "kind": "hole"}], name="corrected.csv")
    load_rows(warehouse, "inspections", [{**RUN, "inspection_id": "2"}], name="more.csv")
    second = load_rows(warehouse, "findings", findings)
    assert second.already_loaded is None
    assert (counts(second), second.n_superseded) == ((2, 1, 0, 0, 1), 0)
    kinds = warehouse.frame("FROM core.findings ORDER BY inspection_id")["kind"].to_list()
    assert kinds == ["hole", "crack"]
    assert load_rows(warehouse, "findings", findings).already_loaded is not None
    load_rows(warehouse, "inspections", [{**RUN, "inspection_id": "3"}], name="last.csv")
    assert counts(load_rows(warehouse, "findings", findings)) == (1, 1, 0, 0, 0)
    assert warehouse.frame("FROM core.findings").height == 3


def test_findings_beyond_the_footage_reached(warehouse):
    load_rows(warehouse, "lots", [LOT])
    load_rows(warehouse, "inspections", [RUN, {**RUN, "inspection_id": "2", "end_ft": None}])
    found = [
        {"inspection_id": "1", "at_ft": 62.0, "kind": "crack"},
        {"inspection_id": "1", "at_ft": 62.5, "kind": "crack"},
        {"inspection_id": "1", "at_ft": 50.0, "to_ft": 70.0, "kind": "crack"},
        {"inspection_id": "2", "at_ft": 900.0, "kind": "crack"},
    ]
    assert counts(load_rows(warehouse, "findings", found)) == (4, 2, 0, 0, 2)
    rejects = warehouse.frame("FROM records.rejects ORDER BY source_row")
    assert rejects["reason_code"].to_list() == ["impossible_footage"] * 2
    assert rejects["column_name"].to_list() == ["at_ft", "to_ft"]
    assert rejects["reason"][0] == (
        "The finding lies at 62.5 ft, but inspection '1' reached only 60.0 ft. Correct the footage, or the footage reached."
    )


@pytest.mark.parametrize(
    ("lot", "segments", "works", "is_rejected"),
    [
        ({"lot_id": "A"}, [1995], [], True),
        ({"lot_id": "A", "year_built": 1996}, [1995, 1998], [], True),
        # an older pipe may have been there to look at: of the older house, of the works, or the segment without a year
        ({"lot_id": "A", "year_built": 1950}, [1995], [], False),
        ({"lot_id": "A"}, [1995], [date(1995, 3, 1)], False),
        ({"lot_id": "A"}, [1995, None], [], False),
        ({"lot_id": "A"}, [1960], [], False),
    ],
)
def test_inspections_before_the_pipe_was_laid(warehouse, lot, segments, works, is_rejected):
    load_rows(warehouse, "lots", [lot])
    rows = [
        {"lot_id": "A", "sequence": at, "install_year": year} for at, year in enumerate(segments, start=1)
    ]
    load_rows(warehouse, "segments", rows)
    if works:
        load_rows(warehouse, "works", [{"lot_id": "A", "works_date": works[0], "kind": "replacement"}])
    report = load_rows(warehouse, "inspections", [{**RUN, "inspection_date": date(1990, 1, 1)}])
    assert report.rejects_by_reason == ({"before_installation": 1} if is_rejected else {})


def test_findings_without_a_number_are_numbered_by_footage(warehouse):
    load_rows(warehouse, "lots", [LOT])
    load_rows(warehouse, "inspections", [RUN])
    found = [
        {"inspection_id": "1", "at_ft": 30.0, "kind": "crack"},
        {"inspection_id": "1", "at_ft": 10.0, "kind": "roots"},
        {"inspection_id": "1", "at_ft": 30.0, "kind": "crack"},
    ]
    assert counts(load_rows(warehouse, "findings", found)) == (3, 2, 0, 1, 0)
    stored = warehouse.frame("FROM core.findings ORDER BY number")
    assert stored.select("number", "at_ft").rows() == [(1, 10.0), (2, 30.0)]


def test_a_later_load_supersedes_and_keeps_the_older_row(warehouse):
    load_rows(warehouse, "lots", [LOT, {"lot_id": "B"}])
    report = load_rows(warehouse, "lots", [{**LOT, "year_built": 1949}, {"lot_id": "B"}, {"lot_id": "C"}])
    assert counts(report) == (3, 2, 1, 0, 0)
    assert report.n_superseded == 1
    current = (
        warehouse.frame("FROM core.lots ORDER BY lot_id").select("lot_id", "year_built", "load_id").rows()
    )
    assert current == [("A", 1949, 2), ("B", None, 1), ("C", None, 2)]
    older = warehouse.frame("FROM core.lots_superseded").row(0, named=True)
    assert (older["lot_id"], older["year_built"], older["load_id"], older["superseded_by_load"]) == (
        "A",
        1950,
        1,
        2,
    )


def test_findings_of_an_inspection_are_replaced_together(warehouse):
    load_rows(warehouse, "lots", [LOT])
    load_rows(warehouse, "inspections", [RUN, {**RUN, "inspection_id": "2"}])
    first = [
        {"inspection_id": run, "number": at, "at_ft": 10.0 * at, "kind": "crack"}
        for run in "12"
        for at in (1, 2, 3)
    ]
    load_rows(warehouse, "findings", first)
    corrected = [first[0], {**first[1], "kind": "fracture"}]
    report = load_rows(warehouse, "findings", corrected)
    assert counts(report) == (2, 1, 1, 0, 0)
    assert report.n_superseded == 2
    stored = (
        warehouse.frame("FROM core.findings ORDER BY inspection_id, number")
        .select("inspection_id", "number", "kind")
        .rows()
    )
    assert stored == [
        ("1", 1, "crack"),
        ("1", 2, "fracture"),
        ("2", 1, "crack"),
        ("2", 2, "crack"),
        ("2", 3, "crack"),
    ]


def test_empty_parts_of_a_key_are_equal(warehouse):
    load_rows(warehouse, "lots", [LOT])
    works = {"lot_id": "A", "works_date": date(2000, 1, 1), "kind": "repair", "cost_usd": 10.0}
    load_rows(warehouse, "works", [works])
    assert counts(load_rows(warehouse, "works", [works, {**works, "from_ft": 5.0}])) == (2, 1, 1, 0, 0)
    assert load_rows(warehouse, "works", [{**works, "cost_usd": 20.0}]).n_superseded == 1
    assert warehouse.frame("FROM core.works").height == 2


def job(number, lot="A", *, segments=({"material": "pvc"},), **more):
    return {
        "inspection_id": str(number),
        "lot_id": lot,
        "inspection_date": date(2000 + number, 1, 1),
        "segments": segments,
        **more,
    }


def test_jobs_of_one_lot_are_merged_and_nothing_is_rejected(warehouse):
    jobs = [job(1, year_built=1950, address="1 Elm"), job(2, year_built=1955), job(3, soil="other")]
    assert counts(load_jobs(warehouse, jobs)) == (3, 3, 0, 0, 0)
    lot = warehouse.frame("FROM core.lots").row(0, named=True)
    # the newest job that says anything
    assert (lot["year_built"], lot["address"], lot["soil"]) == (1955, "1 Elm", "other")
    assert warehouse.frame("FROM core.lots_superseded")["year_built"].to_list() == [1950]
    assert warehouse.frame("FROM core.segments")["observed_by"].sort().to_list() == ["1", "2", "3"]


def test_jobs_fill_what_other_jobs_left_blank(warehouse):
    load_jobs(warehouse, [job(1, year_built=1950)])
    load_jobs(warehouse, [job(2, address="1 Elm")])
    lot = warehouse.frame("FROM core.lots").row(0, named=True)
    assert (lot["year_built"], lot["address"]) == (1950, "1 Elm")


def test_job_repeated_changed_and_in_conflict(warehouse):
    jobs = [job(1), job(2), job(2), job(3), job(3, note="other"), job(4)]
    assert counts(load_jobs(warehouse, jobs)) == (6, 3, 0, 1, 2)
    changed = [job(1), job(2, segments=({"material": "pvc"}, {"material": "abs"})), job(4, segments=())]
    report = load_jobs(warehouse, changed)
    assert counts(report) == (3, 2, 1, 0, 0)
    stored = (
        warehouse.frame("FROM core.segments ORDER BY ALL")
        .select("observed_by", "sequence", "material")
        .rows()
    )
    assert stored == [("1", 1, "pvc"), ("2", 1, "pvc"), ("2", 2, "abs")]


def test_job_moved_to_another_lot_takes_its_segments_along(warehouse):
    load_jobs(warehouse, [job(1)])
    load_jobs(warehouse, [job(1, "B")])
    assert warehouse.frame("FROM core.segments")["lot_id"].to_list() == ["B"]
    assert warehouse.frame("FROM core.segments_superseded")["lot_id"].to_list() == ["A"]


def test_job_before_its_own_pipe_is_rejected_as_a_whole(warehouse):
    report = load_jobs(warehouse, [job(1, segments=({"material": "pvc", "install_year": 2005},))])
    assert report.rejects_by_reason == {"before_installation": 1}
    assert reasons(warehouse) == [
        "The pipe is said to be laid in 2005, but was inspected on 2001-01-01. Correct the year or the date."
    ]
    for table in ("lots", "inspections", "segments"):
        assert warehouse.frame(f"FROM core.{table}").is_empty()


def test_rejects_of_the_checks_are_kept_and_counted(warehouse):
    rejects = pl.DataFrame(
        [
            (7, "lots", "year_built", "old", "not_a_number", "x"),
            (7, "lots", "lot_id", "", "missing_value", "y"),
        ],
        schema=REJECT_SCHEMA,
        orient="row",
    )
    report = load_frames(warehouse, "lots", {"lots": frame("lots", [LOT])}, rejects=rejects)
    assert counts(report) == (2, 1, 0, 0, 1)
    assert report.rejects_by_reason == {"missing_value": 1, "not_a_number": 1}
    assert warehouse.frame("FROM records.rejects")["file_name"].unique().to_list() == ["lots.csv"]


def test_one_id_in_every_row_is_refused_in_good_time(warehouse):
    """A map that names the wrong column as id must not bring the machine down."""
    rows = frame("lots", [LOT]).select(pl.exclude("source_row", "year_built"))
    n = 300_000
    many = pl.DataFrame(
        {"source_row": range(2, n + 2), "year_built": [1900 + number % 100 for number in range(n)]}
    )
    many = many.join(rows, how="cross").select(frame("lots", []).columns).cast(frame("lots", []).schema)
    report = load_frames(warehouse, "lots", {"lots": many})
    assert counts(report) == (n, 0, 0, 0, n)
    assert warehouse.frame("FROM records.rejects LIMIT 1")["reason"][0].startswith(
        "Rows 2, 3, 4, 5, 6, 7, … carry the same lot_id"
    )


def test_a_repeat_of_a_rejected_row_is_rejected_not_a_duplicate(warehouse):
    orphan = {"inspection_id": "9", "number": 1, "at_ft": 1.0, "kind": "crack"}
    report = load_rows(warehouse, "findings", [orphan, orphan])
    assert counts(report) == (2, 0, 0, 0, 2)

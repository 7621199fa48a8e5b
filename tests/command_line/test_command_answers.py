"""The way from files to an answer, on a small invented town built once."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.published.read import open_current
from pipeline.settings import Workspace

PURPOSE = ("--purpose", "a test of the answers")


@pytest.fixture(scope="session")
def lots(town: Workspace) -> pl.DataFrame:
    with open_current(town) as reader:
        return reader.table("lots")


def test_the_town_says_that_it_is_invented(town: Workspace) -> None:
    with open_current(town) as reader:
        run = reader.run()
    assert run["is_synthetic"]
    assert run["as_of_source"].endswith("the day of the newest record")


def test_every_lot_has_a_score_or_a_reason(lots: pl.DataFrame) -> None:
    scored = lots.filter(pl.col("status") == "ok")
    assert scored.height > 0.9 * lots.height
    for name in (
        "failure_probability",
        "failure_within_horizon_probability",
        "failure_by_horizon_probability",
    ):
        value, lower, upper = scored[name], scored[f"{name}_lower"], scored[f"{name}_upper"]
        assert value.is_between(0, 1).all()
        assert (lower <= upper).all()
        assert lower.is_between(0, 1).all()
        assert upper.is_between(0, 1).all()
    # Whatever is there now is there at the end of the holding period.
    assert (scored["failure_by_horizon_probability"] >= scored["failure_probability"] - 1e-6).all()
    assert (
        lots.filter(pl.col("status") != "ok")["failure_probability"].null_count()
        == lots.height - scored.height
    )
    assert lots["sentence"].str.len_chars().min() > 20


def test_a_bad_look_raises_and_a_good_look_lowers_the_chance(lots: pl.DataFrame) -> None:
    seen = lots.filter(pl.col("last_verdict").is_not_null())
    bad = seen.filter(pl.col("last_verdict").is_in(["repair", "replace"]))["failure_probability"].mean()
    good = seen.filter(pl.col("last_verdict") == "serviceable")["failure_probability"].mean()
    assert bad > good + 0.2


def test_a_lot_by_address_in_another_spelling(underlot, town: Workspace, lots: pl.DataFrame) -> None:
    unseen = lots.filter(pl.col("n_inspections") == 0)
    lot = unseen.filter(pl.col("address").is_unique() & pl.col("address").str.contains("Street$")).row(
        0, named=True
    )
    asked = lot["address"].upper().replace("STREET", "St.")
    answer = underlot("score", asked, "--format", "json", *PURPOSE, workspace=town.root)
    assert answer.code == 0
    (found,) = json.loads(answer.out)["found"]
    assert found["lot_id"] == lot["lot_id"]
    assert found["failure_probability"] == pytest.approx(lot["failure_probability"])
    assert found["reasons"]


def test_a_near_address_is_listed_never_guessed(underlot, town: Workspace, lots: pl.DataFrame) -> None:
    lot = lots.filter(pl.col("address").is_unique()).row(0, named=True)
    asked = lot["address"].replace(lot["address"].split()[1], lot["address"].split()[1][:-1])
    answer = underlot("score", asked, workspace=town.root)
    assert answer.code == 3
    assert f"Not found: {asked}. Near ones: " in answer.err
    assert lot["lot_id"] in answer.err
    assert "%" not in answer.out


def test_a_csv_of_addresses_and_what_was_not_found(
    underlot, town: Workspace, lots: pl.DataFrame, tmp_path: Path
) -> None:
    unseen = lots.filter(pl.col("n_inspections") == 0)
    known = unseen.filter(pl.col("address").is_unique())["address"].head(3).to_list()
    listing = tmp_path / "listing.csv"
    listing.write_text("Address,Client\n" + "".join(f"{a},x\n" for a in [*known, "99999 Nowhere Road"]))
    answer = underlot("score", "--file", listing, "--format", "csv", *PURPOSE, workspace=town.root)
    assert answer.code == 3
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    assert [row["asked"] for row in rows] == [*known, "99999 Nowhere Road"]
    assert [row["status"] for row in rows] == ["ok", "ok", "ok", "not_found"]
    assert rows[-1]["failure_probability"] == ""
    listing.write_text("Address\n" + "".join(f"{a}\n" for a in known))
    assert underlot("score", "--file", listing, "--format", "csv", *PURPOSE, workspace=town.root).code == 0


def test_rows_of_a_listing_that_name_no_lot_are_listed_with_their_numbers(
    underlot, town: Workspace, lots: pl.DataFrame, tmp_path: Path
) -> None:
    first, second = lots.filter(pl.col("address").is_unique())["address"].head(2).to_list()
    by_id = lots["lot_id"][-1]
    listing = tmp_path / "listing.csv"
    # Counted by hand as a spreadsheet counts: the header is row 1, and row 6 has one cell too many.
    listing.write_text(
        f"lot_id,Address,Client\n,{first},x\n,,x\n{by_id},  ,x\n,   ,y\n,1 Oak St, Town,x\n,{second},x\n,,\n"
    )
    answer = underlot("score", "--file", listing, "--format", "csv", *PURPOSE, workspace=town.root)
    assert answer.code == 3
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    assert [row["asked"] for row in rows if row["status"] != "not_found"] == [first, by_id, second]
    unread = [row["asked"] for row in rows if row["status"] == "not_found"]
    assert [told.partition(":")[0] for told in unread] == [f"row {n} of listing.csv" for n in (3, 5, 6)]
    assert [told.partition(": ")[2] for told in unread[:2]] == ["it names no lot"] * 2
    assert answer.err.splitlines() == [f"Not found: {told}." for told in unread]


def test_a_listing_that_names_no_lot_is_refused(underlot, town: Workspace, tmp_path: Path) -> None:
    listing = tmp_path / "listing.csv"
    listing.write_text("Address,Client\n,x\n,y\n")
    answer = underlot("score", "--file", listing, workspace=town.root)
    assert answer.code == 3
    assert answer.err.strip() == "listing.csv: it names no lot. Put lot ids or addresses into that column."


def test_a_listing_without_a_known_column_is_refused(underlot, town: Workspace, tmp_path: Path) -> None:
    listing = tmp_path / "listing.csv"
    listing.write_text("where,who\n1,2\n")
    answer = underlot("score", "--file", listing, workspace=town.root)
    assert answer.code == 3
    assert "no column of lot ids or addresses was found among: where, who." in answer.err


def test_the_table_for_people_says_what_it_is(underlot, town: Workspace, lots: pl.DataFrame) -> None:
    doubtful = lots.filter(pl.col("failure_probability").is_between(0.1, 0.9))["lot_id"][0]
    answer = underlot("score", doubtful, workspace=town.root)
    assert answer.code == 0
    text = " ".join(answer.out.split())
    assert "an invented town" in text
    assert "chance that a repair-grade" in text
    assert "range" in text
    assert "never replaces putting a camera in the line" in text


def test_a_line_that_has_almost_surely_failed_is_not_called_certain(underlot, town, lots) -> None:
    sure = lots.filter(pl.col("failure_probability") > 0.9999)["lot_id"][0]
    text = " ".join(underlot("score", sure, workspace=town.root).out.replace("│", "").split())
    assert "over 99 %" in text
    assert "100" not in text.split("evidence")[0].split("finding is there now")[1]
    assert "not told: a finding is almost surely there now" in text


def test_every_chance_lies_in_its_range(lots: pl.DataFrame) -> None:
    for name in (
        "failure_probability",
        "failure_within_horizon_probability",
        "failure_by_horizon_probability",
    ):
        told = lots.drop_nulls(name)
        assert told[name].is_between(told[f"{name}_lower"], told[f"{name}_upper"]).all()
    sure = lots["failure_probability"] >= 0.99
    assert (lots["failure_within_horizon_probability"].is_null() == sure).all()


def test_a_subdivision(underlot, town: Workspace, lots: pl.DataFrame) -> None:
    name = lots["subdivision"].drop_nulls().mode().sort()[0]
    answer = underlot("score", "--subdivision", name.upper(), "--format", "json", workspace=town.root)
    assert answer.code == 0
    (found,) = json.loads(answer.out)["found"]
    members = lots.filter((pl.col("subdivision") == name) & (pl.col("status") == "ok"))
    assert found["n_scored"] == members.height
    assert found["expected_failed_now"] == pytest.approx(members["failure_probability"].sum(), rel=1e-4)
    assert (
        found["expected_failed_now_lower"]
        <= found["expected_failed_now"]
        <= found["expected_failed_now_upper"]
    )
    assert underlot("score", "--subdivision", name, workspace=town.root).code == 0
    missed = underlot("score", "--subdivision", name[:-3], workspace=town.root)
    assert missed.code == 3
    assert name in missed.err


def test_the_chance_of_at_least_k_falls_with_k(town: Workspace) -> None:
    with open_current(town) as reader:
        counts = reader.table("subdivision_counts")
    for _, tract in counts.group_by("subdivision"):
        chance = tract.sort("k")["probability_at_least"]
        assert chance.is_sorted(descending=True)
        assert chance.is_between(0, 1).all()


def test_observed_and_expected_agree_over_the_town(town: Workspace) -> None:
    """The fit is made on these very looks, so over all blocks the two must come out close to each other."""
    with open_current(town) as reader:
        blocks = reader.table("blocks")
    observed, expected = blocks["n_observed"].sum(), blocks["expected"].sum()
    # Binomial spread of about 250 looks is 8; the fit takes part of it up.
    assert observed == pytest.approx(expected, rel=0.12)
    assert blocks.filter((pl.col("n_inspected") < 10) & (pl.col("status") == "ok")).is_empty()


def test_every_row_read_is_accounted_for(town: Workspace) -> None:
    with open_current(town) as reader:
        loads = reader.table("loads")
    accounted = loads["n_accepted"] + loads["n_unchanged"] + loads["n_duplicate"] + loads["n_rejected"]
    assert (loads["n_read"] == accounted).all()
    assert loads["n_read"].sum() > 0


def test_running_the_demo_again_uses_what_is_there(underlot, town: Workspace) -> None:
    before = (town.published / "current").read_text()
    answer = underlot("demo", "--lots", "600", "--seed", "5", "--no-serve", workspace=town.root)
    assert answer.code == 0
    assert (town.published / "current").read_text() == before


def test_the_same_records_and_seed_give_the_same_tables(underlot, town: Workspace) -> None:
    with open_current(town) as reader:
        first = {name: reader.table(name) for name in reader.manifest["rows"]}
    assert underlot("build", workspace=town.root).code == 0
    with open_current(town) as reader:
        for name, frame in first.items():
            moment = ["built_at"] if name == "run" else []
            assert reader.table(name).drop(moment).equals(frame.drop(moment)), name


def test_a_messy_workbook_from_proposal_to_scores(underlot, town: Workspace, tmp_path: Path) -> None:
    workspace = tmp_path / "w"
    workbook = town.root / "town" / "jobs.xlsx"
    shown = underlot("load", workbook, workspace=workspace)
    assert shown.code == 2
    assert "is taken for" in shown.out
    loaded = underlot("load", workbook, "--yes", workspace=workspace)
    assert loaded.code == 0
    assert (workspace / "maps" / "jobs.toml").exists()
    assert " read = " in loaded.out
    again = underlot("load", workbook, "--map", workspace / "maps" / "jobs.toml", workspace=workspace)
    assert again.code == 0
    assert "nothing was changed" in again.out
    built = underlot("build", workspace=workspace)
    assert built.code == 0
    with open_current(Workspace(workspace)) as reader:
        assert reader.table("lots").height > 30
        assert not reader.run()["is_synthetic"]


def test_square_brackets_in_a_users_words_are_shown(underlot, tmp_path: Path) -> None:
    sheet = tmp_path / "jobs.csv"
    sheet.write_text("Address,Date,Pipe Material,Result\n1 Invented Way,2020-01-02,[bold]zork,ok\n")
    assert underlot("load", sheet, "--yes", workspace=tmp_path / "w").code == 0
    shown = underlot("rejects", workspace=tmp_path / "w")
    assert "[bold]zork" in shown.out
    assert "[values.material]" in " ".join(shown.out.split())


def test_rejects_are_shown_and_saved(underlot, town: Workspace, tmp_path: Path) -> None:
    workspace = tmp_path / "w"
    workbook = town.root / "town" / "jobs.xlsx"
    assert underlot("load", workbook, "--yes", workspace=workspace).code == 0
    shown = underlot("rejects", workspace=workspace)
    assert shown.code == 0
    assert "Rows that were not taken" in shown.out
    saved = underlot("rejects", "--save", tmp_path / "mend.csv", workspace=workspace)
    assert saved.code == 0
    assert "why it was not taken" in (tmp_path / "mend.csv").read_text()
    refused = underlot("rejects", "--save", tmp_path / "mend.txt", workspace=workspace)
    assert refused.code == 2

"""A generation is published whole or not at all, and read without being able to do harm."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import PublishedError
from pipeline.published import contract, write
from pipeline.published.lot_sets import MADE
from pipeline.published.read import open_current
from pipeline.settings import Workspace


def test_every_table_comes_back_as_it_went_in(tmp_path: Path, frames) -> None:
    given = frames("first")
    write.publish(tmp_path, given, {"seed": 7})
    with open_current(tmp_path) as reader:
        for name in contract.TABLES.keys() - set(MADE):
            assert reader.table(name).equals(given[name]), name
        assert reader.manifest["seed"] == 7
        assert reader.manifest["contract_version"] == contract.CONTRACT_VERSION
        assert reader.manifest["rows"]["lots"] == 1


def test_rows_are_sorted_by_key_and_nan_becomes_empty(tmp_path: Path, frames) -> None:
    given = frames("first")
    given["lots"] = pl.concat(
        [given["lots"].with_columns(lot_id=pl.lit(i), x_ft=pl.lit(float("nan"))) for i in "ba"]
    )
    write.publish(tmp_path, given, {})
    with open_current(tmp_path) as reader:
        assert reader.table("lots")["lot_id"].to_list() == ["a", "b"]
        assert reader.table("lots")["x_ft"].to_list() == [None, None]


def test_two_generations_are_kept_and_a_reader_notices_the_newer(tmp_path: Path, frames) -> None:
    write.publish(tmp_path, frames("1"), {})
    with open_current(tmp_path) as reader:
        assert not reader.is_stale()
        write.publish(tmp_path, frames("2"), {})
        write.publish(tmp_path, frames("3"), {})
        assert reader.is_stale()
        assert reader.run()["run_id"] == "1", "an open reader keeps what it has"
    assert sorted(p.name for p in tmp_path.glob("gen-*")) == ["gen-000002", "gen-000003"]
    with open_current(tmp_path) as reader:
        assert reader.run()["run_id"] == "3"


def test_what_a_killed_build_left_behind_is_cleared(tmp_path: Path, frames) -> None:
    write.publish(tmp_path, frames("1"), {})
    (tmp_path / "gen-000002.tmp").mkdir()
    (tmp_path / "gen-000002.tmp" / contract.DATABASE_NAME).write_bytes(b"half")
    (tmp_path / "gen-000002").mkdir()  # renamed, but never pointed at
    with open_current(tmp_path) as reader:
        assert reader.run()["run_id"] == "1"
    assert write.publish(tmp_path, frames("2"), {}) == "gen-000003"
    assert sorted(p.name for p in tmp_path.glob("gen-*")) == ["gen-000001", "gen-000003"]


def test_a_missing_table_or_column_publishes_nothing(tmp_path: Path, frames) -> None:
    write.publish(tmp_path, frames("1"), {})
    without_table = frames("2")
    del without_table["curves"]
    with pytest.raises(PublishedError, match="curves"):
        write.publish(tmp_path, without_table, {})
    without_column = frames("2")
    without_column["lots"] = without_column["lots"].drop("address").with_columns(more=pl.lit(1))
    with pytest.raises(
        PublishedError, match=r"lots: missing columns \['address'\], unknown columns \['more'\]"
    ):
        write.publish(tmp_path, without_column, {})
    with open_current(tmp_path) as reader:
        assert reader.run()["run_id"] == "1"
    assert [p.name for p in tmp_path.glob("gen-*")] == ["gen-000001"]


def test_a_disk_that_refuses_leaves_the_old_generation(tmp_path: Path, frames, monkeypatch) -> None:
    write.publish(tmp_path, frames("1"), {})

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(write, "_write_manifest", full)
    with pytest.raises(PublishedError, match=r"No space left on device.*before is unchanged"):
        write.publish(tmp_path, frames("2"), {})
    assert sorted(p.name for p in tmp_path.iterdir()) == ["current", "gen-000001"]
    with open_current(tmp_path) as reader:
        assert reader.run()["run_id"] == "1"


@pytest.mark.parametrize(
    "statement",
    [
        "SET threads = 1",
        "COPY run TO '{folder}/stolen.csv'",
        "SELECT * FROM read_csv('{folder}/secret.csv')",
        "ATTACH '{folder}/other.duckdb' AS other",
        "INSTALL spatial",
        "LOAD spatial",
        "DELETE FROM run",
        "CREATE TABLE more (x INTEGER)",
    ],
)
def test_a_reader_can_only_read(tmp_path: Path, frames, statement: str) -> None:
    write.publish(tmp_path / "published", frames("1"), {})
    (tmp_path / "secret.csv").write_text("a,b\n1,2\n")
    with open_current(tmp_path) as reader, pytest.raises(PublishedError):
        reader.query(statement.format(folder=tmp_path))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["published", "secret.csv"]


def test_values_are_bound_never_spliced(tmp_path: Path, frames) -> None:
    write.publish(tmp_path, frames("1"), {})
    with open_current(tmp_path) as reader:
        assert reader.query("SELECT lot_id FROM lots WHERE lot_id = ?", ("x' OR '1'='1",)).is_empty()
        assert reader.query("SELECT lot_id FROM lots WHERE lot_id = ?", ("x",)).height == 1
        with pytest.raises(PublishedError, match="no published table 'lots; DROP'"):
            reader.table("lots; DROP")


def test_nothing_published_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(
        PublishedError, match=r"nothing has been published yet\. Run `underlot build` first\.$"
    ):
        open_current(Workspace(tmp_path))


def test_another_version_is_refused(tmp_path: Path, frames) -> None:
    name = write.publish(tmp_path, frames("1"), {})
    manifest = tmp_path / name / contract.MANIFEST_NAME
    manifest.write_text(json.dumps({**json.loads(manifest.read_text()), "contract_version": 999}))
    ours = contract.CONTRACT_VERSION
    with pytest.raises(
        PublishedError, match=rf"published in form 999, but this program reads form {ours}\. Run"
    ):
        open_current(tmp_path)


@pytest.mark.parametrize(
    ("file", "content"),
    [
        (contract.MANIFEST_NAME, b"{"),
        (contract.MANIFEST_NAME, b"[]"),
        (contract.DATABASE_NAME, b""),
        (contract.DATABASE_NAME, b"not a database at all" * 500),
    ],
)
def test_a_damaged_generation_is_one_sentence(tmp_path: Path, frames, file: str, content: bytes) -> None:
    name = write.publish(tmp_path, frames("1"), {})
    (tmp_path / name / file).write_bytes(content)
    with (
        pytest.raises(PublishedError, match="Run `underlot build` again") as caught,
        open_current(tmp_path) as reader,
    ):
        reader.table("run")
    assert "Traceback" not in str(caught.value)


@pytest.mark.parametrize("pointer", ["", "../../etc", "gen-000001/../..", "something"])
def test_a_pointer_to_elsewhere_is_refused(tmp_path: Path, frames, pointer: str) -> None:
    write.publish(tmp_path, frames("1"), {})
    (tmp_path / "current").write_text(pointer)
    with pytest.raises(PublishedError, match="names no generation"):
        open_current(tmp_path)

"""Arguments as people mistype them: one sentence that says what is wrong, the exit code, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.whole_files import write_whole

PURPOSE = ("--purpose", "renewal plan of the sewer utility")

ODD = [
    (("score", "", " "), 2, "Ask for one thing: addresses or lot ids, --file, or --subdivision."),
    (
        ("score", "--subdivision", " "),
        2,
        "Ask for one thing: addresses or lot ids, --file, or --subdivision.",
    ),
    (("rejects", "--load", "77"), 2, "--load 77: there is no such load; they are numbered from 1 to "),
    (("rejects", "--load", "9" * 20), 2, "there is no such load; they are numbered from 1 to "),
    (
        ("rejects", "--load", "9" * 20, "--save", "a.csv"),
        2,
        "there is no such load; they are numbered from 1 to ",
    ),
    (("rejects", "--load", "0"), 2, "is not in the range x>=1."),
    (("demo", "--seed", "-1"), 2, "is not in the range x>=0."),
    (("dashboard", "--origin", "https://sewers.example.org/"), 2, "give the name alone"),
    (("dashboard", "--origin", "a name"), 2, "give the name alone"),
    (("dashboard", "--origin", ""), 2, "give the name alone"),
    (("canvass", "--doors", "doors.txt", *PURPOSE), 2, "--doors doors.txt: end the name in .csv."),
    (("hotspots", "--lots", "lots", *PURPOSE), 2, "--lots lots: end the name in .csv."),
    (("connections", "--out", "a.csv", "--purpose", "x" * 501), 2, "--purpose has 501 characters; up to 500"),
    (("budget", "--portfolio", "P1", "--cap", "1e300"), 2, "--cap 1e+300: this is no sum of money from 0 to"),
    (("budget", "--portfolio", "P1", "--reserve", "nan"), 2, "--reserve nan: this is no sum of money from 0"),
]


@pytest.mark.parametrize(("arguments", "code", "words"), ODD, ids=lambda value: str(value)[:60])
def test_an_odd_call_is_one_sentence(
    underlot, town: Workspace, tmp_path: Path, monkeypatch, arguments, code, words
):
    monkeypatch.chdir(tmp_path)
    answer = underlot(*arguments, workspace=town.root)
    assert answer.code == code
    assert words in answer.err.strip().splitlines()[-1]
    assert "defect" not in answer.err
    assert list(tmp_path.iterdir()) == []


def test_more_lots_than_a_town_has_are_refused(underlot, tmp_path: Path) -> None:
    answer = underlot("demo", "--lots", "99999999999", "--no-serve", workspace=tmp_path / "w")
    assert (answer.code, answer.err.strip()) == (
        2,
        "--lots 99999999999: a town has at most 10,000,000 lots. Ask for fewer.",
    )
    assert not (tmp_path / "w").exists()


@pytest.mark.parametrize("text", ["{", "{}", "3"])
def test_a_damaged_description_of_the_town_is_named(underlot, tmp_path: Path, text) -> None:
    (tmp_path / "town").mkdir()
    (tmp_path / "town" / "town.json").write_text(text)
    answer = underlot("demo", "--lots", "600", "--no-serve", workspace=tmp_path)
    assert answer.code == 2
    assert "town.json: this is no description of an invented town, or it is damaged." in answer.err


def test_a_long_list_of_strangers_is_told_in_few_lines(underlot, town: Workspace, tmp_path: Path) -> None:
    asked = tmp_path / "list.csv"
    asked.write_text("address\n" + "".join(f"{n} Nowhere Street\n" for n in range(60)))
    answer = underlot("score", "--file", asked, workspace=town.root)
    assert answer.code == 3
    lines = answer.err.strip().splitlines()
    assert len(lines) == 51
    assert lines[-1] == "Not found: 10 more. With --format csv each has a line of its own."


@pytest.mark.parametrize("content", ["text", b"bytes"])
def test_a_file_that_cannot_be_written_leaves_the_place_as_it_was(tmp_path: Path, content) -> None:
    (tmp_path / "taken").mkdir()
    with pytest.raises(SettingsError, match=r"taken: cannot be written \(Is a directory\)\. Close it"):
        write_whole(tmp_path / "taken", content)
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]
    write_whole(tmp_path / "a.txt", content)
    assert (tmp_path / "a.txt").read_bytes() == (content if isinstance(content, bytes) else content.encode())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.txt", "taken"]

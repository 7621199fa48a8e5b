"""Settings and rules that a user may edit: read as editors save them, and refused in one sentence."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import parse_assumptions, read_assumptions, shipped_text
from pipeline.errors import SettingsError
from pipeline.rule_files import own_or_shipped_text, own_text
from pipeline.settings import Workspace
from pipeline.steps.connections_rules import consequences
from pipeline.verdicts import material_years, verdict_rules

READERS = {
    "settings.toml": lambda workspace: workspace.settings(),
    "assumptions.toml": read_assumptions,
    "consequences.toml": consequences,
    "verdict_rules.toml": verdict_rules,
    "material_years.toml": material_years,
}


SETTINGS = 'town = "Quillbourne"\n'


def shipped(file: str) -> str:
    return SETTINGS if file == "settings.toml" else own_or_shipped_text(Path("no such folder"), file)


@pytest.mark.parametrize("file", READERS)
def test_a_byte_order_mark_and_line_ends_of_another_system_are_no_fault(tmp_path, file):
    workspace = Workspace(tmp_path)
    path = tmp_path / file
    path.write_bytes(shipped(file).encode())
    plain = READERS[file](workspace)
    path.write_bytes(("\ufeff" + shipped(file).replace("\n", "\r\n")).encode())
    found = READERS[file](workspace)
    assert found.equals(plain) if isinstance(plain, pl.DataFrame) else found == plain


@pytest.mark.parametrize("file", READERS)
def test_a_file_in_another_encoding_is_named(tmp_path, file):
    (tmp_path / file).write_bytes(shipped(file).encode("utf-16"))
    with pytest.raises(SettingsError, match=r"it is not written in UTF-8 .* Save it as UTF-8\.$") as caught:
        READERS[file](Workspace(tmp_path))
    assert str(tmp_path / file) in str(caught.value)


@pytest.mark.parametrize("file", READERS)
def test_a_folder_of_that_name_is_named(tmp_path, file):
    (tmp_path / file).mkdir()
    with pytest.raises(SettingsError, match=r"cannot be read \(Is a directory\)\. Correct"):
        READERS[file](Workspace(tmp_path))


def test_text_without_a_mark_is_as_it_stands(tmp_path):
    (tmp_path / "a.toml").write_text("name = 'Ä'\n", encoding="utf-8")
    assert own_text(tmp_path / "a.toml") == "name = 'Ä'\n"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("base_year =", f"base_year = 1{'0' * 400} #", r"base_year: 10{36}… is not a whole number from 1 up"),
        ("confidence =", f"confidence = 1{'0' * 400} #", r"confidence: 10{36}… is not a share from 0 to 1"),
        ("confidence =", "confidence = nan #", r"confidence: nan is not a share from 0 to 1"),
        ("discount_rate =", "discount_rate = inf #", r"discount_rate: inf is not a yearly rate"),
        (
            "\ndepth_band = ",
            "\ndepth_band = 3 #",
            r"\[\[cost\]\] number 1, depth_band: write a text in quotes",
        ),
    ],
)
def test_numbers_beyond_reason_and_words_that_are_none_are_refused(old, new, sentence):
    text = shipped_text()
    assert old in text
    with pytest.raises(SettingsError, match=sentence):
        parse_assumptions(text.replace(old, new, 1))


def test_prices_without_a_block_are_refused():
    text = shipped_text()
    with pytest.raises(SettingsError, match=r"number 1: write prices as \[\[cost\]\] blocks\."):
        parse_assumptions("cost = [3]\n" + text[: text.index("\n[[cost]]")])

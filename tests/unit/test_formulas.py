"""Text of strangers is no formula in a spreadsheet: signs of CWE-1236 and OWASP ASVS 5.0, 1.2.10."""

from __future__ import annotations

import ast
from pathlib import Path

import polars as pl
import pytest

from pipeline.formulas import as_csv, as_given, guarded

ROOT = Path(__file__).parents[2]


def test_text_that_a_spreadsheet_would_run_is_kept_as_text() -> None:
    # The signs of OWASP's list, https://owasp.org/www-community/attacks/CSV_Injection
    frame = pl.DataFrame({"note": ["=1+1", "+1", "-1", "@A1", "plain", None], "n": [-1, 2, 3, 4, 5, 6]})
    lines = as_csv(frame).splitlines()
    assert lines[1:] == ["'=1+1,-1", "'+1,2", "'-1,3", "'@A1,4", "plain,5", ",6"]


def test_numbers_keep_their_sign_and_figures() -> None:
    assert as_csv(pl.DataFrame({"x": [-1.27], "n": [-3]}), float_precision=1) == "x,n\n-1.3,-3\n"


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\0"])
def test_each_sign_is_guarded_and_taken_back(sign: str) -> None:
    for text in (f"{sign}A1", f"'{sign}A1", f"''{sign}A1"):
        assert guarded(text) == f"'{text}"
        frame = pl.DataFrame({"text": [text]})
        assert as_csv(frame).strip("\n").removeprefix("text\n").strip('"').startswith("'")
        assert pl.select(as_given(pl.lit(guarded(text)))).item() == text


@pytest.mark.parametrize("text", ["", "12 Oak St", "'tis", "-97.5", "+3", "-1e-3", "a=b"])
def test_what_is_no_formula_is_left_as_it_is(text: str) -> None:
    assert guarded(text) == text
    assert pl.select(as_given(pl.lit(text))).item() == text


def test_no_other_place_writes_csv() -> None:
    writers = {"pipeline/formulas.py", "pipeline/steps/rejects.py"}
    for folder in ("pipeline", "dashboards"):
        for file in (ROOT / folder).rglob("*.py"):
            called = {
                node.attr
                for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
                if isinstance(node, ast.Attribute)
            }
            if called & {"write_csv", "writerows", "writerow"}:
                assert file.relative_to(ROOT).as_posix() in writers

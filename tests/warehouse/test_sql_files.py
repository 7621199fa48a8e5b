"""SQL files: one statement each, a first line that says the grain, and none that nothing runs."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

ROOT = Path(__file__).parents[2] / "pipeline"
FILES = sorted(
    path
    for folder in ("connections", "core", "checks", "exposure", "records")
    for path in (ROOT / "sql" / folder).glob("*.sql")
)
CODE = "\n".join(path.read_text(encoding="utf-8") for path in ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_sql_file(path):
    text = path.read_text(encoding="utf-8")
    first = text.splitlines()[0]
    assert first.startswith("-- ")
    assert len(first) > 20
    if path.parent.name != "records":  # all of records are run, by folder
        used = rf"\"{path.parent.name}/{path.stem}\"|\"{path.stem}\""
        assert re.search(used, CODE), "nothing runs this file"
    if "expression, not a statement" not in first:
        statement = re.sub(r"\{\w+\}", "x", text.replace("{definitions}", "x INTEGER"))
        assert len(duckdb.extract_statements(statement)) == 1

"""Help for the tests of reading: files from text, and where the real files lie."""

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from hypothesis import settings

from pipeline import readers, validate
from pipeline.column_map import ColumnMap

# These tests write files; how long that takes on a busy machine says nothing about the code.
settings.register_profile("files", deadline=None)
settings.load_profile("files")

TODAY = date(2026, 6, 30)
REFERENCE = Path(os.environ.get("UNDERLOT_REFERENCE", Path(__file__).parents[2] / "../shared/reference/real"))


@pytest.fixture
def today() -> date:
    return TODAY


@pytest.fixture
def real() -> Callable[[str], Path]:
    """Path of a real file; the test is skipped where it is absent."""

    def find(name: str) -> Path:
        path = REFERENCE / name
        if not path.exists():
            pytest.skip(f"the real file {name} is not here; set UNDERLOT_REFERENCE to its folder")
        return path

    return find


@pytest.fixture
def check_csv(tmp_path: Path) -> Callable[..., validate.CheckedRows]:
    """Write text to a CSV, read it, and check it with a map given as TOML (or its headers as they are)."""

    def check(text: str, toml: str | None = None, layout: str = "jobs") -> validate.CheckedRows:
        path = tmp_path / "rows.csv"
        path.write_text(text, encoding="utf-8")
        raw = readers.read(path)
        if toml is None:
            toml = f'layout = "{layout}"\n' + "".join(f'[columns.{h}]\nfrom = "{h}"\n' for h in raw.headers)
        return validate.check(raw, ColumnMap.from_toml(toml), today=TODAY)

    return check

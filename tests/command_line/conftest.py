from __future__ import annotations

import io
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.settings import Workspace


@dataclass(frozen=True)
class Answer:
    code: int
    out: str
    err: str


@pytest.fixture
def underlot(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Answer]:
    """Run one command in this process, with nobody at the keyboard."""

    def call(*arguments: object, workspace: Path | None = None) -> Answer:
        monkeypatch.setattr(sys, "stdin", io.StringIO(""))
        place = ["--workspace", str(workspace)] if workspace is not None else []
        capsys.readouterr()
        code = run([*place, *(str(argument) for argument in arguments)])
        caught = capsys.readouterr()
        return Answer(code, caught.out, caught.err)

    return call


@pytest.fixture(scope="session")
def town(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small invented town, loaded, built and published once."""
    root = tmp_path_factory.mktemp("town")
    assert run(["--workspace", str(root), "demo", "--lots", "600", "--seed", "5", "--no-serve"]) == 0
    return Workspace(root)

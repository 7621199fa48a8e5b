"""Help texts are interface: kept word for word, with an example each."""

from __future__ import annotations

import os
from pathlib import Path

import click
import pytest

from pipeline.cli import COMMANDS as KNOWN
from pipeline.cli import cli

GOLDEN = Path(__file__).parent / "golden"
COMMANDS = [
    "",
    "demo",
    "load",
    "rejects",
    "build",
    "score",
    "hotspots",
    "canvass",
    "connections",
    "budget",
    "dashboard",
    "accounts",
    "report",
]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_as_agreed(underlot, command: str, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    answer = underlot(*command.split(), "--help")
    assert answer.code == 0
    file = GOLDEN / f"help_{command or 'underlot'}.txt"
    if os.environ.get("UNDERLOT_WRITE_GOLDEN"):
        file.write_text(answer.out, encoding="utf-8")
    assert answer.out == file.read_text(encoding="utf-8"), f"set UNDERLOT_WRITE_GOLDEN=1 to renew {file.name}"


def test_every_command_is_covered_and_gives_an_example(underlot) -> None:
    assert sorted(KNOWN) == sorted(filter(None, COMMANDS))
    for name in KNOWN:
        assert f"underlot {name}" in underlot(name, "--help").out


def test_every_option_says_what_it_does() -> None:
    for name in KNOWN:
        for parameter in cli.get_command(click.Context(cli), name).params:
            if parameter.param_type_name == "option":
                assert getattr(parameter, "help", None), f"{name}: {parameter.name} has no help"

"""Options that several commands have in common."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., object])


def form_option(*others: str, help: str) -> Callable[[Command], Command]:
    """`--format`, passed on as `form`: a table for people, or one of the others."""
    choice = click.Choice(["table", *others])
    return click.option("--format", "form", type=choice, default="table", show_default=True, help=help)


def lots_options(command: Command) -> Command:
    """Lots that are asked for: named, in a file, or all of a subdivision."""
    options = (
        click.argument("asked", nargs=-1),
        click.option(
            "--file",
            "file",
            type=click.Path(path_type=Path, dir_okay=False),
            help="Spreadsheet with a column 'lot_id' or 'address'.",
        ),
        click.option("--subdivision", help="Name of a subdivision."),
    )
    for option in reversed(options):
        command = option(command)
    return command

"""One module per command. They read options and print; the work is done in `pipeline.steps`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import click
from rich.table import Table
from rich.text import Text

from pipeline.settings import Workspace


@dataclass(frozen=True, slots=True)
class Context:
    """What every command gets from the options before its name.

    Attributes
    ----------
    workspace : Workspace
        Where records and results are.
    debug : bool
        Show technical details of a fault.
    """

    workspace: Workspace
    debug: bool


def tell(text: str) -> None:
    """Show progress; it goes to stderr, so that stdout holds answers only."""
    click.echo(text, err=True)


def town_in_words(run: Mapping[str, Any]) -> str:
    """Name the town of a build; an invented one is called so wherever it is named."""
    return f"{run['town_name']}{' (an invented town)' if run['is_synthetic'] else ''}"


def add_plain_row(table: Table, *cells: str) -> None:
    """Add a row whose cells are shown as they are: square brackets in a user's words are no markup."""
    table.add_row(*(Text(cell) for cell in cells))

"""One module per command. They read options and print; the work is done in `pipeline.steps`."""

from __future__ import annotations

from dataclasses import dataclass

import click

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

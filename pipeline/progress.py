"""How long work tells what it is doing; the command line decides where that is shown."""

from __future__ import annotations

from collections.abc import Callable

#: Told one short sentence at the start of each stage.
Progress = Callable[[str], None]


def silent(_: str) -> None:
    """Show nothing."""

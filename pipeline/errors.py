"""Faults a user can act on, each as one sentence; every command turns them into an exit code.

A bad *row* is not an exception: it is rejected with a reason code (see vocabulary.RejectReason).
A bad *file*, setting or warehouse is one of these. Anything else that escapes is a defect of ours.
"""

from __future__ import annotations

from pathlib import Path


class UnderlotError(Exception):
    """Base of all faults shown to a user; the text says what is wrong, where, and what to do.

    Attributes
    ----------
    exit_code : int
        2 for a wrong call (usage, settings), 3 for data or files refused.
    """

    exit_code = 3


class InputFileError(UnderlotError):
    """A file cannot be read at all, or holds nothing that can be loaded."""

    def __init__(self, file: str | Path, problem: str, advice: str) -> None:
        self.file = Path(file).name
        self.problem = problem
        self.advice = advice
        super().__init__(f"{self.file}: {problem} {advice}")


class ColumnError(UnderlotError, KeyError):
    """A column that the map or the contract needs is not in the file."""

    def __init__(self, file: str | Path, column: str, problem: str, advice: str) -> None:
        self.file = Path(file).name
        self.column = column
        self.problem = problem
        self.advice = advice
        super().__init__(f"{self.file}, column '{column}': {problem} {advice}")

    def __str__(self) -> str:
        # KeyError would show the repr of its argument, quotes and all.
        return str(self.args[0])


class SettingsError(UnderlotError):
    """A setting, map or rule file says something impossible."""

    exit_code = 2


class WarehouseError(UnderlotError):
    """The warehouse cannot be opened, is held by another process, or could not be written."""


class PublishedError(UnderlotError):
    """There is nothing published to show, or it was published by another version."""


class FitError(UnderlotError):
    """The records cannot support the estimate that was asked for."""

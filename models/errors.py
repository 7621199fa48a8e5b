"""The one error of this folder: input that no estimate can be made from."""

from __future__ import annotations


class ModelInputError(ValueError):
    """An array given to a model holds something impossible.

    Attributes
    ----------
    row : int or None
        Position of the first offending row, counted from 0; None where the fault is not in one row.
    """

    def __init__(self, problem: str, *, row: int | None = None) -> None:
        self.row = row
        where = "" if row is None else f"row {row}: "
        super().__init__(f"{where}{problem}")

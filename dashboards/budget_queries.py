"""Questions about budgets that the pages ask of the published tables."""

from __future__ import annotations

from functools import cached_property

import polars as pl

from pipeline.published.read import PublishedReader


class BudgetQueries:
    """Budgets made ahead by the build, from the published tables."""

    def __init__(self, reader: PublishedReader) -> None:
        self._reader = reader

    @cached_property
    def groups(self) -> list[tuple[str, str]]:
        """Portfolios, then subdivisions, that a budget was made for or refused."""
        found = self._reader.query(
            "SELECT DISTINCT group_kind, group_name FROM budgets ORDER BY group_kind, group_name"
        )
        return list(found.iter_rows())

    def policies(self, kind: str, name: str) -> pl.DataFrame:
        """Policies of a group beside each other."""
        return self._reader.query(
            "SELECT * FROM budgets WHERE group_kind = ? AND group_name = ? ORDER BY position", [kind, name]
        )

    def years(self, kind: str, name: str, policy: str) -> pl.DataFrame:
        """Years of one policy."""
        return self._reader.query(
            "SELECT * FROM budget_years WHERE group_kind = ? AND group_name = ? AND policy = ? ORDER BY year",
            [kind, name, policy],
        )

    def dearest(self, kind: str, name: str, most: int) -> pl.DataFrame:
        """Lots that cost most if everything waits for trouble."""
        return self._reader.query(
            "SELECT * FROM budget_lots WHERE group_kind = ? AND group_name = ? "
            "ORDER BY wait_present_value DESC, lot_id LIMIT ?",
            [kind, name, most],
        )

    def cameras_first(self, kind: str, name: str, most: int) -> pl.DataFrame:
        """Lots where a camera is worth most before deciding."""
        return self._reader.query(
            "SELECT * FROM budget_lots WHERE group_kind = ? AND group_name = ? AND camera_rank IS NOT NULL "
            "ORDER BY camera_rank LIMIT ?",
            [kind, name, most],
        )

    @cached_property
    def assumptions(self) -> pl.DataFrame:
        """Every assumption behind the budgets."""
        return self._reader.table("budget_assumptions")

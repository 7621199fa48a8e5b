"""What utilities and contractors ask: connections to the public sewer, and areas to call in."""

from __future__ import annotations

from functools import cached_property

import polars as pl

from dashboards import lots_asked
from dashboards.filters import View
from pipeline.published.read import PublishedReader
from pipeline.vocabulary import LateralPart

#: Orders of the table of connections, and the columns behind them.
ORDERS = {"risk": "risk_rank", "spending": "spending_order"}


class UtilityQueries:
    """Connections and areas, from the published tables."""

    def __init__(self, reader: PublishedReader) -> None:
        self._reader = reader

    @cached_property
    def n_connections(self) -> tuple[int, int]:
        """How many connections are on record, and how many of them are ranked."""
        found = self._reader.query(
            "SELECT count(*) AS n, count(*) FILTER (status = 'ok') AS n_ranked FROM connections"
        )
        return int(found["n"][0]), int(found["n_ranked"][0])

    @cached_property
    def part_shown_first(self) -> LateralPart:
        """The part of laterals that the file of assumptions names."""
        named = self._reader.query("SELECT DISTINCT part FROM connection_curve WHERE is_shown_first")
        return LateralPart.of(named["part"][0]) if named.height else LateralPart.LOWER

    @cached_property
    def n_property_lines(self) -> int:
        """How many ranked connections have their property line on record."""
        found = self._reader.query(
            "SELECT count(*) AS n FROM connections WHERE status = 'ok' AND property_line_source = 'recorded'"
        )
        return int(found["n"][0])

    def n_ranked(self, view: View) -> int:
        """How many connections of a view are ranked."""
        condition, values = lots_asked.where_lots(view)
        sql = f"SELECT count(*) FROM connections WHERE status = 'ok' AND lot_id IN (SELECT lot_id FROM lots WHERE {condition})"  # noqa: S608 - our own condition
        return int(self._reader.query(sql, values).item())

    def connections(
        self, part: LateralPart, order: str, view: View, first: str | None, most: int
    ) -> pl.DataFrame:
        """Return the first connections of a view by one of `ORDERS`, ranked by one part of their laterals.

        Parameters
        ----------
        part : LateralPart
            What is ranked.
        order : str
            A key of `ORDERS`.
        view : View
            Whose lots.
        first : str or None
            A lot that comes before all others, whatever its rank and whatever is asked for.
        most : int
            Rows at most.
        """
        column = ORDERS[order]
        condition, values = lots_asked.where_lots(view)
        return self._reader.query(
            f"SELECT c.*, p.* EXCLUDE (lot_id) FROM connection_parts AS p JOIN connections AS c USING (lot_id) "  # noqa: S608 - a column of the contract
            f"WHERE p.part = ? AND {column} IS NOT NULL AND (lot_id IS NOT DISTINCT FROM ? OR lot_id IN (SELECT lot_id FROM lots WHERE {condition})) "
            f"ORDER BY lot_id IS NOT DISTINCT FROM ? DESC, {column}, lot_id LIMIT ?",
            [part.value, first, *values, first, most],
        )

    def curve(self, part: LateralPart) -> pl.DataFrame:
        """What money buys, spent on one part of laterals in the best order."""
        return self._reader.query(
            "SELECT * EXCLUDE (part, is_shown_first) FROM connection_curve WHERE part = ? ORDER BY n_connections",
            [part.value],
        )

    @cached_property
    def assumptions(self) -> pl.DataFrame:
        """Weights and prices behind the ranking."""
        return self._reader.table("connection_assumptions")

    @cached_property
    def areas(self) -> pl.DataFrame:
        """Areas to call in, best first, with those held back at the end."""
        return self._reader.query("SELECT * FROM canvass_areas ORDER BY rank NULLS LAST, area_id")

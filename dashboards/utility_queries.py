"""What utilities and contractors ask: connections to the public sewer, and areas to call in."""

from __future__ import annotations

from functools import cached_property

import polars as pl

from pipeline.published.read import PublishedReader

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

    def connections(self, order: str, most: int) -> pl.DataFrame:
        """Return the first connections by one of `ORDERS`."""
        column = ORDERS[order]
        return self._reader.query(
            f"SELECT * FROM connections WHERE status = 'ok' AND {column} IS NOT NULL ORDER BY {column}, lot_id LIMIT ?",  # noqa: S608 - a column of the contract
            [most],
        )

    @cached_property
    def curve(self) -> pl.DataFrame:
        """What money buys, spent in the best order."""
        return self._reader.table("connection_curve")

    @cached_property
    def assumptions(self) -> pl.DataFrame:
        """Weights and prices behind the ranking."""
        return self._reader.table("connection_assumptions")

    @cached_property
    def areas(self) -> pl.DataFrame:
        """Areas to call in, best first, with those held back at the end."""
        return self._reader.query("SELECT * FROM canvass_areas ORDER BY rank NULLS LAST, area_id")

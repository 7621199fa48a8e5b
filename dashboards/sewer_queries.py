"""What of the public sewer lies in the window of the map: mains, manholes, and tie-ins of the lots that are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl
import shapely

from dashboards import lots_asked
from dashboards.filters import View
from dashboards.map_queries import IN_WINDOW, Window
from pipeline.published.read import PublishedReader

#: More mains than this are not drawn: they would cover what lies below them.
MOST_MAINS = 1_500
#: More points than this are not drawn.
MOST_POINTS = 2_000

MEETS = "x_max_ft >= ? AND x_min_ft <= ? AND y_max_ft >= ? AND y_min_ft <= ?"
CONNECTION = (
    "SELECT t.lot_id, t.main_id, t.manhole_id, t.x_ft AS x, t.y_ft AS y, coalesce(l.address, t.lot_id) AS address, "
    "c.station_ft, c.main_depth_ft, c.tie_in_material, c.tie_in_install_year_min, c.tie_in_install_year_max, "
    "c.tie_in_failure_probability, c.tie_in_failure_probability_lower, c.tie_in_failure_probability_upper, "
    "c.status FROM tie_ins AS t JOIN lots AS l USING (lot_id) LEFT JOIN connections AS c USING (lot_id) "
)


@dataclass(frozen=True, slots=True)
class Sewers:
    """The public sewer in a window.

    Attributes
    ----------
    n_mains : int
        Mains in the window, drawn or not.
    mains, manholes, tie_ins : DataFrame
        Those to be drawn; none where there are too many, or, of points, where no single lot is drawn.
    """

    n_mains: int
    mains: pl.DataFrame
    manholes: pl.DataFrame
    tie_ins: pl.DataFrame


class SewerQueries:
    """Questions about the public sewer to one generation."""

    def __init__(self, reader: PublishedReader) -> None:
        self._reader = reader

    def on_record(self) -> bool:
        """Whether there is anything of it to draw."""
        found = self._reader.query(
            "SELECT exists(SELECT 1 FROM mains WHERE outline_wkt IS NOT NULL) OR exists(SELECT 1 FROM tie_ins WHERE x_ft IS NOT NULL)"
        )
        return bool(found.item())

    def inside(self, view: View, window: Window, *, is_near: bool) -> Sewers:
        """What lies in a window.

        Parameters
        ----------
        view : View
            Tie-ins are those of its lots; mains and manholes are there whatever is asked for.
        window : Window
            What is shown.
        is_near : bool
            Lots are drawn one by one: points are drawn too.
        """
        mains = self._reader.query(
            f"SELECT * FROM mains WHERE {MEETS} LIMIT ?",  # noqa: S608 - our own condition
            [*window.bounds, MOST_MAINS + 1],
        )
        n = mains.height if mains.height <= MOST_MAINS else self._n_mains(window)
        most = MOST_POINTS if is_near else 0
        condition, values = lots_asked.where_lots(view)
        return Sewers(
            n_mains=n,
            mains=mains if n <= MOST_MAINS else mains.clear(),
            manholes=self._reader.query(
                f"SELECT * FROM manholes WHERE {IN_WINDOW} LIMIT ?",  # noqa: S608 - our own condition
                [*window.bounds, most],
            ),
            tie_ins=self._reader.query(
                f"{CONNECTION} WHERE t.x_ft BETWEEN ? AND ? AND t.y_ft BETWEEN ? AND ? "  # noqa: S608 - our own condition
                f"AND t.lot_id IN (SELECT lot_id FROM lots WHERE {condition}) ORDER BY t.lot_id LIMIT ?",
                [*window.bounds, *values, most],
            ),
        )

    def tie_in(self, lot_id: str) -> dict[str, Any] | None:
        """Where one lot's line meets the public sewer, and what is known of that; None where nothing is."""
        found = self._reader.query(f"{CONNECTION} WHERE t.lot_id = ?", [lot_id])
        return found.row(0, named=True) if found.height else None

    def main(self, main_id: str) -> dict[str, Any]:
        """Return one main."""
        return self._reader.query("SELECT * FROM mains WHERE main_id = ?", [main_id]).row(0, named=True)

    def _n_mains(self, window: Window) -> int:
        return int(
            self._reader.query(
                f"SELECT count(*) FROM mains WHERE {MEETS}",  # noqa: S608 - our own condition
                window.bounds,
            ).item()
        )


def lines(outlines: pl.Series) -> tuple[list[list[float]], list[list[float]]]:
    """Return lines as lists of x and y; of several parts, one after the other with a gap."""
    shapes = shapely.from_wkt(outlines.to_numpy(), on_invalid="ignore")
    xs, ys = [], []
    for shape in shapes:
        x: list[float] = []
        y: list[float] = []
        for part in shapely.get_parts(shape):
            points = shapely.get_coordinates(part)
            x += [*([float("nan")] if x else []), *points[:, 0].tolist()]
            y += [*([float("nan")] if y else []), *points[:, 1].tolist()]
        xs.append(x)
        ys.append(y)
    return xs, ys

"""What lies in the window of the map, asked of the published lots each time the window or a filter changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl
import shapely

from dashboards import lots_asked
from dashboards.filters import View
from dashboards.kept import Kept
from pipeline.published.read import PublishedReader

#: More lots than this are drawn as blocks or squares: one outline costs the browser far more than one square.
MOST_LOTS = 2_000
MOST_BLOCKS = 2_500
#: Of more lots nobody counts the blocks: they would be too many.
MOST_LOTS_OF_BLOCKS = 60_000
#: Squares across the window, where even blocks are too many.
SQUARES_ACROSS = 70
#: Side of a lot without an outline [ft].
DRAWN_FT = 50.0
#: Answers kept for other readers: most of them begin with the same views. One is at most half a megabyte.
MOST_KEPT = 200
#: Lots named in the table beside the map.
MOST_NAMED = 15

Level = Literal["lots", "blocks", "squares"]


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of the map's grid [ft]."""

    x_from: float
    x_to: float
    y_from: float
    y_to: float

    @property
    def bounds(self) -> list[float]:
        """West, east, south, north, as the queries take them."""
        return [self.x_from, self.x_to, self.y_from, self.y_to]

    def around(self, share: float) -> Window:
        """The same middle, made larger or smaller."""
        x, y = (self.x_from + self.x_to) / 2, (self.y_from + self.y_to) / 2
        a, b = (self.x_to - self.x_from) * share / 2, (self.y_to - self.y_from) * share / 2
        return Window(x - a, x + a, y - b, y + b)

    def moved(self, east: float, north: float) -> Window:
        """The same size, moved by shares of its width and height."""
        dx, dy = (self.x_to - self.x_from) * east, (self.y_to - self.y_from) * north
        return Window(self.x_from + dx, self.x_to + dx, self.y_from + dy, self.y_to + dy)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a window shows.

    Attributes
    ----------
    level : {'lots', 'blocks', 'squares'}
        What one shape is.
    shapes : DataFrame
        Areas: `name, n_lots, n_inspected, chance, x_min, x_max, y_min, y_max`. Lots: `lot_id, name,
        n_inspected, chance, x, y, outline_wkt`.
    n_lots, n_inspected : int
        Lots of the view inside the window, and those of them with an inspection.
    """

    level: Level
    shapes: pl.DataFrame
    n_lots: int
    n_inspected: int


IN_WINDOW = "x_ft BETWEEN ? AND ? AND y_ft BETWEEN ? AND ?"
SUMS = "count(*) AS n_lots, count(*) FILTER (n_inspections > 0) AS n_inspected, avg(failure_probability) AS chance"


class MapQueries:
    """Questions of the map to one generation."""

    def __init__(self, reader: PublishedReader) -> None:
        self._reader = reader
        self._kept = Kept(MOST_KEPT)

    def extent(self, view: View) -> Window | None:
        """The rectangle around all lots of a view; None where nothing says where they lie."""
        return self._kept.of(("extent", view), lambda: self._extent(view))

    def _extent(self, view: View) -> Window | None:
        condition, values = lots_asked.where_lots(view)
        row = self._reader.query(
            f"SELECT min(x_ft), max(x_ft), min(y_ft), max(y_ft) FROM lots WHERE {condition}",  # noqa: S608
            values,
        ).row(0)
        if None in row:
            return None
        found = Window(*row)
        # One lot, or lots in a line, still need a window of some size.
        room = max(found.x_to - found.x_from, found.y_to - found.y_from, 400.0) * 0.03
        return Window(found.x_from - room, found.x_to + room, found.y_from - room, found.y_to + room)

    def around_lot(self, lot_id: str, width_ft: float) -> Window | None:
        """A window with one lot in its middle."""
        found = self._reader.query("SELECT x_ft, y_ft FROM lots WHERE lot_id = ?", [lot_id])
        if found.is_empty() or None in found.row(0):
            return None
        x, y = found.row(0)
        return Window(x - width_ft / 2, x + width_ft / 2, y - width_ft / 4, y + width_ft / 4)

    def drawn(self, view: View, window: Window) -> Drawn:
        """Lots where they are few, else their blocks, else squares."""
        return self._kept.of(("drawn", view, window), lambda: self._drawn(view, window))

    def _drawn(self, view: View, window: Window) -> Drawn:
        condition, values = lots_asked.where_lots(view)
        where, given = f"{condition} AND {IN_WINDOW}", [*values, *window.bounds]
        # Squares also count, so that a town seen whole is gone through once.
        squares = self._squares(where, given, window)
        n, seen = int(squares["n_lots"].sum()), int(squares["n_inspected"].sum())
        if n <= MOST_LOTS:
            return Drawn("lots", self._lots(where, given), n, seen)
        if n <= MOST_LOTS_OF_BLOCKS:
            blocks = self._blocks(where, given)
            if 0 < blocks.height <= MOST_BLOCKS:
                return Drawn("blocks", blocks, n, seen)
        return Drawn("squares", squares, n, seen)

    def hot_spots(self) -> pl.DataFrame:
        """Hot spots of the search over all looks, with their outlines."""
        return self._reader.query(
            "SELECT zone, label, outline_wkt FROM hot_spots WHERE period = 'all' AND outline_wkt IS NOT NULL ORDER BY zone"
        )

    def classes(self, view: View, window: Window) -> pl.DataFrame:
        """Lots of a window by class of their chance: `chance_class, n_lots, n_inspected`."""
        return self._kept.of(("classes", view, window), lambda: self._classes(view, window))

    def _classes(self, view: View, window: Window) -> pl.DataFrame:
        condition, values = lots_asked.where_lots(view)
        return self._reader.query(
            f"SELECT {lots_asked.CLASS} AS chance_class, count(*) AS n_lots, count(*) FILTER (n_inspections > 0) AS n_inspected "  # noqa: S608
            f"FROM lots WHERE {condition} AND {IN_WINDOW} GROUP BY 1 ORDER BY 1",
            [*values, *window.bounds],
        )

    def named(self, view: View, window: Window, first: str | None = None) -> pl.DataFrame:
        """The lots of a window with the highest chance, for the table beside the map; one that was chosen comes first."""
        return self._kept.of(("named", view, window, first), lambda: self._named(view, window, first))

    def _named(self, view: View, window: Window, first: str | None) -> pl.DataFrame:
        condition, values = lots_asked.where_lots(view)
        inside = f"SELECT chance_order FROM lots WHERE {condition} AND {IN_WINDOW}"  # noqa: S608 - our own condition
        given = [*values, *window.bounds]
        # Which lots they are is found in a few narrow columns; the wide ones are read of these lots only.
        chosen, told = f"({inside} ORDER BY chance_order LIMIT ?)", [*given, MOST_NAMED]
        if first is not None:
            chosen, told = f"({chosen} UNION ALL {inside} AND lot_id = ?)", [*told, *given, first]
        return self._reader.query(
            "SELECT lot_id, coalesce(address, lot_id) AS address, line_summary, n_inspections, status, failure_probability, "  # noqa: S608
            f"failure_probability_lower, failure_probability_upper FROM lots WHERE chance_order IN {chosen} "
            "ORDER BY lot_id IS NOT DISTINCT FROM ? DESC, chance_order LIMIT ?",
            [*told, first, MOST_NAMED],
        )

    def _lots(self, where: str, values: list[object]) -> pl.DataFrame:
        return self._reader.query(
            "SELECT lot_id, coalesce(address, lot_id) AS name, n_inspections AS n_inspected, "  # noqa: S608
            f"failure_probability AS chance, x_ft AS x, y_ft AS y, outline_wkt FROM lots WHERE {where} ORDER BY lot_id",
            values,
        )

    def _blocks(self, where: str, values: list[object]) -> pl.DataFrame:
        return self._reader.query(
            f"WITH found AS (SELECT block, {SUMS} FROM lots WHERE {where} GROUP BY block) "  # noqa: S608
            "SELECT found.block AS name, found.n_lots, found.n_inspected, found.chance, b.x_min_ft AS x_min, "
            "b.x_max_ft AS x_max, b.y_min_ft AS y_min, b.y_max_ft AS y_max "
            "FROM found JOIN blocks AS b USING (block) WHERE b.x_min_ft IS NOT NULL ORDER BY 1",
            values,
        )

    def _squares(self, where: str, values: list[object], window: Window) -> pl.DataFrame:
        side = max((window.x_to - window.x_from) / SQUARES_ACROSS, 1.0)
        return self._reader.query(
            f"SELECT 'square of ' || round(?)::BIGINT || ' ft' AS name, {SUMS}, floor(x_ft / ?) * ? AS x_min, "  # noqa: S608
            "floor(y_ft / ?) * ? AS y_min, x_min + ? AS x_max, y_min + ? AS y_max "
            f"FROM lots WHERE {where} GROUP BY x_min, y_min",
            [side] * 7 + list(values),
        )


def rings(lots: pl.DataFrame) -> tuple[list[list[float]], list[list[float]]]:
    """Return the outer ring of each lot's outline as lists of x and y; a square where there is none.

    Parameters
    ----------
    lots : DataFrame
        `x, y, outline_wkt`.
    """
    shapes = shapely.from_wkt(lots["outline_wkt"].to_numpy(), on_invalid="ignore")
    half = DRAWN_FT / 2
    x, y = lots["x"].to_numpy(), lots["y"].to_numpy()
    squares = shapely.box(x - half, y - half, x + half, y + half)
    # A lot of several parts is drawn by its first: the map shows where it lies, not its area.
    outer = shapely.get_exterior_ring(shapely.get_geometry(shapes, 0))
    usable = ~shapely.is_missing(outer) & ~shapely.is_empty(outer)
    outer[~usable] = shapely.get_exterior_ring(squares[~usable])
    points, owner = shapely.get_coordinates(outer, return_index=True)
    found = (
        pl.DataFrame({"owner": owner, "x": points[:, 0], "y": points[:, 1]})
        .group_by("owner", maintain_order=True)
        .agg("x", "y")
    )
    return found["x"].to_list(), found["y"].to_list()


def zone_rings(outlines: pl.Series) -> tuple[list[list[float]], list[list[float]]]:
    """Return the outer ring of each outline as lists of x and y; of several parts the first."""
    shapes = shapely.from_wkt(outlines.to_numpy(), on_invalid="ignore")
    drawn = [
        shapely.get_coordinates(shapely.get_exterior_ring(shapely.get_geometry(shape, 0))) for shape in shapes
    ]
    return [points[:, 0].tolist() for points in drawn], [points[:, 1].tolist() for points in drawn]

"""The public sewer on the map: its places by hand, in the same grid as the lots it serves."""

import polars as pl
import pytest
from pyproj import Geod

from pipeline.steps.build_places import map_movers, place_lots
from pipeline.steps.map_sewers import place_lines, place_points

KINDS = {"x": pl.Float64, "y": pl.Float64, "epsg": pl.Int64, "lon": pl.Float64, "lat": pl.Float64}


def lots(**columns):
    n = len(next(iter(columns.values())))
    given = {name: columns.get(name, [None] * n) for name in KINDS}
    return pl.DataFrame(
        {"lot_id": [str(i) for i in range(n)], **given, "outline_wkt": [None] * n},
        schema={"lot_id": pl.String, **KINDS, "outline_wkt": pl.String},
    )


def tied(**columns):
    n = len(next(iter(columns.values())))
    base = {"epsg": [None] * n, "x": [None] * n, "lon": [None] * n}
    return pl.DataFrame(base | columns, schema_overrides={name: KINDS[name] for name in base})


def test_local_feet_stay_and_bounds_are_those_of_the_line():
    movers = map_movers(lots(x=[0.0, 100.0], y=[0.0, 50.0]))
    found = place_lines(
        tied(outline_wkt=["LINESTRING (0 10, 40 10, 40 90)", "no line", "POINT (1 1)", None]), movers
    )
    assert found["outline_wkt"].to_list() == ["LINESTRING (0 10, 40 10, 40 90)", None, None, None]
    assert found.select("x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft").rows()[0] == (0, 10, 40, 90)
    assert found.select("x_min_ft", "y_max_ft").rows()[1:] == [(None, None)] * 3


def test_a_grid_in_metres_becomes_feet_as_its_lots_do():
    # UTM is in metres; a foot is 0.3048 m by definition.
    placed = lots(x=[500_000.0], y=[4_100_000.0], epsg=[32610])
    found = place_points(tied(own_x=[500_304.8], own_y=[4_100_000.0], epsg=[32610]), map_movers(placed))
    lot = place_lots(placed).row(0, named=True)
    assert found["x_ft"][0] - lot["x_ft"] == pytest.approx(1_000.0, abs=1e-6)
    assert found["y_ft"][0] == pytest.approx(lot["y_ft"], abs=1e-6)


def test_degrees_lie_as_far_from_their_lot_as_on_the_ground():
    placed = lots(lon=[-121.50, -121.48], lat=[38.50, 38.51])
    found = place_points(tied(own_x=[-121.499], own_y=[38.502], lon=[-121.5]), map_movers(placed))
    lot = place_lots(placed).row(0, named=True)
    away = ((found["x_ft"][0] - lot["x_ft"]) ** 2 + (found["y_ft"][0] - lot["y_ft"]) ** 2) ** 0.5
    # The geodesic on the ellipsoid, by another way of reckoning.
    metres = Geod(ellps="WGS84").inv(-121.5, 38.5, -121.499, 38.502)[2]
    assert away == pytest.approx(metres / 0.3048, rel=1e-5)


def test_a_sewer_that_no_lot_ties_into_follows_the_only_grid_and_is_not_guessed_among_several():
    one = map_movers(lots(x=[500_000.0], y=[4_100_000.0], epsg=[32610]))
    two = map_movers(lots(x=[500_000.0, 300_000.0], y=[4_100_000.0] * 2, epsg=[32610, 32611]))
    point = tied(own_x=[500_000.0], own_y=[4_100_000.0])
    assert place_points(point, one)["x_ft"][0] == pytest.approx(500_000.0 / 0.3048)
    assert place_points(point, two).select("x_ft", "y_ft").row(0) == (None, None)


def test_no_sewer_is_no_fault():
    none = tied(own_x=[], own_y=[]).cast({"own_x": pl.Float64, "own_y": pl.Float64})
    assert place_points(none, map_movers(lots(x=[1.0], y=[1.0]))).columns == ["x_ft", "y_ft"]

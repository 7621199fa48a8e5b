"""Where laterals meet the main, by hand on a drawn street, and beside a projection library."""

from __future__ import annotations

import polars as pl
import pytest
from pyproj import Geod, Transformer

from pipeline.steps.connections_places import tie_in_points

LINE = "LINESTRING (0 0, 300 0, 300 400)"


def facts(**columns):
    base = {
        "lot_id": ["a"],
        "station_ft": [None],
        "main_wkt": [None],
        "manhole_x": [None],
        "manhole_y": [None],
        "x": [None],
        "y": [None],
        "epsg": [None],
        "lon": [None],
        "lat": [None],
    }
    kinds = {"lot_id": pl.String, "main_wkt": pl.String, "epsg": pl.Int64}
    n = len(next(iter(columns.values())))
    filled = {name: columns.get(name, values * n) for name, values in base.items()}
    return pl.DataFrame(filled, schema={name: kinds.get(name, pl.Float64) for name in base})


def test_station_manhole_nearest_and_lot():
    found = tie_in_points(
        facts(
            lot_id=["a", "b", "c", "d", "e", "f"],
            station_ft=[350.0, None, 99.0, None, 9_999.0, None],
            main_wkt=[LINE, LINE, LINE, "no line", LINE, None],
            manhole_x=[None, None, 300.0, None, None, None],
            manhole_y=[None, None, 400.0, None, None, None],
            x=[5.0, 120.0, 5.0, 7.0, 0.0, None],
            y=[5.0, -80.0, 5.0, 8.0, 0.0, None],
        )
    )
    # By hand: 350 ft along is 50 ft past the corner; the foot of the lot at (120, -80) is (120, 0); a station
    # beyond the end is the end.
    assert found.select("lot_id", "tie_in_x", "tie_in_y", "place").rows() == [
        ("a", 300.0, 50.0, "station"),
        ("b", 120.0, 0.0, "nearest"),
        ("c", 300.0, 400.0, "manhole"),
        ("d", 7.0, 8.0, "lot"),
        ("e", 300.0, 400.0, "station"),
        ("f", None, None, None),
    ]
    assert found["lon"].null_count() == 6


def test_a_metric_grid_measures_stations_in_feet():
    # EPSG 32610 is UTM zone 10 north, in metres: 328.084 ft along is 100 m.
    line = "LINESTRING (550000 4180000, 550500 4180000)"
    found = tie_in_points(
        facts(station_ft=[328.084], main_wkt=[line], x=[550000.0], y=[4180000.0], epsg=[32610])
    )
    assert found["tie_in_x"][0] == pytest.approx(550100.0, abs=0.001)
    lon, lat = Transformer.from_crs(32610, 4326, always_xy=True).transform(550100.0, 4180000.0)
    assert found.select("lon", "lat").row(0) == pytest.approx((lon, lat), abs=1e-9)


def test_degrees_measure_stations_along_the_earth():
    line = "LINESTRING (-122 37.75, -121.99 37.75)"
    found = tie_in_points(facts(station_ft=[1000.0], main_wkt=[line], lon=[-122.0], lat=[37.75]))
    # The authority: distance on the ellipsoid (Karney's geodesics in PROJ). 1,000 ft are 304.8 m.
    _, _, metres = Geod(ellps="WGS84").inv(-122.0, 37.75, found["lon"][0], found["lat"][0])
    assert metres == pytest.approx(304.8, abs=0.05)


def test_no_connections_have_no_points():
    assert tie_in_points(facts(lot_id=[])).is_empty()

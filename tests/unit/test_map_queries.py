"""What the map draws by window and filter, against the made-up lots counted by hand."""

import polars as pl
import pytest

from dashboards.charts.town_map import CHANCE, NOT_ESTIMATED, colour
from dashboards.filters import NO_CHANCE, View
from dashboards.map_queries import MOST_LOTS, MapQueries, Window, rings
from dashboards.sewer_queries import SewerQueries
from pipeline.published.read import open_current
from tests.browser import made_up


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    folder = tmp_path_factory.mktemp("map")
    tables = made_up.publish(folder, made_up.frames(n_blocks=600))
    with open_current(folder) as reader:
        yield MapQueries(reader), tables["lots"]


def test_far_away_it_draws_blocks_and_near_by_lots(town):
    queries, lots = town
    whole = queries.extent(View())
    far = queries.drawn(View(), whole)
    assert far.level == "blocks"
    assert far.n_lots == lots.height > MOST_LOTS
    assert far.shapes["n_lots"].sum() == lots.height
    near = whole.around(0.3)
    inside = lots.filter(
        pl.col("x_ft").is_between(near.x_from, near.x_to) & pl.col("y_ft").is_between(near.y_from, near.y_to)
    )
    drawn = queries.drawn(View(), near)
    assert drawn.level == "lots"
    assert sorted(drawn.shapes["lot_id"]) == sorted(inside["lot_id"])
    assert drawn.n_inspected == inside.filter(pl.col("n_inspections") > 0).height


def test_squares_hold_every_lot_once(town, monkeypatch):
    queries, lots = town
    monkeypatch.setattr("dashboards.map_queries.MOST_BLOCKS", 10)
    # A window that was not asked for before: answers are kept.
    drawn = queries.drawn(View(), queries.extent(View()).around(1.01))
    assert drawn.level == "squares"
    assert drawn.shapes["n_lots"].sum() == lots.height
    mean = (drawn.shapes["chance"] * drawn.shapes["n_lots"]).sum() / lots.height
    assert mean == pytest.approx(lots["failure_probability"].mean())


def test_the_chart_counts_every_lot_of_the_window_once_and_its_classes_filter_the_map(town):
    queries, lots = town
    whole = queries.extent(View())
    classes = queries.classes(View(), whole)
    chances = lots["failure_probability"]
    for i, (low, high) in enumerate(((-0.1, 0.1), (0.1, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 1.1))):
        n = ((chances >= low) & (chances < high)).sum()
        assert classes.filter(chance_class=i)["n_lots"].sum() == n
        assert queries.drawn(View(chance=i), whole).n_lots == n
    assert queries.drawn(View(chance=NO_CHANCE), whole).n_lots == chances.null_count()
    assert classes["n_inspected"].sum() == lots.filter(pl.col("n_inspections") > 0).height


def test_a_lot_that_was_chosen_leads_the_table(town):
    queries, lots = town
    whole = queries.extent(View())
    last = lots.sort("failure_probability")["lot_id"][0]
    assert queries.named(View(), whole, first=last)["lot_id"][0] == last
    assert queries.named(View(), whole)["lot_id"][0] != last


def test_sewers_of_a_window_are_capped_and_points_are_for_near_windows(town, monkeypatch):
    queries, lots = town
    sewers = SewerQueries(queries._reader)
    whole = queries.extent(View())
    far = sewers.inside(View(), whole, is_near=False)
    assert far.n_mains == far.mains.height == lots["block"].n_unique()
    assert far.tie_ins.is_empty()
    assert far.manholes.is_empty()
    near = whole.around(0.2)
    found = sewers.inside(View(portfolio="M2"), near, is_near=True)
    ties = made_up.frames(n_blocks=600)["tie_ins"].join(lots.filter(portfolio="M2"), on="lot_id", how="semi")
    inside = ties.filter(
        pl.col("x_ft").is_between(near.x_from, near.x_to) & pl.col("y_ft").is_between(near.y_from, near.y_to)
    )
    assert 0 < found.tie_ins.height == inside.height
    monkeypatch.setattr("dashboards.sewer_queries.MOST_MAINS", 10)
    many = sewers.inside(View(), whole, is_near=False)
    assert many.mains.is_empty()
    assert many.n_mains == far.n_mains


def test_filters_are_joined_by_and_their_codes_by_or(town):
    queries, lots = town
    whole = queries.extent(View())
    by_area = queries.drawn(View(subdivision="Mock Acres 2"), whole)
    assert by_area.n_lots == lots.filter(subdivision="Mock Acres 2").height
    both = queries.drawn(View(subdivision="Mock Acres 2", portfolio="M2"), whole)
    assert both.n_lots == lots.filter(subdivision="Mock Acres 2", portfolio="M2").height
    # Every made-up line has a segment of PVC; none is of lead.
    assert queries.drawn(View(material=("pvc", "lead")), whole).n_lots == lots.height
    assert queries.drawn(View(material=("lead",)), whole).n_lots == 0
    seen = lots.filter(pl.col("n_inspections") > 0).height
    assert queries.drawn(View(first_year=2015, last_year=2015), whole).n_lots == seen
    assert queries.drawn(View(purpose=("routine",), first_year=2024), whole).n_lots == 0


def test_the_named_lots_are_those_of_the_highest_chance(town):
    queries, lots = town
    named = queries.named(View(), queries.extent(View()))
    best = lots.sort("failure_probability", descending=True).head(named.height)
    assert named["lot_id"].to_list() == best["lot_id"].to_list()


def test_a_lot_without_an_outline_is_a_square_around_its_middle():
    wkt = "POLYGON ((0 0, 10 0, 10 20, 0 20, 0 0))"
    lots = pl.DataFrame({"x": [5.0, 100.0], "y": [10.0, 100.0], "outline_wkt": [wkt, None]})
    xs, ys = rings(lots)
    assert sorted(set(xs[0])) == [0, 10]
    assert sorted(set(ys[0])) == [0, 20]
    assert (min(xs[1]), max(xs[1]), min(ys[1]), max(ys[1])) == (75, 125, 75, 125)


def test_windows_keep_their_middle_when_they_grow_and_their_size_when_they_move():
    window = Window(0, 100, 0, 50)
    assert window.around(2) == Window(-50, 150, -25, 75)
    assert window.moved(0.5, -1) == Window(50, 150, -50, 0)


@pytest.mark.parametrize(
    ("chance", "expected"),
    [(None, NOT_ESTIMATED), (0.0, CHANCE[0]), (0.0999, CHANCE[0]), (0.1, CHANCE[1]), (0.75, CHANCE[4]), (1.0, CHANCE[4])],
)  # fmt: skip
def test_a_class_holds_its_lower_end(chance, expected):
    assert colour(chance, CHANCE) == expected

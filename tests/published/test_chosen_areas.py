"""Areas counted over chosen lots: as the build counts them, and silent where single houses would show."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.published.chosen_areas import WITHHELD, chosen_areas
from pipeline.published.read import PublishedReader, open_current
from pipeline.published.scope import Scope
from pipeline.settings import Settings
from pipeline.steps.fit_areas import observed_and_expected
from tests.browser import made_up

EVERY = ("true", ())
#: Lots of a block; 60 blocks of 24, so that a half of them is above the least of 10 and a quarter below.
N_BLOCKS, LOTS_PER_BLOCK = 60, 24


@pytest.fixture(scope="module")
def lots() -> pl.DataFrame:
    i = np.arange(N_BLOCKS * LOTS_PER_BLOCK)
    return pl.DataFrame(
        {
            "lot_id": [f"A{k:05d}" for k in i], "block": [f"B{k // LOTS_PER_BLOCK:03d}" for k in i],
            "subdivision": np.where(i // LOTS_PER_BLOCK < N_BLOCKS // 2, "East", "West"),
            "portfolio": np.where(i % 3 == 0, "Ours", None),
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def looks(lots: pl.DataFrame) -> pl.DataFrame:
    rng = np.random.default_rng(11)
    seen = lots.filter(pl.Series(rng.random(lots.height) < 0.6)).select("lot_id")
    expected = rng.beta(2, 4, seen.height)
    return seen.with_columns(
        purpose=pl.Series(rng.choice(["routine", "pre_sale"], seen.height)),
        look_year=pl.Series(rng.integers(2000, 2026, seen.height)),
        is_bad=pl.Series(rng.random(seen.height) < expected),
        expected=pl.Series(expected),
    )


@pytest.fixture(scope="module")
def folder(lots: pl.DataFrame, looks: pl.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("areas")
    tables = made_up.frames(n_blocks=N_BLOCKS)
    subdivisions = tables["subdivisions"].head(2).with_columns(subdivision=pl.Series(["East", "West"]))
    made_up.publish(place, tables | {"lots": lots, "lot_expectations": looks, "subdivisions": subdivisions})
    return place


@pytest.fixture
def reader(folder: Path) -> Iterator[PublishedReader]:
    with open_current(folder) as opened:
        yield opened


@pytest.mark.parametrize("area", ["block", "subdivision"])
def test_all_lots_give_the_counts_of_the_build(
    lots: pl.DataFrame, looks: pl.DataFrame, reader: PublishedReader, area: str
) -> None:
    build = observed_and_expected(area, lots, looks.select("lot_id", "is_bad", "expected"), Settings())
    found = chosen_areas(reader, area, EVERY, EVERY)
    assert found[area].to_list() == build[area].to_list()
    assert found["n_lots"].to_list() == build["n_lots"].to_list()
    assert found["status"].to_list() == build["status"].to_list()
    told = (build["n_inspected"] >= 10).to_numpy()
    assert told.any()
    for column in WITHHELD:
        np.testing.assert_allclose(
            found.filter(told)[column].cast(float), build.filter(told)[column].cast(float), err_msg=column
        )


def test_chosen_lots_and_looks_are_counted_by_area(
    lots: pl.DataFrame, looks: pl.DataFrame, reader: PublishedReader
) -> None:
    found = chosen_areas(
        reader, "subdivision", ("portfolio = ?", ["Ours"]), ("look_year BETWEEN ? AND ?", [2010, 2025])
    )
    both = lots.filter(portfolio="Ours").join(
        looks.filter(pl.col("look_year") >= 2010), on="lot_id", how="left"
    )
    for row in found.iter_rows(named=True):
        here = both.filter(subdivision=row["subdivision"])
        seen = here.drop_nulls("is_bad")
        assert (row["n_lots"], row["n_inspected"], row["n_observed"]) == (
            here.height, seen.height, seen["is_bad"].sum(),
        )  # fmt: skip
        assert row["expected"] == pytest.approx(seen["expected"].sum())
        assert row["coverage_share"] == pytest.approx(seen.height / here.height)
        assert row["expected_lower"] <= row["expected"] <= row["expected_upper"]


def test_where_few_chosen_lots_were_inspected_nothing_that_was_seen_is_told(
    lots: pl.DataFrame, looks: pl.DataFrame, reader: PublishedReader
) -> None:
    whole = chosen_areas(reader, "block", EVERY, EVERY)
    narrowed = chosen_areas(reader, "block", EVERY, ("purpose = ?", ["routine"]))
    seen = lots.join(looks.filter(purpose="routine"), on="lot_id").group_by("block").len("n")
    counted = narrowed.join(seen, on="block", how="left").with_columns(pl.col("n").fill_null(0))
    few, enough = counted.filter(pl.col("n") < 10), counted.filter(pl.col("n") >= 10)
    assert few.height > 10
    assert enough.height > 0
    # Told of when nothing is filtered, and no longer when what is left is too little.
    assert whole.join(few.select("block"), on="block", how="semi")["n_observed"].null_count() < few.height
    for column in WITHHELD:
        assert few[column].null_count() == few.height, column
        assert enough[column].null_count() == 0, column
    assert (few["status"] == "too_few_records").all()
    assert few["sentence"].str.contains("fewer than 10 of the lots asked for").all()


def test_areas_without_a_chosen_lot_are_left_out(reader: PublishedReader) -> None:
    found = chosen_areas(reader, "block", ("subdivision = ?", ["East"]), EVERY)
    assert found.height == N_BLOCKS // 2
    assert chosen_areas(reader, "block", ("subdivision = ?", ["Nowhere"]), EVERY).is_empty()


def test_no_look_asked_for_counts_nothing(reader: PublishedReader) -> None:
    found = chosen_areas(reader, "subdivision", EVERY, ("purpose = ?", ["backup"]))
    assert found["n_lots"].sum() == N_BLOCKS * LOTS_PER_BLOCK
    assert found["expected"].null_count() == found.height


def test_an_account_counts_its_own_lots_only_and_one_for_areas_none(lots: pl.DataFrame, folder: Path) -> None:
    with open_current(folder, Scope(("Ours",))) as own:
        assert (
            chosen_areas(own, "block", EVERY, EVERY)["n_lots"].sum() == lots.filter(portfolio="Ours").height
        )
    with open_current(folder, Scope()) as areas:
        assert chosen_areas(areas, "block", EVERY, EVERY).is_empty()

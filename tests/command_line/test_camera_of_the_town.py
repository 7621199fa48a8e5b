"""What a build publishes of the camera, on the small invented town, whose cameras' true rates are known."""

from __future__ import annotations

import polars as pl
import pytest

from dashboards.wording import as_called
from pipeline.published.read import open_current
from pipeline.settings import Workspace

RATES = ("sensitivity", "specificity")


@pytest.fixture(scope="session")
def outcomes(town: Workspace) -> pl.DataFrame:
    with open_current(town) as reader:
        return reader.table("outcomes").filter(pl.col("status") == "ok")


def test_rates_have_a_range_that_holds_the_true_one(town: Workspace, outcomes: pl.DataFrame) -> None:
    truth = pl.read_parquet(town.root / "town" / "truth" / "detection.parquet")
    beside = outcomes.join(
        truth.select("outcome", *(pl.col(rate).alias(f"true_{rate}") for rate in RATES)), on="outcome"
    )
    assert beside.height >= 3
    for rate in RATES:
        low, high = pl.col(f"{rate}_lower"), pl.col(f"{rate}_upper")
        assert beside.select((low < pl.col(rate)) & (pl.col(rate) < high)).to_series().all()
        # 95 % ranges from few records and a prior around the truth: a miss would be rare.
        assert beside.select(pl.col(f"true_{rate}").is_between(low, high)).to_series().all()
        # The prior alone, worth 100 looks: records never widen it much.
        width = 2 * 1.96 * (pl.col(f"{rate}_given") * (1 - pl.col(f"{rate}_given")) / 101).sqrt()
        assert beside.select(high - low < 1.2 * width).to_series().all()
        assert beside[f"{rate}_given_looks"].unique().to_list() == [100.0]


def test_pages_say_what_was_given_what_was_found_and_how_often_looks_contradict(
    outcomes: pl.DataFrame,
) -> None:
    for row in outcomes.iter_rows(named=True):
        assert 0 < row["n_bad_then_good"] < row["n_repeat_lives"]
        told = as_called(row)
        assert f"The camera calls {100 * row['sensitivity']:.1f}".removesuffix(".0") in told
        assert "the settings say 80 %, worth 100 looks) and" in told
        assert f"called failed and later sound: {row['n_bad_then_good']:,};" in told

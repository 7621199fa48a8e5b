"""What a build publishes of the camera, on the small invented town, whose cameras' true rates are known."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from dashboards.wording import as_called
from models.camera_rates import FittedWithRates
from pipeline.published.read import open_current
from pipeline.settings import Workspace
from pipeline.steps import validate_looks
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome
from pipeline.warehouse import open_warehouse

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


def test_in_a_large_town_a_part_tells_of_the_camera_and_all_records_of_the_curve(
    town: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = town.settings()
    with open_warehouse(town) as warehouse:
        exposure = read_exposure(warehouse, settings)
    whole = fit_outcome(exposure, "structural", settings, np.random.default_rng(1)).fitted
    monkeypatch.setattr(validate_looks, "MOST_LOOKS", 250)
    part = fit_outcome(exposure, "structural", settings, np.random.default_rng(1)).fitted
    assert isinstance(whole, FittedWithRates)
    assert isinstance(part, FittedWithRates)
    assert (part.n_lives, part.n_looks) == (whole.n_lives, whole.n_looks)
    _, known = whole.rates.moments()
    _, spread = part.rates.moments()
    assert (np.diag(spread) > np.diag(known)).all()  # fewer repeat looks
    mean, other = part.rates.moments()[0], whole.rates.moments()[0]
    assert (np.abs(mean - other) < 2 * np.sqrt(np.diag(spread))).all()
    assert np.abs((part.coef - whole.coef) / whole.standard_error).max() < 0.5
    assert part.standard_error == pytest.approx(whole.standard_error, rel=0.25)
    assert np.isfinite(part.draws(20, np.random.default_rng(2))).all()

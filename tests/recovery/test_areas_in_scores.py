"""Scores in an invented town: areas count where they tell something, and subdivisions nobody saw fare as foretold."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.progress import silent
from pipeline.steps.expose import expose
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome
from pipeline.steps.validate_areas import AreasInScores, judge_areas
from pipeline.steps.validate_fit import ALL_MATERIALS, LIFE, validate
from pipeline.steps.validate_looks import ELSEWHERE
from pipeline.warehouse import open_warehouse
from tests.towns import load_town

pytestmark = pytest.mark.slow
SEED, N_LOTS = 31, 8000


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    workspace, settings = load_town(tmp_path_factory.mktemp("town"), SEED, n_lots=N_LOTS)
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, settings)
        return read_exposure(warehouse, settings), settings


def test_areas_count_where_neighbours_tell_of_each_other(town):
    # The town's subdivisions differ by a log-normal hazard multiplier of sd .35.
    exposure, settings = town
    found = judge_areas(exposure, "any", settings, "weibull", silent)
    row = found.table.row(0, named=True)
    print(row["sentence"])  # noqa: T201 - the sentence is the finding
    assert found.is_used
    assert row["gain_known_areas"] > -row["gain_known_areas_error"]
    assert row["log_likelihood_gain"] > 2
    assert found.settings(settings) is settings


def test_areas_that_tell_nothing_do_no_harm(town):
    # Which subdivision a lot lies in is dealt out anew: lots of one have nothing in common.
    exposure, settings = town
    lots = exposure.lives.select("lot_id", "subdivision", "area").unique("lot_id").sort("lot_id")
    own = lots.select("subdivision", "area").sample(fraction=1.0, shuffle=True, seed=1)
    dealt = pl.concat([lots.select("lot_id"), own], how="horizontal")
    mixed = replace(
        exposure,
        lives=exposure.lives.drop("subdivision", "area").join(dealt, on="lot_id").sort("life_id"),
    )
    found = judge_areas(mixed, "any", settings, "weibull", silent)
    row = found.table.row(0, named=True)
    print(row["sentence"])  # noqa: T201 - the sentence is the finding
    assert abs(row["gain_known_areas"]) < 0.002
    assert row["variance"] < 0.06
    assert found.is_used or "switched off" in row["sentence"]


def test_switched_off_means_fits_without_areas(town):
    exposure, settings = town
    off = AreasInScores(False, pl.DataFrame()).settings(settings)
    fit = fit_outcome(exposure, "any", off, np.random.default_rng(1))
    assert fit.is_ok
    assert fit.fitted.effects is None


def test_looks_in_subdivisions_left_out_are_as_bad_as_foretold(town):
    exposure, settings = town
    table = validate(exposure, "any", settings, silent).tables["validation_calibration"]
    deciles = table.filter(
        (pl.col("question") == ELSEWHERE) & (pl.col("material") == ALL_MATERIALS) & (pl.col("model") == LIFE)
    ).sort("position")
    print(deciles)  # noqa: T201 - the table is the finding
    n, foretold, seen = (
        deciles[name].to_numpy() for name in ("n_looks", "predicted_share", "observed_share")
    )
    assert deciles.height >= 8
    # All in all: the share of a few thousand looks has an error of 1 point, areas that differ about as much again.
    assert np.sum(n * foretold) == pytest.approx(np.sum(n * seen), rel=0.06)
    # Each tenth, allowing twice the binomial error, for areas differ besides.
    error = 2 * np.sqrt(foretold * (1 - foretold) / n)
    assert (np.abs(seen - foretold) <= 2 * error).all()
    assert (np.abs(seen - foretold) <= error).mean() >= 0.7
    assert np.corrcoef(foretold, seen)[0, 1] > 0.98

"""The law of life that the steps of a build choose, on an invented town and on the same town under another law.

The town's own law is Weibull (synthetic_data/truth.py, which shares no code with what is tested). For another law the
pipes, cameras and dates stay, and what each look showed is drawn anew from scipy's log-logistic.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.progress import silent
from pipeline.steps.expose import expose
from pipeline.steps.fit_input import Exposure, outcome_looks, read_exposure
from pipeline.steps.fit_regression import detection_of, fit_outcome
from pipeline.steps.validate_fit import validate
from pipeline.warehouse import open_warehouse
from tests.towns import load_town

pytestmark = pytest.mark.slow

N_LOTS = 6_000
#: Log odds of having failed at 40 years by material, and how steeply odds grow with age.
LEVEL, STEEPNESS = {"vitrified_clay": 0.0, "pvc": -1.5, "cast_iron": -0.3}, 2.5
AREA_SD = 0.3


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    workspace, settings = load_town(tmp_path_factory.mktemp("town"), 1, n_lots=N_LOTS)
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, settings)
        return read_exposure(warehouse, settings), replace(settings, n_draws=1)


def log_logistic(exposure: Exposure, settings, rng: np.random.Generator) -> Exposure:
    """The town with pipe of known material and year whose looks follow a log-logistic, each area with odds of its own."""
    lives = exposure.lives.filter(
        pl.col("material").is_in(list(LEVEL)), pl.col("install_to") - pl.col("install_from") < 1.5
    )
    area = lives["area"].fill_null("").rank("dense").to_numpy()
    odds = np.array([LEVEL[m] for m in lives["material"]]) + rng.normal(0, AREA_SD, int(area.max()) + 1)[area]
    # Fisk: odds (t / scale)^steepness, so that log odds at 40 years are as wanted.
    age_failed = stats.fisk.rvs(STEEPNESS, scale=40 * np.exp(-odds / STEEPNESS), random_state=rng)
    fate = lives.select("life_id", age_failed=pl.Series(age_failed))
    camera = detection_of(settings, "any")
    seen = exposure.looks.filter(
        ~pl.col("is_selected"), pl.col("basis") == "findings", ~pl.col("is_after_repair")
    )
    seen = seen.join(fate, on="life_id").with_columns(
        u=pl.Series(rng.uniform(size=seen.join(fate, on="life_id").height))
    )
    called = (
        pl.when(pl.col("age_failed") <= pl.col("age"))
        .then(pl.col("u") < camera.sensitivity)
        .otherwise(pl.col("u") > camera.specificity)
    )
    looks = seen.with_columns(any_whole=called.cast(pl.Int16), grade_whole=pl.lit(None, pl.Int16)).drop(
        "age_failed", "u"
    )
    return replace(exposure, lives=lives, looks=looks, line_looks=exposure.line_looks.clear())


def test_a_process_that_is_weibull_is_seen_to_be(town):
    # Structural failure is one Weibull process; any failure is the first of two and of bellies, which is no Weibull.
    exposure, settings = town
    found = validate(exposure, "structural", settings, silent)
    print(found.tables["laws_tried"].select("law", "n_looks", "behind_weibull", "behind_weibull_error"))  # noqa: T201
    assert found.tables["laws_tried"].height == 3
    assert found.law == "weibull"


def test_the_same_town_under_another_law_is_seen_to_follow_it(town):
    exposure, settings = town
    made = log_logistic(exposure, settings, np.random.default_rng(3))
    assert outcome_looks(made, "any").height > 2_000
    found = validate(made, "any", settings, silent)
    tried = {row["law"]: row for row in found.tables["laws_tried"].iter_rows(named=True)}
    print(found.tables["laws_tried"].select("law", "n_looks", "behind_weibull", "behind_weibull_error"))  # noqa: T201
    assert found.law == "log-logistic"
    assert tried["log-logistic"]["log_marginal_likelihood"] > tried["weibull"]["log_marginal_likelihood"] + 3
    # Its slope is the truth's, the Weibull's is too low: what fails late is taken for a flat hazard.
    shape = {}
    for law in ("weibull", "log-logistic"):
        fit = fit_outcome(made, "any", settings, np.random.default_rng(1), law)
        at = fit.fitted.names.index("shape: all")
        shape[law] = np.exp(fit.fitted.coef[at]), fit.fitted.standard_error[at]
    slope, error = shape["log-logistic"]
    assert abs(np.log(slope / STEEPNESS)) < 4 * error
    assert shape["weibull"][0] < 0.9 * STEEPNESS

"""Real inspections of half a town: a build lets lots left out choose the law of life, and length and bore.

The file is research data without a stated licence: it is read where it lies, skipped where it is absent, and no
row of it is kept here.
"""

import math
import os
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.published.read import open_current
from pipeline.settings import Workspace

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    folder = Path(os.environ.get("UNDERLOT_REFERENCE", ROOT / "../shared/reference/real"))
    path = folder / "sewer_inspections.csv"
    if not path.exists():
        pytest.skip(f"the real file {path.name} is not here; set UNDERLOT_REFERENCE to its folder")
    workspace = tmp_path_factory.mktemp("real")
    begin = ["--workspace", str(workspace)]
    a_map = ROOT / "pipeline/examples/sewer_network_metric.toml"
    assert run([*begin, "load", str(path), "--map", str(a_map)]) == 0
    assert run([*begin, "build"]) == 0
    with open_current(Workspace(workspace)) as reader:
        return {
            name: reader.table(name) for name in ("laws_tried", "outcomes", "regression_terms", "lot_reasons")
        }


def test_the_law_is_the_one_that_lots_left_out_are_foretold_best_with(tables):
    tried = tables["laws_tried"]
    best = tried.sort("log_score").row(0, named=True)
    assert best["is_chosen"]
    assert best["law"] == "log-logistic"
    # Clear of chance, and the likelihood of the fitted looks says the same.
    assert best["behind_weibull"] < -2 * best["behind_weibull_error"]
    assert tried.sort("log_marginal_likelihood")["law"].to_list()[-1] == "log-logistic"
    assert set(tables["outcomes"]["family"]) == {"log-logistic"}


def test_length_and_bore_are_taken_in(tables):
    told = tables["laws_tried"].filter("is_chosen")["sentence"][0]
    assert told.endswith("scores, curves and budgets take them in.")
    rows = tables["regression_terms"].filter(outcome="any").iter_rows(named=True)
    terms = {row["term"]: row for row in rows}
    # Longer pipe has more to fail, yet a foot of it does not fail by itself; narrow sewers are the more exposed ones
    # (common practice).
    assert terms["hazard: length"]["estimate_lower"] > 0
    assert terms["hazard: length"]["estimate_upper"] < math.log(2)
    assert terms["hazard: diameter"]["estimate_upper"] < 0
    assert tables["lot_reasons"]["reason"].str.contains("longer and narrower than most").any()

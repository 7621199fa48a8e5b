"""Real inspections of half a town: the flexible model against plain tools fitted on the same rows.

The file is research data without a stated licence: it is read where it lies, skipped where it is absent, and no
row of it is kept here. Prints the table that DEVELOPERS.md shows: `pytest -m slow -s` on this file.
"""

import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from sklearn.cluster import KMeans
from sklearn.compose import make_column_transformer
from sklearn.ensemble import HistGradientBoostingClassifier, RandomForestClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import OneHotEncoder, OrdinalEncoder, StandardScaler

from models.backtest import age_curve, base_rate, lead_of, score_looks
from models.flexible import StatusModel

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]
COLUMNS = [
    "pipe_age", "material", "type_pipe", "pipe_length", "pipe_height", "pipe_width", "connection_surface",
    "depth_avg", "slope", "Coord_X", "Coord_Y",
]  # fmt: skip
CATEGORIES = ["material", "type_pipe"]
NUMBERS = [name for name in COLUMNS if name not in CATEGORIES]
OURS = "ours"
N_AREAS = 30


@dataclass(frozen=True)
class Town:
    looks: pl.DataFrame
    bad: np.ndarray
    groups: dict[str, np.ndarray]


def town(*, cleaned: bool) -> Town:
    folder = Path(os.environ.get("UNDERLOT_REFERENCE", ROOT / "../shared/reference/real"))
    path = folder / "sewer_inspections.csv"
    if not path.exists():
        pytest.skip(f"the real file {path.name} is not here; set UNDERLOT_REFERENCE to its folder")
    looks = pl.read_csv(path, separator=";")
    if cleaned:
        # The file's README: classes were joined per pipe, and looks below age 10 look recoded.
        looks = looks.sort("pipe_id", "pipe_age").unique("pipe_id", keep="last", maintain_order=True)
        looks = looks.filter(pl.col("pipe_age") >= 10)
    place = looks.select("Coord_X", "Coord_Y").to_numpy()
    area = KMeans(N_AREAS, n_init=4, random_state=0).fit_predict(place)
    return Town(looks, looks["target"].to_numpy(), {"pipe": looks["pipe_id"].to_numpy(), "area": area})


def logistic(columns):
    kinds = [name for name in columns if name in CATEGORIES]
    numbers = [name for name in columns if name not in CATEGORIES]
    table = make_column_transformer(
        (OneHotEncoder(handle_unknown="ignore"), kinds), (StandardScaler(), numbers)
    )
    return make_pipeline(table, LogisticRegression(max_iter=2000))


def with_codes(model):
    table = make_column_transformer(
        (OrdinalEncoder(handle_unknown="use_encoded_value", unknown_value=-1), CATEGORIES),
        ("passthrough", NUMBERS),
    )
    return make_pipeline(table, model)


def baselines():
    """What plain tools offer, at their defaults or as the file's README has them."""
    return {
        "logistic, age only": logistic(["pipe_age"]),
        "logistic, age and material": logistic(["pipe_age", "material"]),
        "logistic, all columns": logistic(COLUMNS),
        "boosted trees": with_codes(HistGradientBoostingClassifier(random_state=0)),
        "boosted trees, monotone in age": "monotone",
        "random forest": with_codes(RandomForestClassifier(500, random_state=0)),
        "random forest, leaves of 3": with_codes(
            RandomForestClassifier(500, min_samples_leaf=3, random_state=0)
        ),
    }


def monotone_trees(looks, bad, asked):
    codes = {name: {kind: i for i, kind in enumerate(looks[name].unique().sort())} for name in CATEGORIES}

    def table(frame):
        coded = frame.with_columns(
            pl.col(name).replace_strict(known, default=None, return_dtype=pl.Float64)
            for name, known in codes.items()
        )
        return coded.select(COLUMNS).to_numpy()

    rises = [int(name == "pipe_age") for name in COLUMNS]
    model = HistGradientBoostingClassifier(
        monotonic_cst=rises, categorical_features=[1, 2], random_state=0
    ).fit(table(looks), bad)
    return model.predict_proba(table(asked))[:, 1]


def our_model():
    return StatusModel(
        age="pipe_age", categorical=CATEGORIES, place=["Coord_X", "Coord_Y"], alike=["pipe_width"]
    )


def foretold(town, groups):
    """Chances for looks left out, five folds of whole groups, by model."""
    chances = {name: np.zeros(len(town.bad)) for name in (OURS, "base rate", "share by age", *baselines())}
    for rest, out in GroupKFold(5, shuffle=True, random_state=0).split(groups, groups=groups):
        looks, bad, asked = town.looks[rest], town.bad[rest], town.looks[out]
        X, X_asked = looks.select(COLUMNS), asked.select(COLUMNS)
        chances["base rate"][out] = base_rate(bad, len(out))
        chances["share by age"][out] = age_curve(looks["pipe_age"], bad, asked["pipe_age"])
        for name, model in baselines().items():
            chances[name][out] = (
                monotone_trees(looks, bad, asked)
                if isinstance(model, str)
                else model.fit(X.to_pandas(), bad).predict_proba(X_asked.to_pandas())[:, 1]
            )
        chances[OURS][out] = our_model().fit(X, bad, groups=groups[rest]).predict_proba(X_asked)[:, 1]
    return chances


@pytest.mark.parametrize("held_out", ["pipe", "area"])
@pytest.mark.parametrize("cleaned", [False, True], ids=["raw", "cleaned"])
def test_foretells_looks_better_than_every_plain_tool(cleaned, held_out, capsys):
    half = town(cleaned=cleaned)
    groups = half.groups[held_out]
    chances = foretold(half, groups)
    # Scored with what README and published comparisons score with; chances of 0 or 1 are held off by 1e-6.
    held = {name: np.clip(chance, 1e-6, 1 - 1e-6) for name, chance in chances.items()}
    scores = {name: score_looks(chance, half.bad, half.groups["area"]) for name, chance in held.items()}
    with capsys.disabled():
        write = lambda text: sys.stdout.write(text + "\n")  # noqa: E731
        write(f"\n{'cleaned' if cleaned else 'raw'}, held out by {held_out}, {len(half.bad)} looks")
        for name, score in sorted(scores.items(), key=lambda item: item[1].log_score):
            lead = lead_of(held[OURS], held[name], half.bad, half.groups["area"])
            write(
                f"  {name:32s} log {score.log_score:.4f} Brier {score.brier:.4f} AUC {score.auc:.3f} "
                f"slope {score.calibration_slope:.2f}   ours ahead by {lead.by:.4f} ± {lead.error:.4f}"
            )
    ours = scores.pop(OURS)
    assert ours.log_score < min(score.log_score for score in scores.values())
    assert 0.9 <= ours.calibration_slope <= 1.1


def test_chance_never_falls_with_age():
    half = town(cleaned=False)
    X = half.looks.select(COLUMNS)
    model = our_model().fit(X, half.bad, groups=half.groups["area"])
    some = X.sample(200, seed=0)
    by_age = np.array(
        [
            model.predict_proba(some.with_columns(pipe_age=pl.lit(float(age))))[:, 1]
            for age in range(0, 121, 3)
        ]
    )
    assert (np.diff(by_age, axis=0) >= -1e-12).all()
    assert np.ptp(by_age, axis=0).min() > 0.05

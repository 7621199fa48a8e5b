"""Trees that assume no law of ageing, learnt from some looks to foretell others."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.backtest import base_rate
from models.errors import ModelInputError
from models.flexible import StatusModel
from models.looks import FloatArray

#: Looks that the trees learn from at most; more add time and little else.
MOST_FOR_TREES = 10_000
#: Columns that the trees see, age first.
TREE_COLUMNS = (
    "age",
    "material",
    "era",
    "depth_ft",
    "diameter_in",
    "length_ft",
    "expansive",
    "tree",
    "install_width",
)
CATEGORIES = (1, 2)


def trees(fitted: pl.DataFrame, asked: pl.DataFrame, seed: int) -> FloatArray:
    """Chance that each look asked for is bad, from what trees learnt of those fitted."""
    # Few and quick steps: this is a check within a build, not the answer.
    model = StatusModel(
        categorical=CATEGORIES,
        n_boosted=1,
        n_trees=0,
        max_iter=40,
        learning_rate=0.12,
        n_folds=2,
        random_state=seed,
    )
    learnt = fitted if fitted.height <= MOST_FOR_TREES else fitted.sample(MOST_FOR_TREES, seed=seed)
    per_life = 1.0 / learnt.select(pl.len().over("life_id")).to_series().to_numpy()
    try:
        model.fit(_table(learnt), learnt["is_bad"].to_numpy(), learnt["group"].to_numpy(), per_life)
    except ModelInputError:
        return base_rate(fitted["is_bad"].to_numpy(), asked.height)
    return model.predict_proba(_table(asked))[:, 1]


def _table(rows: pl.DataFrame) -> np.ndarray:
    """Columns that the trees see; text and numbers side by side."""
    return rows.with_columns(pl.col("age").clip(0.0)).select(TREE_COLUMNS).to_numpy()

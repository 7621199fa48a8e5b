"""What is kept from a fit stays kept, and the verdict follows the scores."""

import numpy as np
import polars as pl
import pytest

from pipeline.published import contract
from pipeline.steps import validate_fit as step
from pipeline.steps import validate_looks as kept_looks
from pipeline.steps.fit_input import AsOf, Exposure


def judged(*, trees_know_more: bool, n_areas: int = 20, n: int = 2000):
    """Looks whose chances the trees know, and the life regression knows or only half knows."""
    rng = np.random.default_rng(8)
    truth = rng.uniform(0.05, 0.95, n)
    near = np.clip(truth + rng.normal(0, 0.01, n), 0.01, 0.99)
    half = 0.5 + (truth - 0.5) / 3
    looks = pl.DataFrame(
        {
            "material": np.where(np.arange(n) < 30, "lead", "pvc"),
            "group": [f"A{i % n_areas}" for i in range(n)],
            "is_bad": (rng.uniform(size=n) < truth).astype(int),
            step.LIFE: half if trees_know_more else near,
            step.TREES: truth,
            step.AGE: half,
            step.RATE: np.full(n, 0.5),
        }
    )
    return step.Judged(kept_looks.ELSEWHERE, looks, 1000)


def test_the_life_regression_stays_unless_clearly_beaten():
    row = step._answer("any", judged(trees_know_more=False)).row(0, named=True)
    assert row["chosen_model"] == step.LIFE
    assert "scores rest on the life regression" in row["sentence"]
    row = step._answer("any", judged(trees_know_more=True)).row(0, named=True)
    assert (row["best_model"], row["chosen_model"]) == (step.TREES, step.TREES)
    assert "trees that assume no law of ageing foretold them better" in row["sentence"]


def test_published_frames_are_those_of_the_contract():
    made = judged(trees_know_more=True)
    scores, tenths = step._scores("any", made), step._calibration("any", made)
    assert tuple(scores.columns) == contract.VALIDATION_SCORES.names
    assert tuple(tenths.columns) == contract.VALIDATION_CALIBRATION.names
    # 30 looks at lead are too few to be judged by themselves.
    assert set(scores["material"]) == {"all", "pvc"}
    counted = tenths.filter(pl.col("material") == "all").group_by("model").agg(pl.col("n_looks").sum())
    assert counted["n_looks"].to_list() == [2000, 2000]
    assert ((tenths["n_bad"] / tenths["n_looks"]) - tenths["observed_share"]).abs().max() < 1e-12
    base = scores.filter(pl.col("model") == step.RATE)
    assert base["log_score"].to_list() == pytest.approx([np.log(2)] * 2)
    assert base["auc"].null_count() == 2


def rows(n=1000):
    rng = np.random.default_rng(3)
    return pl.DataFrame(
        {
            "row": pl.Series(range(n), dtype=pl.UInt32),
            "life_id": range(n),
            "look_at": np.sort(rng.uniform(-20, 0, n)),
            "area": [f"A{i % 12}" for i in range(n)],
            "install_source": "recorded",
            "is_bad": rng.uniform(size=n) < 0.4,
        }
    )


def exposure(frame):
    lives = frame.select("life_id", subdivision="area", block=pl.lit(None, pl.String))
    looks = frame.select("life_id", "look_at")
    return Exposure(lives, looks, looks, AsOf(2026.0, "test"), 0)


def test_no_later_look_is_fitted():
    frame = rows()
    why_not, [(rest, out)] = kept_looks.later_fold(frame)
    assert why_not == ""
    assert frame["look_at"].to_numpy()[rest].max() < frame["look_at"].to_numpy()[out].min()
    assert len(out) == pytest.approx(kept_looks.LATER_SHARE * frame.height, abs=2)
    kept = kept_looks.without(exposure(frame), frame[out], kept_looks.LATER)
    assert kept.looks.height == len(rest)
    assert kept.looks["look_at"].max() < frame["look_at"].to_numpy()[out].min()
    assert kept.line_looks["look_at"].max() < frame["look_at"].to_numpy()[out].min()


def test_no_look_in_an_area_left_out_is_fitted():
    frame = rows()
    why_not, pairs = kept_looks.area_folds(frame)
    assert why_not == ""
    assert sorted(np.concatenate([out for _, out in pairs])) == list(range(frame.height))
    areas = frame["area"].to_numpy()
    for rest, out in pairs:
        assert not set(areas[rest]) & set(areas[out])
        kept = kept_looks.without(exposure(frame), frame[out], kept_looks.ELSEWHERE)
        assert set(kept.looks["life_id"]) == set(rest)
        assert set(kept.line_looks["life_id"]) == set(rest)
        assert kept.lives.height == frame.height  # what is known of a pipe without a look stays known


@pytest.mark.parametrize(
    ("changed", "folds", "words"),
    [
        ({"install_source": pl.lit("age_only")}, kept_looks.later_fold, "keep ages and no dates"),
        ({"area": pl.lit("")}, kept_looks.area_folds, "Too few subdivisions"),
        (
            {"is_bad": pl.lit(value=False)},
            kept_looks.later_fold,
            "Too few looks to foretell: 300, 0 of them bad",
        ),
        (
            {"is_bad": pl.lit(value=False)},
            kept_looks.area_folds,
            "Too few looks to foretell: 1,000, 0 of them bad",
        ),
    ],
)
def test_what_cannot_be_asked_says_why(changed, folds, words):
    assert words in folds(rows().with_columns(**changed))[0]

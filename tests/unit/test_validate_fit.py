"""What is kept from a fit stays kept, and the verdict follows the scores."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.laws import LAWS
from pipeline.published import contract
from pipeline.steps import validate_fit as step
from pipeline.steps import validate_looks as kept_looks
from pipeline.steps.choose_law import Tried, chosen_law
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


def test_a_reader_is_told_what_being_beaten_means():
    looks = judged(trees_know_more=True).looks
    # The life regression says half of what the trees say at PVC; at clay it is right.
    clay = looks.with_columns(material=pl.lit("vitrified_clay")).with_columns(
        pl.col(step.TREES).alias(step.LIFE)
    )
    low = looks.with_columns(pl.lit("pvc").alias("material"), (pl.col(step.TREES) / 2).alias(step.LIFE))
    row = step._answer("any", step.Judged(kept_looks.LATER, pl.concat([clay, low]), 1000)).row(0, named=True)
    assert row["chosen_model"] == step.TREES
    # Half of the looks are off by half the chance, half by nothing.
    apart = 100 * (looks[step.TREES] / 2).mean() / 2
    assert f"the two chances of a look differ by {apart:.0f} points on average" in row["sentence"]
    seen = f"{100 * looks['is_bad'].mean():.0f} %"
    foretold = f"{100 * (looks[step.TREES] / 2).mean():.0f} %"
    assert (
        f"Most is lost at PVC: of 2,000 looks the life regression foretold {foretold} bad and {seen} were"
        in row["sentence"]
    )
    assert "so scores there are too low" in row["sentence"]


def test_of_a_large_town_whole_areas_are_asked(monkeypatch):
    frame = rows().with_columns(is_known=pl.lit(value=False))
    town = whole(frame)
    assert kept_looks.part_of(town, "any", 1) == (town, False)
    monkeypatch.setattr(kept_looks, "MOST_LOOKS", 500)
    part, is_part = kept_looks.part_of(town, "any", 1)
    assert is_part
    kept = kept_looks.camera_looks(part, "any")
    assert 250 <= kept.height <= 500
    # Twelve areas of 83 or 84 looks each.
    assert kept["area"].n_unique() == 5
    assert set(kept.group_by("area").len()["len"]) <= {83, 84}
    assert set(part.looks["life_id"]) == set(part.line_looks["life_id"]) == set(kept["life_id"])
    # Another seed asks others; one huge area cannot be left away.
    other, _ = kept_looks.part_of(town, "any", 2)
    assert set(kept_looks.camera_looks(other, "any")["area"]) != set(kept["area"])
    one = whole(frame.with_columns(area=pl.lit("A0")))
    assert not kept_looks.part_of(one, "any", 1)[1]


def whole(frame):
    """An exposure with all that is asked of it; lots are within areas here."""
    lives = frame.select(
        "life_id",
        "install_source",
        pl.col("life_id").cast(pl.String).alias("lot_id"),
        *(
            pl.lit(None, pl.Float64).alias(name)
            for name in ("depth_ft", "diameter_in", "length_ft", "expansive", "tree")
        ),
        material=pl.lit("pvc"),
        era=pl.lit("unknown"),
        subdivision="area",
        block=pl.lit(None, pl.String),
        install_from=pl.lit(-30.0),
        install_to=pl.lit(-30.0),
    )
    looks = frame.select(
        "life_id",
        "look_at",
        lot_id=pl.col("life_id").cast(pl.String),
        inspection_id=pl.col("life_id").cast(pl.String),
        age=pl.col("look_at") + 30.0,
        basis=pl.lit("findings"),
        is_selected=pl.lit(value=False),
        is_after_repair=pl.lit(value=False),
        any_whole=pl.col("is_bad").cast(pl.Int16),
    )
    return Exposure(lives, looks, looks, AsOf(2026.0, "test"), 0)


def foretold(law_that_knows: str | None, n=3000):
    """Looks of one question: each law is off by some noise, one by less."""
    rng = np.random.default_rng(12)
    truth = rng.uniform(0.05, 0.95, n)
    chances = {
        law: np.clip(truth + rng.normal(0, 0.02 if law == law_that_knows else 0.15, n), 0.02, 0.98)
        for law in LAWS
    }
    bad = (rng.uniform(size=n) < truth).astype(int)
    return pl.DataFrame({"group": [f"A{i % 30}" for i in range(n)], "is_bad": bad, **chances})


def fits(best: str, more: float = 10.0):
    """Fits of which one law's likelihood is higher, twice over."""
    tried = [
        Tried(law, SimpleNamespace(log_marginal=more if law == best else 0.0, reason="")) for law in LAWS
    ]
    return tried * 2


@pytest.mark.parametrize("law", LAWS)
def test_the_law_that_foretells_best_is_published_as_chosen(law):
    chosen, table = chosen_law("any", [foretold(law), foretold(law)], fits(law))
    assert chosen == law
    assert tuple(table.columns) == contract.LAWS_TRIED.names
    assert table["law"].to_list() == list(LAWS)
    assert table.filter("is_chosen")["law"].to_list() == [law]
    row = table.filter("is_chosen").row(0, named=True)
    assert row["n_looks"] == 6000
    assert "Of 3 laws of life tried on 6,000 looks that were kept from the fits" in row["sentence"]
    assert "Scores, curves and budgets rest on it." in row["sentence"]
    if law != "weibull":
        assert "foretold best, ahead of the Weibull by" in row["sentence"]
        assert row["behind_weibull"] < -2 * row["behind_weibull_error"]


def test_a_law_that_the_fitted_looks_do_not_bear_out_is_not_chosen():
    chosen, table = chosen_law("any", [foretold("gompertz"), foretold("gompertz")], fits("gompertz", 2.0))
    assert chosen == "weibull"
    told = table.filter("is_chosen")["sentence"][0]
    assert (
        "do not bear it out (log marginal likelihood +2.0, where +3 is asked), so the Weibull is kept" in told
    )


def test_without_looks_to_foretell_it_is_the_weibull():
    chosen, table = chosen_law("any", [], [])
    assert chosen == "weibull"
    assert table.height == 1
    assert table["status"].to_list() == [contract.STATUS_TOO_FEW]


def test_a_law_that_cannot_be_fitted_is_named():
    looks = foretold("gompertz").drop("log-logistic")
    chosen, table = chosen_law("any", [looks], fits("gompertz"))
    assert chosen == "gompertz"
    assert table.filter(pl.col("law") == "log-logistic")["status"].to_list() == [contract.STATUS_NOT_FITTED]


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
            # Two pipes to a lot.
            "lot_id": [f"L{i // 2}" for i in range(n)],
            "look_at": np.sort(rng.uniform(-20, 0, n)),
            "area": [f"A{i % 12}" for i in range(n)],
            "install_source": "recorded",
            "is_bad": rng.uniform(size=n) < 0.4,
        }
    )


def exposure(frame):
    lives = frame.select("life_id", "lot_id", subdivision="area", block=pl.lit(None, pl.String))
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


def test_no_look_at_a_lot_left_out_is_fitted():
    frame = rows().with_columns(area=pl.lit(""))
    why_not, pairs = kept_looks.lot_folds(frame)
    assert why_not == ""
    assert sorted(np.concatenate([out for _, out in pairs])) == list(range(frame.height))
    lots = frame["lot_id"].to_numpy()
    for rest, out in pairs:
        assert not set(lots[rest]) & set(lots[out])
        kept = kept_looks.without(exposure(frame), frame[out], kept_looks.OTHERS)
        assert set(kept.looks["life_id"]) == set(kept.line_looks["life_id"]) == set(rest)


@pytest.mark.parametrize("n", [0, 1])
def test_hardly_a_look_stops_nothing(n):
    frame = rows().head(n).with_columns(is_known=pl.lit(value=False))
    town = whole(frame)
    assert kept_looks.part_of(town, "any", 1) == (town, False)
    looks = kept_looks.camera_looks(town, "any")
    for folds in (kept_looks.later_fold, kept_looks.area_folds, kept_looks.lot_folds):
        assert folds(looks)[0].startswith("Too few")


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


def test_looks_at_one_lot_are_told_to_be_too_few():
    rows = pl.DataFrame({"lot_id": ["1"], "is_bad": [1]})
    why, pairs = kept_looks.lot_folds(rows)
    assert why.startswith("Too few looks to foretell: 1, 1 of them bad")
    assert pairs == []
    many = pl.DataFrame({"lot_id": ["1"] * 400, "is_bad": [0, 1] * 200})
    assert kept_looks.lot_folds(many) == ("All looks are at one lot.", [])

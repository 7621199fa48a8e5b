"""How far the fitted chances can be trusted: they foretell looks that were kept from the fit.

Two questions are asked. *Later looks*: everything up to a date is fitted, the looks after it are foretold.
*Other subdivisions*: some subdivisions are left out in turn, and their looks are foretold from the rest.
Beside the life regression stand what it has to beat: the base rate, the share failed by age alone, and trees
that assume no law of ageing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.backtest import (
    Lead,
    age_curve,
    base_rate,
    dealt_folds,
    lead_of,
    score_looks,
    share_ranges,
)
from models.errors import ModelInputError
from models.flexible import StatusModel
from models.looks import FloatArray, IntArray
from models.validation import calibration
from pipeline.progress import Progress
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_input import Exposure, outcome_looks
from pipeline.steps.fit_regression import fit_outcome
from pipeline.steps.validate_chances import chance_at_looks

LATER, ELSEWHERE = "later_looks", "other_subdivisions"
LIFE, TREES, AGE, RATE = "life_regression", "trees", "age_only", "base_rate"
MODELS = (LIFE, TREES, AGE, RATE)
ALL_MATERIALS = "all"

#: Share of looks, the latest ones, that are foretold from the others.
LATER_SHARE = 0.3
#: Parts of the subdivisions that are left out in turn: halves, since each costs a fit.
FOLDS = 2
#: Fewer looks, failed or sound ones among them, or areas than this tell nothing.
LEAST_LOOKS, LEAST_OF_EACH, LEAST_AREAS = 200, 30, 6
#: A material is judged by itself from this many foretold looks on.
LEAST_OF_MATERIAL = 50
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
QUESTION_WORDS = {
    LATER: "made after those that were fitted",
    ELSEWHERE: "in subdivisions that were left out",
}
MODEL_WORDS = {
    TREES: "trees that assume no law of ageing",
    AGE: "the share failed by age alone",
    RATE: "the base rate",
}

Fold = tuple[IntArray, IntArray]


@dataclass(frozen=True)
class Judged:
    """Looks foretold under one question.

    Attributes
    ----------
    question : str
        LATER or ELSEWHERE.
    looks : DataFrame
        `material, area, is_bad` and one column of chances for each model.
    n_fitted : int
        Looks behind each fit, on average.
    """

    question: str
    looks: pl.DataFrame
    n_fitted: int


def validate(
    exposure: Exposure, outcome: str, settings: Settings, progress: Progress
) -> dict[str, pl.DataFrame]:
    """Foretell looks that were kept from the fits, and compare the models.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks.
    outcome : str
        Outcome code.
    settings : Settings
        Detection rates and seed.
    progress : callable
        Told each question as it is asked.

    Returns
    -------
    dict of str to DataFrame
        The published `validation_questions`, `validation_scores` and `validation_calibration`.
    """
    rows = camera_looks(exposure, outcome)
    questions, scores, groups = [], [], []
    for question, words, folds in (
        (LATER, "later looks", later_fold),
        (ELSEWHERE, "other subdivisions", area_folds),
    ):
        progress(f"Foretelling {words}")
        why_not, pairs = folds(rows)
        judged = None if why_not else foretell(exposure, rows, pairs, outcome, settings, question)
        if judged is None:
            questions.append(_unanswered(outcome, question, why_not or "No fit to the looks stands."))
            continue
        questions.append(_answer(outcome, judged))
        scores.append(_scores(outcome, judged))
        groups.append(_calibration(outcome, judged))
    return {
        "validation_questions": pl.concat(questions),
        "validation_scores": pl.concat([empty(contract.VALIDATION_SCORES), *scores]),
        "validation_calibration": pl.concat([empty(contract.VALIDATION_CALIBRATION), *groups]),
    }


def camera_looks(exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Return unselected looks at which a camera judged an outcome, with what the models may know of the pipe.

    What works tell (a pipe was dug out) is no look that could be foretold.
    """
    lives = exposure.lives.select(
        "life_id",
        "material",
        "era",
        "depth_ft",
        "diameter_in",
        "length_ft",
        "expansive",
        "tree",
        "install_source",
        area=pl.coalesce("subdivision", "block", pl.lit("")),
        install_width=pl.col("install_to") - pl.col("install_from"),
    )
    looks = outcome_looks(exposure, outcome).filter(~pl.col("is_known"))
    return looks.join(lives, on="life_id").sort("look_at", "inspection_id", "life_id").with_row_index("row")


def later_fold(rows: pl.DataFrame) -> tuple[str, list[Fold]]:
    """Split looks at a date, or say why that cannot be."""
    dated = rows.filter(pl.col("install_source") != "age_only")
    if dated.height < rows.height / 2:
        return "The records keep ages and no dates: nothing is later than anything else.", []
    cut = float(np.quantile(dated["look_at"].to_numpy(), 1.0 - LATER_SHARE))
    out = rows.filter(pl.col("look_at") > cut)["row"].to_numpy()
    rest = rows.filter(pl.col("look_at") <= cut)["row"].to_numpy()
    return _too_few(rows, out), [(rest.astype(np.int64), out.astype(np.int64))]


def area_folds(rows: pl.DataFrame) -> tuple[str, list[Fold]]:
    """Leave out subdivisions in turn, or say why that cannot be."""
    placed = rows.filter(pl.col("area") != "")
    if placed["area"].n_unique() < LEAST_AREAS:
        return f"Too few subdivisions or blocks are on record: this needs {LEAST_AREAS}.", []
    position = placed["row"].to_numpy().astype(np.int64)
    pairs = [(position[rest], position[out]) for rest, out in dealt_folds(placed["area"].to_numpy(), FOLDS)]
    return _too_few(rows, position), pairs


def _too_few(rows: pl.DataFrame, out: IntArray) -> str:
    bad = rows["is_bad"].to_numpy()[out]
    n, n_bad = len(bad), int(bad.sum())
    if n < LEAST_LOOKS or min(n_bad, n - n_bad) < LEAST_OF_EACH:
        return (
            f"Too few looks to foretell: {n:,}, {n_bad:,} of them bad; this needs {LEAST_LOOKS} with "
            f"{LEAST_OF_EACH} of either kind."
        )
    return ""


def foretell(
    exposure: Exposure,
    rows: pl.DataFrame,
    pairs: Sequence[Fold],
    outcome: str,
    settings: Settings,
    question: str,
) -> Judged | None:
    """Fit each model on the rows of a fold that stay, and foretell those left out; None where a fit fails."""
    # The draws of these fits are not used.
    quick = replace(settings, n_draws=1)
    parts = []
    for rest, out in pairs:
        fitted, asked = rows[rest], rows[out]
        fit = fit_outcome(
            _without(exposure, asked, question), outcome, quick, np.random.default_rng(settings.seed)
        )
        if not fit.is_ok:
            return None
        chances: dict[str, FloatArray] = {
            LIFE: chance_at_looks(fit, exposure, asked),
            TREES: _trees(fitted, asked, settings.seed),
            AGE: age_curve(fitted["age"].to_numpy(), fitted["is_bad"].to_numpy(), asked["age"].to_numpy()),
            RATE: base_rate(fitted["is_bad"].to_numpy(), asked.height),
        }
        parts.append(
            asked.select("material", "area", pl.col("is_bad").cast(pl.Int64)).with_columns(
                pl.Series(name, values) for name, values in chances.items()
            )
        )
    return Judged(question, pl.concat(parts), int(np.mean([len(rest) for rest, _ in pairs])))


def _without(exposure: Exposure, asked: pl.DataFrame, question: str) -> Exposure:
    """Keep from a fit what would give the asked looks away: all that lies later, or all of their areas."""
    if question == LATER:
        first = asked["look_at"].min()
        return replace(
            exposure,
            looks=exposure.looks.filter(pl.col("look_at") < first),
            line_looks=exposure.line_looks.filter(pl.col("look_at") < first),
        )
    lives = exposure.lives.select("life_id", area=pl.coalesce("subdivision", "block", pl.lit("")))
    hidden = lives.join(asked.select("area").unique(), on="area", how="semi")
    return replace(
        exposure,
        looks=exposure.looks.join(hidden, on="life_id", how="anti"),
        line_looks=exposure.line_looks.join(hidden, on="life_id", how="anti"),
    )


def _trees(fitted: pl.DataFrame, asked: pl.DataFrame, seed: int) -> FloatArray:
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
        model.fit(_table(learnt), learnt["is_bad"].to_numpy(), learnt["area"].to_numpy(), per_life)
    except ModelInputError:
        return base_rate(fitted["is_bad"].to_numpy(), asked.height)
    return model.predict_proba(_table(asked))[:, 1]


def _table(rows: pl.DataFrame) -> np.ndarray:
    """Columns that the trees see; text and numbers side by side."""
    return rows.with_columns(pl.col("age").clip(0.0)).select(TREE_COLUMNS).to_numpy()


def _answer(outcome: str, judged: Judged) -> pl.DataFrame:
    """Which model foretold best, and what follows, in one sentence."""
    looks = judged.looks
    bad, area = looks["is_bad"].to_numpy(), looks["area"].to_numpy()
    losses = {name: score_looks(looks[name].to_numpy(), bad, area).log_score for name in MODELS}
    best = min(MODELS, key=lambda name: losses[name])
    leads = {
        name: lead_of(looks[LIFE].to_numpy(), looks[name].to_numpy(), bad, area)
        for name in MODELS
        if name != LIFE
    }
    # The life regression is kept unless another is better by more than the error of the comparison.
    beaten = [name for name in leads if leads[name].by < 0 and leads[name].is_clear]
    winner = min(beaten, key=lambda name: losses[name]) if beaten else LIFE
    return pl.DataFrame(
        {
            "outcome": outcome,
            "question": judged.question,
            "n_fitted": judged.n_fitted,
            "n_looks": looks.height,
            "best_model": best,
            "chosen_model": winner,
            "status": contract.STATUS_OK,
            "sentence": _verdict(winner, leads, judged),
        },
        schema=empty(contract.VALIDATION_QUESTIONS).schema,
    )


def _verdict(winner: str, leads: dict[str, Lead], judged: Judged) -> str:
    where = f"Of {judged.looks.height:,} looks {QUESTION_WORDS[judged.question]}"
    if winner == LIFE:
        told = " and ".join(
            f"{'better' if leads[name].by > 0 else 'worse'} than {MODEL_WORDS[name]} by {_margin(leads[name])}"
            for name in (TREES, AGE)
        )
        return (
            f"{where}, the life regression did {told} (log score per look, ± its standard error). None is better by "
            "more than twice that error, so scores rest on the life regression."
        )
    return (
        f"{where}, {MODEL_WORDS[winner]} foretold them better than the life regression by "
        f"{_margin(leads[winner])} (log score per look, ± its standard error). Scores still rest on the life regression, since they need chances "
        "of later years and of whole lines, but it misses something here: read them with the calibration below."
    )


def _margin(lead: Lead) -> str:
    return f"{abs(lead.by):.3f} ± {lead.error:.3f}"


def _unanswered(outcome: str, question: str, why: str) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "outcome": [outcome],
            "question": [question],
            "n_fitted": [0],
            "n_looks": [0],
            "best_model": [None],
            "chosen_model": [LIFE],
            "status": [contract.STATUS_TOO_FEW],
            "sentence": [why],
        },
        schema=empty(contract.VALIDATION_QUESTIONS).schema,
    )


def _by_material(looks: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    yield ALL_MATERIALS, looks
    for (material,), own in looks.group_by("material", maintain_order=True):
        if own.height >= LEAST_OF_MATERIAL:
            yield str(material), own


def _scores(outcome: str, judged: Judged) -> pl.DataFrame:
    rows = []
    for material, own in _by_material(judged.looks):
        bad, area = own["is_bad"].to_numpy(), own["area"].to_numpy()
        for name in MODELS:
            scored = score_looks(own[name].to_numpy(), bad, area)
            ahead = lead_of(own[LIFE].to_numpy(), own[name].to_numpy(), bad, area)
            rows.append(
                {
                    "outcome": outcome,
                    "question": judged.question,
                    "material": material,
                    "model": name,
                    "n_looks": scored.n,
                    "n_bad": scored.n_bad,
                    "brier_score": scored.brier,
                    "log_score": scored.log_score,
                    "log_score_error": scored.log_score_error,
                    "behind_life_regression": ahead.by,
                    "behind_life_regression_error": ahead.error,
                    # One chance for all looks of a fit ranks nothing.
                    "auc": scored.auc if name != RATE else None,
                    "calibration_slope": scored.calibration_slope if name != RATE else None,
                }
            )
    return pl.DataFrame(rows, schema=empty(contract.VALIDATION_SCORES).schema)


def _calibration(outcome: str, judged: Judged) -> pl.DataFrame:
    parts = []
    for material, own in _by_material(judged.looks):
        bad = own["is_bad"].to_numpy()
        for name in (LIFE, TREES):
            found = calibration(own[name].to_numpy(), bad)
            low, high = share_ranges(found.n, found.observed)
            parts.append(
                pl.DataFrame(
                    {
                        "outcome": outcome,
                        "question": judged.question,
                        "material": material,
                        "model": name,
                        "position": np.arange(1, len(found.n) + 1),
                        "n_looks": found.n,
                        "n_bad": np.round(found.observed * found.n).astype(np.int64),
                        "predicted_share": found.predicted,
                        "observed_share": found.observed,
                        "observed_share_lower": low,
                        "observed_share_upper": high,
                    },
                    schema=empty(contract.VALIDATION_CALIBRATION).schema,
                )
            )
    return pl.concat(parts)

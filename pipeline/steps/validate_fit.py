"""How well the fit foretells looks that it has not seen, and which law of life does so best.

Two questions are asked of the records. Later looks: everything up to a date is fitted, and the looks after it are
foretold. Other subdivisions: half of them are left out of the fit and foretold, and the other way round; where none
are on record, half of the lots. The life regression under each law of life, the base rate, the share failed by age
alone, and trees that assume no law of ageing are fitted to the same looks.
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
    clustered_error,
    lead_of,
    score_looks,
    share_ranges,
)
from models.law_choice import FAVOURED
from models.laws import LAWS
from models.looks import FloatArray
from models.validation import calibration
from pipeline.percent import chance_words
from pipeline.progress import Progress
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.choose_law import Tried, chosen_law
from pipeline.steps.fit_candidates import UNKNOWN
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import fit_laws
from pipeline.steps.side_by_side import side_by_side
from pipeline.steps.validate_chances import chance_at_looks
from pipeline.steps.validate_looks import (
    ELSEWHERE,
    LATER,
    OTHERS,
    Fold,
    area_folds,
    camera_looks,
    later_fold,
    lot_folds,
    part_of,
    without,
)
from pipeline.steps.validate_trees import trees
from pipeline.vocabulary import MATERIAL_LABELS

LIFE, TREES, AGE, RATE = "life_regression", "trees", "age_only", "base_rate"
MODELS = (LIFE, TREES, AGE, RATE)
ALL_MATERIALS = "all"

#: A material is judged by itself from this many foretold looks on.
LEAST_OF_MATERIAL = 50
#: Shares foretold and seen that differ by less than this agree; judgement.
AGREES_WITHIN = 0.02
#: Questions in order: words for who waits, and what looks are kept. The last stands in where the one before cannot
#: be asked.
QUESTIONS = {
    LATER: ("later looks", later_fold),
    ELSEWHERE: ("other subdivisions", area_folds),
    OTHERS: ("other lots", lot_folds),
}
QUESTION_WORDS = {
    LATER: "made after those that were fitted",
    ELSEWHERE: "in subdivisions that were left out",
    OTHERS: "at lots that were left out",
}
MODEL_WORDS = {
    TREES: "trees that assume no law of ageing",
    AGE: "the share failed by age alone",
    RATE: "the base rate",
}


@dataclass(frozen=True)
class Judged:
    """Looks foretold under one question.

    Attributes
    ----------
    question : str
        LATER, ELSEWHERE or OTHERS.
    looks : DataFrame
        `material, group, is_bad` and one column of chances for each model; of the laws, the chosen one is LIFE.
    n_fitted : int
        Looks behind each fit, on average.
    is_part : bool
        Only a part of the town was asked.
    """

    question: str
    looks: pl.DataFrame
    n_fitted: int
    is_part: bool = False

    def under(self, law: str) -> Judged:
        """Take a law's chances as those of the life regression."""
        return replace(self, looks=self.looks.rename({law: LIFE}))

    @property
    def models(self) -> tuple[str, ...]:
        """All that foretold these looks, the life regression first."""
        return (*MODELS, *(law for law in LAWS if law in self.looks.columns))


@dataclass(frozen=True)
class Validation:
    """What foretelling has shown.

    Attributes
    ----------
    law : str
        Law of life that fits shall have.
    tables : dict of str to DataFrame
        The published `laws_tried`, `validation_questions`, `validation_scores` and `validation_calibration`.
    """

    law: str
    tables: dict[str, pl.DataFrame]


def validate(exposure: Exposure, outcome: str, settings: Settings, progress: Progress) -> Validation:
    """Foretell looks that were kept from the fits, choose the law of life, and compare the models.

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
    Validation
    """
    asked, is_part = part_of(exposure, outcome, settings.seed)
    rows = camera_looks(asked, outcome)
    found: list[tuple[Judged, list[Tried]]] = []
    questions = []
    for question, (words, folds) in QUESTIONS.items():
        if question == OTHERS and any(judged.question == ELSEWHERE for judged, _ in found):
            continue
        progress(f"Foretelling {words}")
        why_not, pairs = folds(rows)
        answer = None if why_not else foretell(asked, rows, pairs, outcome, settings, question)
        if answer is None:
            questions.append(_unanswered(outcome, question, why_not or "No fit to the looks stands."))
        else:
            found.append((replace(answer[0], is_part=is_part), answer[1]))
    law, laws = chosen_law(
        outcome, [judged.looks for judged, _ in found], [t for _, more in found for t in more]
    )
    judged = [each.under(law) for each, _ in found]
    return Validation(
        law,
        {
            "laws_tried": laws,
            "validation_questions": pl.concat([*(_answer(outcome, each) for each in judged), *questions]),
            "validation_scores": _together(
                contract.VALIDATION_SCORES, [_scores(outcome, each) for each in judged]
            ),
            "validation_calibration": _together(
                contract.VALIDATION_CALIBRATION, [_calibration(outcome, each) for each in judged]
            ),
        },
    )


def _together(table: contract.PublishedTable, parts: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([empty(table), *parts])


def foretell(
    exposure: Exposure,
    rows: pl.DataFrame,
    pairs: Sequence[Fold],
    outcome: str,
    settings: Settings,
    question: str,
) -> tuple[Judged, list[Tried]] | None:
    """Fit each model on the rows of a fold that stay, and foretell those left out; None where no fit stands.

    A law that cannot be fitted to one fold foretells nothing.
    """
    folds = side_by_side(
        lambda fold: _foretell_fold(exposure, rows, fold, outcome, settings, question), pairs
    )
    parts = [looks for looks, _ in folds]
    tried = [each for _, more in folds for each in more]
    common = [name for name in parts[0].columns if all(name in part.columns for part in parts)]
    if FAVOURED not in common:
        return None
    looks = pl.concat([part.select(common) for part in parts])
    return Judged(question, looks, int(np.mean([len(rest) for rest, _ in pairs]))), tried


def _foretell_fold(
    exposure: Exposure, rows: pl.DataFrame, fold: Fold, outcome: str, settings: Settings, question: str
) -> tuple[pl.DataFrame, list[Tried]]:
    """Looks of a fold left out with what each model foretells, and the fits of the laws."""
    rest, out = fold
    fitted, asked = rows[rest], rows[out]
    fits = fit_laws(without(exposure, asked, question), outcome, settings)
    chances: dict[str, FloatArray] = {
        law: chance_at_looks(fit, exposure, asked) for law, fit in fits.items() if fit.is_ok
    }
    chances |= {
        TREES: trees(fitted, asked, settings.seed),
        AGE: age_curve(fitted["age"].to_numpy(), fitted["is_bad"].to_numpy(), asked["age"].to_numpy()),
        RATE: base_rate(fitted["is_bad"].to_numpy(), asked.height),
    }
    looks = asked.select("material", "group", pl.col("is_bad").cast(pl.Int64)).with_columns(
        pl.Series(name, values) for name, values in chances.items()
    )
    return looks, [Tried(law, fit.fitted) for law, fit in fits.items()]


def _answer(outcome: str, judged: Judged) -> pl.DataFrame:
    """Which model foretold best, and what follows, in one sentence."""
    looks = judged.looks
    bad, group = looks["is_bad"].to_numpy(), looks["group"].to_numpy()
    losses = {name: score_looks(looks[name].to_numpy(), bad, group).log_score for name in MODELS}
    best = min(MODELS, key=lambda name: losses[name])
    leads = {
        name: lead_of(looks[LIFE].to_numpy(), looks[name].to_numpy(), bad, group)
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
    part = " in a part of the town, chosen at random," if judged.is_part else ""
    where = f"Of {judged.looks.height:,} looks {QUESTION_WORDS[judged.question]}{part}"
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
        f"{_margin(leads[winner])} (log score per look, ± its standard error). Scores still rest on the life "
        f"regression, since only it gives chances of later years and of whole lines. {_what_it_misses(winner, judged.looks)}"
    )


def _what_it_misses(winner: str, looks: pl.DataFrame) -> str:
    """What being beaten means for a reader of scores: by how much chances differ, and at which material most is lost."""
    apart = float((looks[LIFE] - looks[winner]).abs().mean())  # type: ignore[arg-type]
    kinds = [(kind, own) for kind, own in _by_material(looks) if kind != ALL_MATERIALS]
    told = f"What it means: the two chances of a look differ by {100 * apart:.0f} points on average."
    if not kinds:
        return told
    lost = [(_lost(winner, own), kind, own) for kind, own in kinds]
    _, kind, own = max(lost, key=lambda each: each[0])
    foretold, seen = float(own[LIFE].mean()), float(own["is_bad"].mean())  # type: ignore[arg-type]
    error = clustered_error((own["is_bad"] - own[LIFE]).to_numpy(), own["group"].to_numpy())
    # NaN where there is but one group: then nothing more than the difference itself is known.
    if abs(foretold - seen) <= np.fmax(AGREES_WITHIN, 2.0 * error):
        how = "so their number is right, but which of them are bad it tells less well"
    else:
        how = "so scores there are too low" if foretold < seen else "so scores there are too high"
    return (
        f"{told} Most is lost at {_words(kind)}: of {own.height:,} looks the life regression foretold "
        f"{chance_words(foretold)} bad and {chance_words(seen)} were, {how}."
    )


def _words(material: str) -> str:
    if material == UNKNOWN:
        return "pipe of unrecorded material"
    return MATERIAL_LABELS.get(material, material.replace("_", " "))


def _lost(winner: str, own: pl.DataFrame) -> float:
    """By how much the winner's log score is better at some looks, summed over them."""
    lead = lead_of(
        own[winner].to_numpy(), own[LIFE].to_numpy(), own["is_bad"].to_numpy(), own["group"].to_numpy()
    )
    return lead.by * own.height


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
        bad, group = own["is_bad"].to_numpy(), own["group"].to_numpy()
        for name in judged.models:
            scored = score_looks(own[name].to_numpy(), bad, group)
            ahead = lead_of(own[LIFE].to_numpy(), own[name].to_numpy(), bad, group)
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

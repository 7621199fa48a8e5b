"""Do length and bore tell of failure? Looks that were left out are foretold with and without them.

They enter fits, and so scores, curves and budgets, only if that foretells better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.backtest import Lead, lead_of
from models.law_choice import is_borne_out
from pipeline.progress import Progress
from pipeline.settings import DetectionRates, Settings
from pipeline.steps.fit_candidates import SIZES
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit, fit_outcome
from pipeline.steps.fit_sizes import with_sizes
from pipeline.steps.side_by_side import side_by_side
from pipeline.steps.validate_chances import chance_at_looks
from pipeline.steps.validate_looks import (
    ELSEWHERE,
    OTHERS,
    Fold,
    area_folds,
    camera_looks,
    lot_folds,
    part_of,
    without,
)
from pipeline.vocabulary import Outcome


@dataclass(frozen=True, slots=True)
class SizesInFits:
    """Whether fits take in length and bore.

    Attributes
    ----------
    exposure : Exposure
        With them where they are used, as given where not.
    is_used : bool
    sentence : str
        What was found; empty where there was nothing to try.
    """

    exposure: Exposure
    is_used: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class _Compared:
    """Sizes on record, looks foretold, the lead of fits with sizes, and their evidence."""

    names: list[str]
    n_looks: int
    lead: Lead
    evidence: float


@dataclass(frozen=True, slots=True)
class _Fold:
    """Sizes on record, looks left out with both chances, and how much more likely sizes make the looks fitted."""

    names: set[str]
    looks: pl.DataFrame
    evidence: float


def judge_sizes(exposure: Exposure, outcome: str, settings: Settings, progress: Progress) -> SizesInFits:
    """Foretell looks in areas, or at lots, left out in turn, with and without length and bore.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks, without sizes.
    outcome : str
        Outcome code.
    settings : Settings
        Detection rates and seed.
    progress : callable

    Returns
    -------
    SizesInFits
        Used on two witnesses, as another law of life is (`models.law_choice`): looks left out are foretold better
        by more than the standard error of the difference, and the log marginal likelihood of the looks that were
        fitted is better by `models.law_choice.LEAST_EVIDENCE`.

    Notes
    -----
    It is asked under the favoured law and at the camera's rates as the settings give them: what these are found to
    be moves both fits alike, and costs more than all else here.
    """
    asked, _ = part_of(exposure, outcome, settings.seed)
    rows = camera_looks(asked, outcome)
    question, (why_not, folds) = ELSEWHERE, area_folds(rows)
    if why_not:
        question, (why_not, folds) = OTHERS, lot_folds(rows)
    if why_not:
        return SizesInFits(exposure, False, "")
    progress("Foretelling looks with and without length and diameter")
    compared = _compare(asked, rows, folds, question, outcome, _quick(settings))
    if compared is None:
        return SizesInFits(exposure, False, "")
    is_used = is_borne_out(compared.lead.by, compared.lead.error, compared.evidence)
    sentence = _sentence(compared, is_used=is_used)
    return SizesInFits(with_sizes(exposure) if is_used else exposure, is_used, sentence)


def told_of_sizes(laws_tried: pl.DataFrame, sizes: SizesInFits) -> pl.DataFrame:
    """Say beside the chosen law of life whether fits take in length and bore, and why."""
    told = pl.concat_str("sentence", pl.lit(f" {sizes.sentence}" if sizes.sentence else ""))
    return laws_tried.with_columns(sentence=pl.when("is_chosen").then(told).otherwise("sentence"))


def _quick(settings: Settings) -> Settings:
    """Settings under which a fit is made once, at the rates given, and not drawn from."""
    certain = {
        outcome: DetectionRates(sensitivity=rates.sensitivity, specificity=rates.specificity)
        for outcome, rates in settings.detection.items()
    }
    return replace(settings, n_draws=1, detection=certain)


def _compare(
    exposure: Exposure,
    rows: pl.DataFrame,
    folds: Sequence[Fold],
    question: str,
    outcome: str,
    settings: Settings,
) -> _Compared | None:
    """Fit with and without sizes; None where none can be tried."""
    found = side_by_side(
        lambda fold: _compare_fold(exposure, rows[fold[1]], question, outcome, settings), folds
    )
    tried = [fold for fold in found if fold is not None]
    if len(tried) < len(folds):
        return None
    names = {name for fold in tried for name in fold.names}
    looks = pl.concat([fold.looks for fold in tried])
    lead = lead_of(*(looks[name].to_numpy() for name in ("sized", "plain", "is_bad", "group")))
    evidence = sum(fold.evidence for fold in tried)
    return _Compared([name for name in SIZES if name in names], looks.height, lead, evidence)


def _compare_fold(
    exposure: Exposure, held: pl.DataFrame, question: str, outcome: str, settings: Settings
) -> _Fold | None:
    rest = without(exposure, held, question)
    # Bellies have no such terms: one fit of them serves both.
    bellies = _fit(rest, Outcome.GRADE.value, settings) if outcome == Outcome.ANY.value else None
    with_them = _fit(with_sizes(rest), outcome, settings, bellies)
    names = {name for name in SIZES if f"hazard: {name}" in with_them.fitted.names}
    if not names or not with_them.is_ok:
        return None
    plain = _fit(rest, outcome, settings, bellies)
    if not plain.is_ok:
        return None
    looks = held.select(
        "group",
        "is_bad",
        sized=pl.Series(chance_at_looks(with_them, with_sizes(exposure), held)),
        plain=pl.Series(chance_at_looks(plain, exposure, held)),
    )
    return _Fold(names, looks, with_them.fitted.log_marginal - plain.fitted.log_marginal)


def _fit(
    exposure: Exposure, outcome: str, settings: Settings, bellies: OutcomeFit | None = None
) -> OutcomeFit:
    rng = np.random.default_rng(settings.seed)
    return fit_outcome(exposure, outcome, settings, rng, bellies=bellies)


def _sentence(found: _Compared, *, is_used: bool) -> str:
    """What was found, and what follows."""
    was, it, end = ("were", "them", "they are") if len(found.names) > 1 else ("was", "it", "it is")
    better = "better" if found.lead.by > 0 else "no better"
    told = (
        f"The {' and '.join(found.names)} of pipe {was} tried besides: {found.n_looks:,} looks left out are foretold "
        f"{better} with {it} ({found.lead.by:+.4f} ± {found.lead.error:.4f}, log score per look and its standard error; "
        f"log marginal likelihood of the looks fitted {found.evidence:+.1f})"
    )
    return f"{told}: {f'scores, curves and budgets take {it} in' if is_used else f'{end} left out'}."

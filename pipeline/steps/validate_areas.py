"""Do lots of one area tell of each other? Lots that were left out are foretold with and without their area.

Scores take in what an area has in common only if that foretells better: neighbours are known there, lots are not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.backtest import Lead, dealt_folds, lead_of
from pipeline.progress import Progress
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit, fit_bellies, fit_outcome
from pipeline.steps.side_by_side import side_by_side
from pipeline.steps.validate_chances import chance_at_looks
from pipeline.steps.validate_looks import OTHERS, camera_looks, part_of, too_few, without
from pipeline.vocabulary import Correction

IN_SCORES = "in_scores"
#: One lot of so many is left out: enough to judge by, and most neighbours stay known.
LEFT_OUT = 3
#: Where the looks left out cannot tell, the log marginal likelihood must be better by this: e^2 to 1; judgement.
LEAST_LIKELIHOOD_GAIN = 2.0


@dataclass(frozen=True, slots=True)
class AreasInScores:
    """Whether scores take in what areas have in common.

    Attributes
    ----------
    is_used : bool
    table : DataFrame
        A row of the published `local_effects`.
    """

    is_used: bool
    table: pl.DataFrame

    def settings(self, settings: Settings) -> Settings:
        """Return settings under which fits do as was found."""
        return settings if self.is_used else _without_areas(settings)


def judge_areas(
    exposure: Exposure, outcome: str, settings: Settings, law: str, progress: Progress
) -> AreasInScores:
    """Foretell lots left out, with and without what their area has in common.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks.
    outcome : str
        Outcome code.
    settings : Settings
        Detection rates, seed, and whether areas may count at all.
    law : str
        Law of life of the fits.
    progress : callable

    Returns
    -------
    AreasInScores
        Used where the log score of the lots left out is better with it by more than its standard error. Where the
        difference is less than that, the marginal likelihood of the looks that were fitted decides: to leave out
        what areas share, for want of looks, would make ranges too narrow. Where nothing can be tested, areas count.
    """
    if Correction.AREAS not in settings.corrections:
        return _answer(False, None, None, "Switched off in the settings: areas count for nothing in scores.")
    progress("Foretelling lots with and without their area")
    asked, _ = part_of(exposure, outcome, settings.seed)
    rows = camera_looks(asked, outcome)
    n_lots = rows["lot_id"].n_unique()
    out = (
        next(dealt_folds(rows["lot_id"].to_numpy(), LEFT_OUT))[1]
        if n_lots >= LEFT_OUT
        else rows["row"].to_numpy()
    )
    why_not = too_few(rows, out) or ("" if n_lots >= LEFT_OUT else "All looks are at a few lots.")
    if why_not:
        return _answer(True, None, None, f"Not tested: {why_not}")
    # The draws of these fits are not used.
    quick = replace(settings, n_draws=1)
    held, rest = rows[out], without(asked, rows[out], OTHERS)
    # Areas do nothing to bellies: one fit of them serves both.
    bellies = fit_bellies(rest, outcome, quick, law)
    fits = side_by_side(
        lambda chosen: fit_outcome(rest, outcome, chosen, np.random.default_rng(settings.seed), law, bellies),
        (quick, _without_areas(quick)),
    )
    if not all(fit.is_ok for fit in fits):
        return _answer(True, None, None, "Not tested: no fit to two thirds of the lots stands.")
    if fits[0].fitted.effects is None:
        return _answer(False, None, None, "Too few areas are on record to tell how they differ.")
    chances = [chance_at_looks(fit, asked, held) for fit in fits]
    lead = lead_of(chances[0], chances[1], held["is_bad"].to_numpy(), held["group"].to_numpy())
    likelihood = fits[0].fitted.log_marginal - fits[1].fitted.log_marginal
    is_used = is_worth_it(lead, likelihood)
    words = _words(fits[0], lead, len(out))
    if abs(lead.by) <= lead.error:
        words += f", which cannot tell; the likelihood of the looks fitted is {likelihood:+.1f} with it (log)"
    end = "scores take it in" if is_used else "it is switched off, and scores are made without areas"
    return _answer(is_used, fits[0], lead, f"{words}: {end}.", likelihood)


def is_worth_it(lead: Lead, likelihood: float) -> bool:
    """Decide whether scores take areas in.

    Parameters
    ----------
    lead : Lead
        Of the fit with areas over the one without, on looks left out.
    likelihood : float
        Log marginal likelihood of the looks fitted, with areas less without.
    """
    if abs(lead.by) > lead.error:
        return lead.by > 0
    return likelihood > LEAST_LIKELIHOOD_GAIN


def _without_areas(settings: Settings) -> Settings:
    return replace(
        settings, corrections=tuple(kept for kept in settings.corrections if kept != Correction.AREAS)
    )


def _words(fit: OutcomeFit, lead: Lead, n_looks: int) -> str:
    effects = fit.fitted.effects
    assert effects is not None
    return (
        f"What no column explains moves an area's hazard by a factor of {np.exp(effects.sd):.2f} up or down, typically. "
        f"{n_looks:,} looks at lots left out, whose neighbours were known, are foretold "
        f"{'better' if lead.by > 0 else 'no better'} with it ({lead.by:+.4f} ± {lead.error:.4f}, log score per look and "
        "its standard error)"
    )


def _answer(
    is_used: bool,
    fit: OutcomeFit | None,
    lead: Lead | None,
    sentence: str,
    likelihood: float | None = None,
) -> AreasInScores:
    effects = None if fit is None else fit.fitted.effects
    row = {
        "area_kind": "subdivision",
        "method": IN_SCORES,
        "variance": None if effects is None else float(np.expm1(effects.sd**2)),
        "neighbour_share": 0.0,
        "log_likelihood_gain": likelihood,
        "gain_known_areas": None if lead is None else lead.by,
        "gain_known_areas_error": None if lead is None else lead.error,
        "is_used": is_used,
        "sentence": sentence,
    }
    schema = empty(contract.LOCAL_EFFECTS).schema
    return AreasInScores(is_used, pl.DataFrame([{name: row.get(name) for name in schema}], schema=schema))

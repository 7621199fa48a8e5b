"""Which law of life foretells looks best that its fit has not seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.backtest import Lead, lead_of, score_looks
from models.looks import FloatArray

#: The law that is kept unless another is better by more than the error of the comparison.
FAVOURED = "weibull"
#: Log marginal likelihood that the looks that were fitted must add: "strong" evidence, 20 to 1 (Kass & Raftery 1995,
#: Journal of the American Statistical Association 90:773; from memory).
LEAST_EVIDENCE = 3.0


@dataclass(frozen=True, kw_only=True)
class LawScore:
    """How one law did.

    Attributes
    ----------
    law : str
    n_looks : int
        Looks foretold.
    log_score, log_score_error : float
        Mean of -log of the chance given to what was seen, and its standard error; lower is better.
    ahead : Lead
        Of the favoured law over this one, from differences on the same looks; below 0 this one is better.
    evidence : float
        Log marginal likelihood of the looks that were fitted.
    """

    law: str
    n_looks: int
    log_score: float
    log_score_error: float
    ahead: Lead
    evidence: float


@dataclass(frozen=True, kw_only=True)
class LawChoice:
    """The law chosen, and the table.

    Attributes
    ----------
    law : str
        The favoured one, unless both witnesses speak for `best`: see `choose_law`.
    best : str
        Law of the least log score.
    scores : tuple of LawScore
        In the order given.
    """

    law: str
    best: str
    scores: tuple[LawScore, ...]

    def score_of(self, law: str) -> LawScore:
        """Return how a law did."""
        return next(score for score in self.scores if score.law == law)


def choose_law(
    chances: Mapping[str, FloatArray], evidence: Mapping[str, float], bad: ArrayLike, group: ArrayLike
) -> LawChoice:
    """Compare laws by the log score of looks that were kept from their fits, and by the looks that were fitted.

    Parameters
    ----------
    chances : mapping of str to ndarray, shape (n,)
        Chance of bad that each law gave each look; the favoured one is among them.
    evidence : mapping of str to float
        Log marginal likelihood of the looks that were fitted, under each law; NaN where it is not known.
    bad : array of 0 and 1, shape (n,)
        What was seen.
    group : array, shape (n,)
        Looks that resemble each other, such as those of one subdivision.

    Returns
    -------
    LawChoice

    Notes
    -----
    The law of the least log score is chosen if it is ahead of the favoured one by more than one standard error and
    the fitted looks speak for it by `LEAST_EVIDENCE` besides. The error knows nothing of the fits' own chance,
    which all looks of a part share: by it alone, three of eight Weibull processes of invented towns went astray.

    The one-standard-error rule (Breiman et al. 1984, Classification and Regression Trees, section 3.4.3; from
    memory) with a paired difference, as `models.family_choice` has it for intervals: looks seldom reach the ages at
    which laws part, and pipes in series that follow the Weibull are Weibull again. Where the error cannot be told
    (one group), the favoured law is kept.
    """
    scores = tuple(
        _score(law, chance, chances[FAVOURED], evidence[law], bad, group) for law, chance in chances.items()
    )
    best = min(scores, key=lambda score: score.log_score)
    is_better = is_borne_out(-best.ahead.by, best.ahead.error, best.evidence - evidence[FAVOURED])
    return LawChoice(law=best.law if is_better else FAVOURED, best=best.law, scores=scores)


def is_borne_out(ahead: float, error: float, evidence: float) -> bool:
    """Whether two witnesses speak for a richer fit: looks left out, and the looks that were fitted.

    Parameters
    ----------
    ahead, error : float
        How much better it foretells looks left out, in log score per look, and the standard error of that; an error that
        is not finite speaks for nothing.
    evidence : float
        Log marginal likelihood of the looks fitted, less that of the plainer fit.
    """
    return bool(np.isfinite(error) and ahead > error and evidence > LEAST_EVIDENCE)


def _score(
    law: str, chance: FloatArray, favoured: FloatArray, evidence: float, bad: ArrayLike, group: ArrayLike
) -> LawScore:
    scored = score_looks(chance, bad, group)
    return LawScore(
        law=law,
        n_looks=scored.n,
        log_score=scored.log_score,
        log_score_error=scored.log_score_error,
        ahead=lead_of(favoured, chance, bad, group),
        evidence=evidence,
    )

"""Which law of life fits shall have, and how each did, for the published `laws_tried`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from models.fitted_lives import FittedLives
from models.law_choice import FAVOURED, LEAST_EVIDENCE, LawChoice, LawScore, choose_law
from models.laws import LAWS
from pipeline.published import contract
from pipeline.published.write import empty

#: Names of laws in sentences.
WORDS = {"weibull": "Weibull", "gompertz": "Gompertz"}


@dataclass(frozen=True)
class Tried:
    """A law and its fit to the looks that stayed, once for each fit.

    Attributes
    ----------
    law : str
    fitted : FittedLives
    """

    law: str
    fitted: FittedLives


def chosen_law(
    outcome: str, foretold: Sequence[pl.DataFrame], tried: Sequence[Tried]
) -> tuple[str, pl.DataFrame]:
    """Choose by all looks foretold, whatever the question, and say why.

    Parameters
    ----------
    outcome : str
        Outcome code.
    foretold : sequence of DataFrame
        `group, is_bad` and a column of chances for each law, one frame for each question; none where no question
        could be asked.
    tried : sequence of Tried
        All fits behind them.

    Returns
    -------
    tuple of str and DataFrame
        The law, and the published `laws_tried`.

    Notes
    -----
    A look foretold under both questions counts twice; the error allows for it, since both stand in one group.
    """
    if not foretold:
        return FAVOURED, _frame(outcome, [_untried()])
    laws = [law for law in LAWS if all(law in looks.columns for looks in foretold)]
    looks = pl.concat([each.select("group", "is_bad", *laws) for each in foretold])
    # Each question fits about all looks once, in its parts.
    evidence = {
        law: sum(each.fitted.log_marginal for each in tried if each.law == law) / len(foretold)
        for law in laws
    }
    choice = choose_law(
        {law: looks[law].to_numpy() for law in laws},
        evidence,
        looks["is_bad"].to_numpy(),
        looks["group"].to_numpy(),
    )
    rows = [_row(choice, law) if law in laws else _unfitted(law, tried) for law in LAWS]
    return choice.law, _frame(outcome, rows)


def _row(choice: LawChoice, law: str) -> dict[str, object]:
    score = choice.score_of(law)
    return {
        "law": law,
        "is_chosen": law == choice.law,
        "n_looks": score.n_looks,
        "log_score": score.log_score,
        "log_score_error": score.log_score_error,
        "behind_weibull": score.ahead.by,
        "behind_weibull_error": score.ahead.error,
        "log_marginal_likelihood": score.evidence,
        "status": contract.STATUS_OK,
        "sentence": _reason(choice) if law == choice.law else _beside(score),
    }


def _reason(choice: LawChoice) -> str:
    """Say why the chosen law was."""
    best = choice.score_of(choice.best)
    told = (
        f"Of {len(choice.scores)} laws of life tried on {best.n_looks:,} looks that were kept from the fits"
    )
    rests = "Scores, curves and budgets rest on it."
    if choice.law != FAVOURED:
        return f"{told}, the {_named(choice.law)} foretold best, {_how(best)}. {rests}"
    if choice.best == FAVOURED:
        return f"{told}, the Weibull foretold best. {rests}"
    if -best.ahead.by > best.ahead.error:
        more = best.evidence - choice.score_of(FAVOURED).evidence
        why = (
            f"but the looks that were fitted do not bear it out (log marginal likelihood {more:+.1f}, where "
            f"{LEAST_EVIDENCE:+.0f} is asked), so the Weibull is kept"
        )
        return f"{told}, the {_named(choice.best)} foretold best, {_how(best)}, {why}. {rests}"
    return (
        f"{told}, the {_named(choice.best)} foretold best, {_how(best)}: no more than chance, so the Weibull is kept. "
        f"{rests}"
    )


def _beside(score: LawScore) -> str:
    """Say how a law did that was not chosen."""
    if score.law == FAVOURED:
        return "The law that the others are measured against."
    return f"{_named(score.law)[0].upper()}{_named(score.law)[1:]}: {_how(score)}."


def _how(score: LawScore) -> str:
    word = "ahead of" if score.ahead.by < 0 else "behind"
    return (
        f"{word} the Weibull by {abs(score.ahead.by):.4f} ± {score.ahead.error:.4f} "
        "(log score per look, ± its standard error)"
    )


def _named(law: str) -> str:
    return WORDS.get(law, law)


def _unfitted(law: str, tried: Sequence[Tried]) -> dict[str, object]:
    why = next((each.fitted.reason for each in tried if each.law == law and each.fitted.reason), "")
    return {
        "law": law,
        "is_chosen": False,
        "status": contract.STATUS_NOT_FITTED,
        "sentence": f"It could not be fitted to every part of the records. {why}".strip(),
    }


def _untried() -> dict[str, object]:
    return {
        "law": FAVOURED,
        "is_chosen": True,
        "status": contract.STATUS_TOO_FEW,
        "sentence": "Too few looks could be kept from a fit to try other laws of life on them: it is the Weibull.",
    }


def _frame(outcome: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    schema = empty(contract.LAWS_TRIED).schema
    whole = [{name: {"outcome": outcome, **row}.get(name) for name in schema} for row in rows]
    return pl.DataFrame(whole, schema=schema)

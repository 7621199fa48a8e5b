"""Terms of a regression, in words: the published `regression_terms`."""

from __future__ import annotations

import polars as pl

from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.steps.fit_regression import OutcomeFit


def regression_terms(fit: OutcomeFit) -> pl.DataFrame:
    """Return the published `regression_terms` of one outcome."""
    if not fit.is_ok:
        return empty(contract.REGRESSION_TERMS)
    error = fit.fitted.standard_error
    # 1.96: normal quantile of the 95 % level, as the Laplace approximation is normal.
    return pl.DataFrame(
        {
            "outcome": fit.outcome,
            "term": list(fit.fitted.names),
            "meaning": [_meaning_under(fit, name) for name in fit.fitted.names],
            "estimate": fit.fitted.coef,
            "standard_error": error,
            "estimate_lower": fit.fitted.coef - 1.96 * error,
            "estimate_upper": fit.fitted.coef + 1.96 * error,
        }
    )


_PLAIN_MEANINGS = {
    "hazard: all": "log of the cumulative hazard of average pipe at 40 years",
    "hazard: depth": "per foot deeper; above 0 it fails sooner [log hazard]",
    "hazard: expansive": "in expansive clay soil; above 0 it fails sooner [log hazard]",
    "hazard: length": "per doubling of its length; above 0 longer pipe fails sooner [log hazard]",
    "hazard: diameter": "per doubling of its diameter; above 0 wider pipe fails sooner [log hazard]",
    "hazard: tree": "with a large tree near; above 0 it fails sooner [log hazard]",
    "shape: all": "log of how steeply failure comes with age; above 0 it is wear-out",
    "start: all": "log odds that average pipe is bad from the day of laying",
}


def _meaning_under(fit: OutcomeFit, name: str) -> str:
    """Meaning of a term, whose unit the law decides."""
    meaning = _term_meaning(name)
    if fit.fitted.law == "log-logistic":
        odds = meaning.replace(
            "log of the cumulative hazard of average pipe", "log odds that average pipe has failed"
        )
        return odds.replace("[log hazard]", "[log odds]")
    if fit.fitted.law == "gompertz" and name == "shape: all":
        return "log of how much the logarithm of the hazard rises in 40 years"
    return meaning


def _term_meaning(name: str) -> str:
    if name in _PLAIN_MEANINGS:
        return _PLAIN_MEANINGS[name]
    part, _, rest = name.partition(": ")
    material, _, era = rest.partition(", ")
    words = material.replace("_", " ")
    if part == "shape":
        return f"{words} against all pipe; above 0 failures come closer together in age"
    if part == "start":
        return f"{words} against all pipe; above 0 more of it is bad from the day of laying [log odds]"
    if era:
        return f"{words} laid {era_words(era)} against other {words}; above 0 it fails sooner [log hazard]"
    return f"{words} against all pipe; above 0 it fails sooner [log hazard]"


def era_words(era: str) -> str:
    """Return an era code as words for people."""
    if era == "before_1940":
        return "before 1940"
    if era == "1980_on":
        return "from 1980 on"
    return era.replace("_", " to ")

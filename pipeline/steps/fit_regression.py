"""Fitted curves: one regression on looks for each outcome, and what is published of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.lives import Detection, FittedLives
from models.looks import FloatArray, IntArray, LifeLooks, LineLooks
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_clusters import group_lives, variance_factor
from pipeline.steps.fit_design import (
    ROW_KEYS,
    UNKNOWN,
    Design,
    fit_design,
    life_looks,
    line_looks,
    make_design,
    material_shares,
)
from pipeline.steps.fit_entry import enter_lives
from pipeline.steps.fit_input import Exposure, outcome_line_looks, outcome_looks
from pipeline.vocabulary import Outcome

CURVE_LEVEL = 0.95
OLDEST_AGE_YEARS = 120
#: Curves are drawn this far beyond the oldest look, and marked as an extension there [years].
EXTENSION_YEARS = 10
AGE_BAND_YEARS = 10
#: Ages at which the fits that leave out some subdivisions are compared [years].
COMPARED_AGES = (40.0, 60.0)
OUTCOME_MEANINGS = {outcome.value: outcome.meaning for outcome in Outcome}


@dataclass(frozen=True, slots=True)
class OutcomeFit:
    """One outcome's regression and the looks behind it.

    Attributes
    ----------
    outcome : str
        Outcome code.
    design : Design
        Covariate rows.
    fitted : FittedLives
        The fit; see its status.
    draws : ndarray, shape (n_draws, p + q)
        Parameter draws, shared by everything that is said from this fit.
    looked : DataFrame
        Lives behind it.
    looks : DataFrame
        Unselected looks behind it, from `outcome_looks`.
    n_line_looks : int
        Unselected overall verdicts on lines, used as such.
    range_factor : float
        By how much ranges were widened because lots of one subdivision are alike; 1 where that is not known.
    """

    outcome: str
    design: Design
    fitted: FittedLives
    draws: FloatArray
    looked: pl.DataFrame
    looks: pl.DataFrame
    n_line_looks: int
    range_factor: float

    @property
    def is_ok(self) -> bool:
        """Whether its numbers stand."""
        return self.fitted.status == "ok"


def detection_of(settings: Settings, outcome: str) -> Detection:
    """Return the detection rates that the settings give an outcome."""
    rates = settings.detection[outcome]
    return Detection(sensitivity=rates.sensitivity, specificity=rates.specificity)


def fit_outcome(exposure: Exposure, outcome: str, settings: Settings, rng: np.random.Generator) -> OutcomeFit:
    """Fit one outcome on its unselected looks.

    Parameters
    ----------
    exposure : Exposure
        All lives and looks.
    outcome : str
        Outcome code.
    settings : Settings
        Detection rates and the number of draws.
    rng : numpy.random.Generator
        For the parameter draws.

    Returns
    -------
    OutcomeFit
        With `fitted.status` other than "ok" where the looks cannot carry a fit.
    """
    looks = outcome_looks(exposure, outcome)
    lines = outcome_line_looks(exposure, outcome)
    ids = pl.concat([looks.select("life_id"), lines.select("life_id")]).unique()
    looked = exposure.lives.join(ids, on="life_id", how="semi").sort("life_id")
    shares = material_shares(exposure.lives)
    design = make_design(exposure.lives, looked, shares, outcome)
    detection = detection_of(settings, outcome)
    copies, copy_looks = enter_lives(exposure, outcome, looked, looks, detection)
    lines = lines.join(copies.filter(~pl.col("is_split")).select("life_id", "life"), on="life_id")
    arrays, line_arrays = life_looks(design, copies, copy_looks), line_looks(lines)
    fitted = fit_design(design, arrays, line_arrays, detection=detection)
    is_ok = fitted.status == "ok"
    draws = fitted.draws(settings.n_draws, rng) if is_ok else np.empty((0, len(fitted.coef)))
    fit = OutcomeFit(outcome, design, fitted, draws, looked, looks, lines["inspection_id"].n_unique(), 1.0)
    group = group_lives(copies) if is_ok else None
    return fit if group is None else _widened(fit, arrays, line_arrays, group, settings)


def _widened(
    fit: OutcomeFit, arrays: LifeLooks, line_arrays: LineLooks | None, group: IntArray, settings: Settings
) -> OutcomeFit:
    """Spread the draws by what lots of one subdivision have in common."""
    drawn = fitted_groups(fit, settings).filter(pl.col("status") == contract.STATUS_OK)["material"]
    if drawn.is_empty():
        return fit
    counted = [_looked_rows(fit, material) for material in drawn]
    ages = np.asarray(COMPARED_AGES)

    def hazards(fitted: FittedLives, draws: FloatArray | None = None) -> FloatArray:
        """Log cumulative hazards by material and age, last axis; over draws where given."""
        other = replace(fit, fitted=fitted)
        shares = np.concatenate([_average_curve(other, rows, ages, draws=draws) for rows in counted], axis=1)
        logs: FloatArray = np.log(-np.log1p(-np.clip(shares, 1e-9, 1 - 1e-9)))
        return logs

    factor = variance_factor(
        fit.fitted,
        fit.design,
        arrays,
        line_arrays,
        group,
        hazards=lambda fitted: hazards(fitted)[0],
        drawn_variance=hazards(fit.fitted, fit.draws).var(axis=0),
    )
    spread = fit.fitted.coef + np.sqrt(factor) * (fit.draws - fit.fitted.coef)
    return replace(fit, draws=spread, range_factor=float(np.sqrt(factor)))


def _looked_rows(fit: OutcomeFit, material: str) -> pl.DataFrame:
    """Covariate rows of one material's looked-at lives, with their number."""
    known = fit.looked.filter(pl.col("material") == material)
    rows = known.join(fit.design.rows, on=list(ROW_KEYS), nulls_equal=True)
    return rows.group_by("row").len("n").sort("row")


def outcome_row(fit: OutcomeFit) -> pl.DataFrame:
    """Return one outcome's row of the published `outcomes`."""
    detection = fit.fitted.detection
    n_bad = int(fit.looks["is_bad"].sum())
    sentence = (
        f"{fit.looks.height:,} looks at single segments and {fit.n_line_looks:,} at whole lines, "
        f"{n_bad:,} of the former with a repair-grade finding."
    )
    if fit.range_factor > 1.0:
        sentence += f" Ranges are {fit.range_factor:.1f} times as wide as for unlike lots: those of a subdivision are alike."
    if not fit.is_ok:
        sentence = f"No fitted curve: {fit.fitted.reason}"
    return pl.DataFrame(
        {
            "outcome": fit.outcome,
            "meaning": OUTCOME_MEANINGS[fit.outcome],
            "n_looks": fit.looks.height,
            "n_bad": n_bad,
            "n_line_looks": fit.n_line_looks,
            "sensitivity": detection.sensitivity,
            "specificity": detection.specificity,
            "family": "weibull",
            "status": contract.STATUS_OK if fit.is_ok else contract.STATUS_NOT_FITTED,
            "sentence": sentence,
        }
    )


def look_counts(fit: OutcomeFit) -> pl.DataFrame:
    """Return the published `look_counts` of one outcome."""
    return (
        _with_material(fit)
        .with_columns(age_from_years=(pl.col("age").clip(0) / AGE_BAND_YEARS).floor() * AGE_BAND_YEARS)
        .group_by("material", "age_from_years")
        .agg(n_looks=pl.len(), n_bad=pl.col("is_bad").sum())
        .with_columns(
            outcome=pl.lit(fit.outcome),
            age_to_years=pl.col("age_from_years") + AGE_BAND_YEARS,
            bad_share=pl.col("n_bad") / pl.col("n_looks"),
        )
    )


def _with_material(fit: OutcomeFit) -> pl.DataFrame:
    return fit.looks.join(fit.looked.select("life_id", "material"), on="life_id")


def fitted_groups(fit: OutcomeFit, settings: Settings) -> pl.DataFrame:
    """Return the published `fitted_groups` of one outcome: which materials' curves are drawn, and why not."""
    counts = (
        _with_material(fit)
        .group_by("material")
        .agg(
            n_looks=pl.len(),
            n_bad=pl.col("is_bad").sum(),
            oldest_look_years=pl.col("age").max(),
            n_lives=pl.col("life_id").n_unique(),
            n_events=pl.col("life_id").filter("is_bad").n_unique(),
        )
        .sort("material")
    )
    few = (pl.col("n_lives") < settings.min_lives) | (pl.col("n_events") < settings.min_events)
    status = (
        pl.when(not fit.is_ok)
        .then(pl.lit(contract.STATUS_NOT_FITTED))
        .when(few | (pl.col("material") == UNKNOWN))
        .then(pl.lit(contract.STATUS_TOO_FEW))
        .otherwise(pl.lit(contract.STATUS_OK))
    )
    counted = pl.format("{} looks at {} lives, {} of them seen failed", "n_looks", "n_lives", "n_events")
    sentence = (
        pl.when(pl.lit(not fit.is_ok))
        .then(pl.lit(f"No fitted curve: {fit.fitted.reason}"))
        .when(pl.col("material") == UNKNOWN)
        .then(
            pl.format("{}; the material is not on record, so they are shared out among the others.", counted)
        )
        .when(few)
        .then(
            pl.format(
                "Too few records: {}; a curve needs {} lives and {} failures.",
                counted,
                pl.lit(settings.min_lives),
                pl.lit(settings.min_events),
            )
        )
        .otherwise(pl.format("{}.", counted))
    )
    named = counts.with_columns(outcome=pl.lit(fit.outcome), status=status, sentence=sentence)
    return named.select(contract.FITTED_GROUPS.names)


def fitted_curves(fit: OutcomeFit, groups: pl.DataFrame) -> pl.DataFrame:
    """Return the published `fitted_curves` of one outcome.

    Notes
    -----
    F of each age is the average over the looked-at lives of that material, each with its own era, depth, soil
    and tree; its range is the quantiles of that average over the parameter draws.
    """
    frames = [empty(contract.FITTED_CURVES)]
    for group in groups.filter(pl.col("status") == contract.STATUS_OK).iter_rows(named=True):
        counted = _looked_rows(fit, group["material"])
        oldest = min(OLDEST_AGE_YEARS, int(np.ceil(group["oldest_look_years"])) + EXTENSION_YEARS)
        ages = np.arange(0, oldest + 1, dtype=float)
        mode = _average_curve(fit, counted, ages, draws=None)
        drawn = _average_curve(fit, counted, ages, draws=fit.draws)
        tail = (1 - CURVE_LEVEL) / 2
        frames.append(
            pl.DataFrame(
                {
                    "outcome": fit.outcome,
                    "material": group["material"],
                    "age_years": ages,
                    "failure_probability": mode[0],
                    "failure_probability_lower": np.quantile(drawn, tail, axis=0),
                    "failure_probability_upper": np.quantile(drawn, 1 - tail, axis=0),
                    "is_extension": ages > group["oldest_look_years"],
                }
            )
        )
    return pl.concat(frames)


def _average_curve(
    fit: OutcomeFit, counted: pl.DataFrame, ages: FloatArray, *, draws: FloatArray | None
) -> FloatArray:
    """Average F over rows with counts; shape (n_draws or 1, n_ages).

    The log cumulative hazard k (log a - s) is taken as linear in the coefficients around the mode (delta
    method). Where the shape is small, scale and shape trade off along a curve that the straight normal
    approximation of both leaves far behind, while the hazard itself is well known.
    """
    rows = counted["row"].to_numpy()
    share = counted["n"].to_numpy() / counted["n"].sum()
    X, Z, W = fit.design.X[rows], fit.design.Z[rows], fit.design.start_of(rows)
    n_scale, n_both = X.shape[1], X.shape[1] + Z.shape[1]
    beta, gamma = fit.fitted.coef[:n_scale], fit.fitted.coef[n_scale:n_both]
    shape = np.exp(Z @ gamma)
    apart = np.zeros((1, len(fit.fitted.coef))) if draws is None else draws - fit.fitted.coef
    by_scale = -shape * (apart[:, :n_scale] @ X.T)
    by_shape = apart[:, n_scale:n_both] @ Z.T
    # Cumulative hazard of those bad from the start: -log(1 - share).
    start = 0.0 if W is None else np.logaddexp(0.0, (apart + fit.fitted.coef)[:, n_both:] @ W.T)
    average = np.zeros((len(apart), len(ages)))
    for position, age in enumerate(ages):
        if age > 0:
            log_hazard = shape * (np.log(age) - X @ beta)
            drawn = log_hazard * (1 + by_shape) + by_scale
            average[:, position] = -np.expm1(-np.exp(np.minimum(drawn, 50.0)) - start) @ share
    return average


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
            "meaning": [_term_meaning(name) for name in fit.fitted.names],
            "estimate": fit.fitted.coef,
            "standard_error": error,
            "estimate_lower": fit.fitted.coef - 1.96 * error,
            "estimate_upper": fit.fitted.coef + 1.96 * error,
        }
    )


_PLAIN_MEANINGS = {
    "scale: all": "log of the age [years] by which 63 % of average pipe has failed",
    "scale: depth": "per foot deeper; above 0 it lasts longer [log years]",
    "scale: expansive": "in expansive clay soil; below 0 it fails sooner [log years]",
    "scale: tree": "with a large tree near; below 0 it fails sooner [log years]",
    "shape: all": "log of how steeply failure comes with age; above 0 it is wear-out",
    "start: all": "log odds that average pipe is bad from the day of laying",
}


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
        return f"{words} laid {era_words(era)} against other {words}; above 0 it lasts longer [log years]"
    return f"{words} against all pipe; above 0 it lasts longer [log years]"


def era_words(era: str) -> str:
    """Return an era code as words for people."""
    if era == "before_1940":
        return "before 1940"
    if era == "1980_on":
        return "from 1980 on"
    return era.replace("_", " to ")

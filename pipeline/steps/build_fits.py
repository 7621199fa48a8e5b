"""What everything published rests on: what fits take in, the law of life, and a fit of each outcome."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.progress import Progress
from pipeline.settings import Settings
from pipeline.steps.fit_curves import curves
from pipeline.steps.fit_input import Exposure, read_exposure
from pipeline.steps.fit_regression import (
    OutcomeFit,
    fit_outcome,
    fitted_curves,
    fitted_groups,
    look_counts,
    outcome_row,
)
from pipeline.steps.fit_terms import regression_terms
from pipeline.steps.side_by_side import fitting_threads
from pipeline.steps.validate_areas import judge_areas
from pipeline.steps.validate_fit import validate
from pipeline.steps.validate_sizes import judge_sizes, told_of_sizes
from pipeline.vocabulary import Outcome
from pipeline.warehouse import Warehouse

#: Outcomes in the order in which their fits begin: that of any failure takes longest, and needs the one of bellies.
BEGUN = tuple(
    outcome.value for outcome in (Outcome.GRADE, Outcome.STRUCTURAL, Outcome.ANY, Outcome.ROOTS_JOINTS)
)

#: A fit, if anything still asks for it, and its published tables.
_Made = tuple[OutcomeFit | None, dict[str, pl.DataFrame]]


@dataclass(frozen=True, slots=True)
class Fits:
    """The fit that scores rest on, and what was published on the way.

    Attributes
    ----------
    exposure : Exposure
        Lives and looks with what fits take in.
    default : OutcomeFit
        Fit of the default outcome.
    tables : dict of str to DataFrame
        Published tables; of `local_effects` the row that says whether scores take areas in.
    """

    exposure: Exposure
    default: OutcomeFit
    tables: dict[str, pl.DataFrame]


def choose_and_fit(warehouse: Warehouse, settings: Settings, progress: Progress) -> Fits:
    """Let looks that are left out choose what fits take in and the law of life; then fit every outcome.

    Parameters
    ----------
    warehouse : Warehouse
        Exposed.
    settings : Settings
        Detection rates, seed, default outcome.
    progress : callable
    """
    outcome = settings.default_outcome
    intervals = warehouse.frame("FROM exposure.intervals ORDER BY life_id, outcome")
    sizes = judge_sizes(read_exposure(warehouse, settings), outcome, settings, progress)
    found = validate(sizes.exposure, outcome, settings, progress)
    areas = judge_areas(sizes.exposure, outcome, settings, found.law, progress)
    default, tables = _fit_all(sizes.exposure, intervals, areas.settings(settings), found.law, progress)
    tables |= found.tables
    tables["laws_tried"] = told_of_sizes(found.tables["laws_tried"], sizes)
    tables["local_effects"] = areas.table
    return Fits(sizes.exposure, default, tables)


def _fit_all(
    exposure: Exposure,
    intervals: pl.DataFrame,
    settings: Settings,
    law: str,
    progress: Progress,
) -> tuple[OutcomeFit, dict[str, pl.DataFrame]]:
    """Fit every outcome; return the fit of the default one, and the tables of all.

    Each has its own stream of draws, so that one does not move the others. The other fits are let go: in a large
    town each takes a gigabyte.
    """
    codes = Outcome.codes()
    streams = dict(zip(codes, np.random.SeedSequence(settings.seed).spawn(len(codes)), strict=True))

    def work(outcome: str, bellies: Future[_Made] | None) -> _Made:
        before = None if bellies is None else bellies.result()[0]
        fit = fit_outcome(exposure, outcome, settings, np.random.default_rng(streams[outcome]), law, before)
        is_kept = outcome in (Outcome.GRADE.value, settings.default_outcome)
        return fit if is_kept else None, _tables(fit, exposure, intervals, settings)

    begun: dict[str, Future[_Made]] = {}
    with fitting_threads(exposure.looks.height) as threads:
        for outcome in BEGUN:
            bellies = begun[Outcome.GRADE.value] if outcome == Outcome.ANY.value else None
            begun[outcome] = threads.submit(work, outcome, bellies)
        for outcome in BEGUN:
            progress(f"Regression and curves: {outcome.replace('_', ' ')}")
            begun[outcome].result()
    default = begun[settings.default_outcome].result()[0]
    assert default is not None
    made = [begun[outcome].result()[1] for outcome in codes]
    return default, {
        name: pl.concat([part[name] for part in made], how="diagonal_relaxed") for name in made[0]
    }


def _tables(
    fit: OutcomeFit, exposure: Exposure, intervals: pl.DataFrame, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Published tables of one outcome."""
    groups, lines = curves(exposure.lives, fit.looks, intervals, fit.outcome, settings)
    fitted = fitted_groups(fit, settings)
    return {
        "curve_groups": groups,
        "curves": lines,
        "outcomes": outcome_row(fit),
        "fitted_groups": fitted,
        "fitted_curves": fitted_curves(fit, fitted),
        "look_counts": look_counts(fit),
        "regression_terms": regression_terms(fit),
    }

"""From loaded records to a published generation: exposure, curves, regression, scores, areas, publish.

The same records, settings and seed give the same tables.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import read_assumptions, write_own_copy
from pipeline.errors import FitError
from pipeline.exports import do_not_contact
from pipeline.memory import give_back, keep_little, put_away
from pipeline.progress import Progress, silent
from pipeline.published import contract
from pipeline.published.write import empty, publish
from pipeline.settings import Settings, Workspace
from pipeline.steps.budget_publish import publish_budgets
from pipeline.steps.build_fits import Fits, choose_and_fit
from pipeline.steps.build_lots import lot_segments, lots_and_reasons, years_of_lines
from pipeline.steps.build_places import area_places, place_lots
from pipeline.steps.build_records import state_of_records
from pipeline.steps.canvass import canvass_areas
from pipeline.steps.compare_builds import compare
from pipeline.steps.connections import has_connections, rank_connections
from pipeline.steps.connections_rules import Consequences, consequences
from pipeline.steps.degrees import lot_degrees
from pipeline.steps.expose import ExposeReport, expose
from pipeline.steps.fit_areas import newest_looks, observed_and_expected, subdivision_scores
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import CURVE_LEVEL, OUTCOME_MEANINGS, OutcomeFit
from pipeline.steps.fit_scores import SCORE_LEVEL, Scores, score_lines, score_unseen
from pipeline.steps.group_looks import look_groups, look_histories
from pipeline.steps.map_sewers import sewers_on_map
from pipeline.steps.places import make_places
from pipeline.warehouse import Warehouse, open_warehouse, sql_text

Frames = dict[str, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class BuildReport:
    """What a build made.

    Attributes
    ----------
    generation : str
        Name of the published generation.
    run_id : str
        Same records, settings and seed give the same.
    seed : int
        Seed of all draws.
    n_lots, n_scored : int
        Lots on record, and those with a score.
    n_curves, n_refused : int
        Fitted curves that were drawn, and those refused for want of records.
    seconds : float
        Time it took [s].
    """

    generation: str
    run_id: str
    seed: int
    n_lots: int
    n_scored: int
    n_curves: int
    n_refused: int
    seconds: float


def build(workspace: Workspace, *, progress: Progress = silent) -> BuildReport:
    """Build everything from what is loaded, and publish it.

    Parameters
    ----------
    workspace : Workspace
        With a warehouse that holds at least one inspection.
    progress : callable
        Told one short sentence, with the elapsed time, at the start of each stage.

    Raises
    ------
    UnderlotError
        Nothing is loaded, a setting or rule is impossible, or the warehouse or the published folder cannot
        be written. What was published before stays.
    """
    started = time.monotonic()

    def tell(text: str) -> None:
        give_back()
        progress(f"[{time.monotonic() - started:6.1f} s] {text}")

    keep_little()
    settings = workspace.settings()
    if not workspace.warehouse.exists():
        raise FitError("Nothing is loaded yet. Load a file with `underlot load FILE` first.")
    with open_warehouse(workspace) as warehouse:
        if warehouse.frame("SELECT count(*) AS n FROM core.inspections")["n"][0] == 0:
            raise FitError("No inspection is loaded yet. Load a file with `underlot load FILE` first.")

        def tell_on(text: str) -> None:
            warehouse.give_back()
            tell(text)

        report = expose(warehouse, settings, progress=tell)
        frames, manifest = make_tables(warehouse, settings, report, progress=tell_on)
    tell("Comparing with the build before")
    frames |= compare(workspace, frames)
    tell("Publishing")
    generation = publish(workspace.published, frames, manifest)
    lots, groups = frames["lots"], frames["fitted_groups"]
    n_curves = groups.filter(pl.col("status") == contract.STATUS_OK).height
    return BuildReport(
        generation=generation,
        run_id=str(manifest["run_id"]),
        seed=settings.seed,
        n_lots=lots.height,
        n_scored=lots.filter(pl.col("status") == contract.STATUS_OK).height,
        n_curves=n_curves,
        n_refused=groups.height - n_curves,
        seconds=time.monotonic() - started,
    )


def make_tables(
    warehouse: Warehouse, settings: Settings, report: ExposeReport, *, progress: Progress = silent
) -> tuple[Frames, dict[str, Any]]:
    """Make every published table from an exposed warehouse, and the manifest's content."""
    # Read first: a mistake in a file must not come to light after minutes of fitting.
    rules = consequences(warehouse.workspace)
    addresses = warehouse.frame("SELECT lot_id, address FROM core.lots")
    held_back = do_not_contact(warehouse.workspace, addresses).lots
    write_own_copy(warehouse.workspace)
    assumptions = read_assumptions(warehouse.workspace)
    frames: Frames = {name: empty(table) for name, table in contract.TABLES.items()}
    frames |= _put_away(state_of_records(warehouse), warehouse)
    fits = choose_and_fit(warehouse, settings, progress)
    fit, exposure = fits.default, fits.exposure
    frames |= fits.tables
    recorded = warehouse.frame(sql_text("published/lots"))
    frames["look_groups"] = look_groups(exposure, recorded)
    frames["look_histories"] = look_histories(exposure, recorded)
    lots = _placed(warehouse, recorded)
    years = years_of_lines(warehouse.frame(sql_text("published/lives_in_use")), exposure)
    # The draws of a large town's lines are gigabytes: they end with this call.
    frames |= _scored_tables(
        warehouse, fits, lots, years, frames["lot_inspections"], rules, held_back, settings, progress
    )
    frames |= sewers_on_map(warehouse, recorded, frames["connections"])
    progress("Looking for hot spots")
    places = _put_away(make_places(warehouse, fit, exposure, lots, settings), warehouse)
    frames |= places
    frames["local_effects"] = pl.concat(
        [fits.tables["local_effects"], places["local_effects"]], how="vertical_relaxed"
    )
    frames["unit_costs"] = warehouse.frame(sql_text("published/unit_costs"))
    progress("Budgets")
    frames |= _put_away(
        publish_budgets(fit, exposure, settings, assumptions, frames, progress=progress), warehouse
    )
    files = warehouse.frame(sql_text("published/input_files"))
    run_id = _run_id(files, settings, report)
    frames["run"] = _run_row(run_id, exposure, settings, frames).with_columns(
        n_segments_by_like_pipe=pl.lit(years["n_like_pipe"].sum()),
        n_undated_segments=pl.lit(years["n_untold"].sum()),
    )
    return frames, _manifest(run_id, files, settings, report)


def _put_away(frames: Frames, warehouse: Warehouse) -> Frames:
    """Tables that are finished, but are asked for once more at most before they are published."""
    return {name: put_away(frame, warehouse.workspace.root) for name, frame in frames.items()}


def _placed(warehouse: Warehouse, recorded: pl.DataFrame) -> pl.DataFrame:
    """Lots with their places and flags."""
    flags = warehouse.frame(sql_text("published/lot_flags"))
    return (
        place_lots(recorded)
        .join(lot_degrees(recorded), on="lot_id", how="left")
        .join(flags, on="lot_id", how="left")
        .with_columns(
            pl.col("has_foreign_line").fill_null(False), pl.col("tells_own_results").fill_null(True)
        )
    )


def _scored_tables(
    warehouse: Warehouse,
    fits: Fits,
    lots: pl.DataFrame,
    years: pl.DataFrame,
    inspections: pl.DataFrame,
    rules: Consequences,
    held_back: frozenset[str],
    settings: Settings,
    progress: Progress,
) -> Frames:
    """Make the tables that rest on the draws of each line's chance."""
    progress("Scoring every line")
    fit, exposure = fits.default, fits.exposure
    with_members = has_connections(warehouse)
    newest = newest_looks(fit, exposure) if fit.is_ok else _nothing_expected()
    dated = lots.join(years.filter(pl.col("n_untold") > 0), on="lot_id", how="anti")
    dated_exposure = _only_lots(exposure, dated)
    scores = _score(fit, dated_exposure, dated, newest, settings, with_members=with_members)
    made: Frames = {"lot_segments": lot_segments(exposure, scores)}
    made["lots"], made["lot_reasons"] = lots_and_reasons(
        lots, made["lot_segments"], inspections, newest, years, fit, scores, settings
    )
    made = _put_away(made, warehouse)
    scores = None if scores is None else scores.without_later()
    if with_members:
        progress("Ranking connections")
        rng = np.random.default_rng([settings.seed, 7])
        made |= _put_away(
            rank_connections(warehouse, fit, dated_exposure, scores, made["lots"], rules, rng=rng), warehouse
        )
    scores = None if scores is None else scores.without_members()
    made["canvass_areas"], made["canvass_lots"] = canvass_areas(made["lots"], scores, held_back, settings)
    progress("Comparing blocks and subdivisions")
    return made | _areas(lots, made["lots"], newest, scores, settings)


def _manifest(run_id: str, files: pl.DataFrame, settings: Settings, report: ExposeReport) -> dict[str, Any]:
    return {
        "run_id": run_id,
        "built_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "seed": settings.seed,
        "verdict_rules": report.rule_version,
        "files": files.drop("map_toml").to_dicts(),
        "settings": settings.to_toml(),
    }


def _only_lots(exposure: Exposure, lots: pl.DataFrame) -> Exposure:
    return replace(exposure, lives=exposure.lives.join(lots, on="lot_id", how="semi"))


def _nothing_expected() -> pl.DataFrame:
    return pl.DataFrame(schema={"lot_id": pl.String, "is_bad": pl.Boolean, "expected": pl.Float64})


def _score(
    fit: OutcomeFit,
    exposure: Exposure,
    lots: pl.DataFrame,
    newest: pl.DataFrame,
    settings: Settings,
    *,
    with_members: bool,
) -> Scores | None:
    if not fit.is_ok or exposure.lives.is_empty():
        return None
    # A stream beside those of the outcomes.
    rng = np.random.default_rng([settings.seed, 1])
    lines = score_lines(fit, exposure, settings, with_members=with_members)
    return score_unseen(lines, lots, newest, settings, rng)


def _areas(
    placed: pl.DataFrame,
    lots: pl.DataFrame,
    newest: pl.DataFrame,
    scores: Scores | None,
    settings: Settings,
) -> Frames:
    blocks = observed_and_expected("block", lots, newest, settings)
    means = lots.group_by("block").agg(
        mean_failure_probability=pl.col("failure_probability").mean(),
        subdivision=pl.col("subdivision").drop_nulls().mode().sort().first(),
    )
    blocks = blocks.join(means, on="block", how="left").join(
        area_places(placed, "block"), on="block", how="left"
    )
    tracts = observed_and_expected("subdivision", lots, newest, settings)
    years = lots.group_by("subdivision").agg(
        year_built_from=pl.col("year_built").min(), year_built_to=pl.col("year_built").max()
    )
    tracts = tracts.join(years, on="subdivision", how="left").join(
        area_places(placed, "subdivision").drop("outline_wkt"), on="subdivision", how="left"
    )
    summary, counts = subdivision_scores(scores, lots)
    tracts = tracts.join(summary, on="subdivision", how="left").with_columns(pl.col("n_scored").fill_null(0))
    return {
        "blocks": blocks,
        "subdivisions": tracts.drop("observed_share"),
        "subdivision_counts": counts,
    }


def _run_id(files: pl.DataFrame, settings: Settings, report: ExposeReport) -> str:
    parts = [str(contract.CONTRACT_VERSION), settings.to_toml(), report.rule_version]
    parts += [f"{row['sha256']} {row['map_toml']}" for row in files.iter_rows(named=True)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def _run_row(
    run_id: str, exposure: Exposure, settings: Settings, frames: Mapping[str, pl.DataFrame]
) -> pl.DataFrame:
    rows = dict(frames["record_counts"].select("table_name", "n_rows").iter_rows())
    judged = frames["lot_inspections"].filter(pl.col("is_bad").is_not_null())
    return pl.DataFrame(
        {
            "run_id": run_id,
            "built_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
            "contract_version": contract.CONTRACT_VERSION,
            "town_name": settings.town,
            "is_synthetic": settings.is_synthetic,
            "seed": settings.seed,
            "n_draws": settings.n_draws,
            "default_outcome": settings.default_outcome,
            "failure_definition": f"Failed means: {OUTCOME_MEANINGS[settings.default_outcome]}.",
            "as_of_year": exposure.as_of.year,
            "as_of_source": exposure.as_of.source,
            "horizon_years": float(settings.holding_period_years),
            "curve_level": CURVE_LEVEL,
            "score_level": SCORE_LEVEL,
            "n_lots": rows["lots"],
            "n_segments": rows["segments"],
            "n_inspections": rows["inspections"],
            "n_lots_inspected": judged["lot_id"].n_unique(),
            "n_lives": exposure.lives.height,
            "n_looks": exposure.looks.height,
            "n_looks_selected": int(exposure.looks["is_selected"].sum()),
            "min_lives": settings.min_lives,
            "min_events": settings.min_events,
            "min_area_inspections": settings.min_area_inspections,
            "min_area_events": settings.min_area_events,
            "settings_toml": settings.to_toml(),
        }
    )

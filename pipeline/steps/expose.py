"""From the records to lives, looks and intervals, and the list of contradictions; one transaction.

The order of the SQL files is the order of thought: clocks of each lot, descriptions of each line, works that
end a life, lives, then what each look saw of each life.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb

from pipeline.progress import Progress, silent
from pipeline.settings import Settings
from pipeline.steps.check_records import find_contradictions
from pipeline.steps.staging import COUNTER_SLIP_FT
from pipeline.verdicts import material_years, store_rules, verdict_rules
from pipeline.warehouse import Warehouse, run_sql

#: A pipe this much younger than its house is not the house's first pipe [years]; judgement: building takes time.
FORERUNNER_GAP_YEARS = 3.0

#: A clean-out stands a few feet from the foundation (common practice); that much unseen pipe does not make a
#: segment unseen [ft].
BUILDING_SLIP_FT = 5.0

STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("decimal_year", ()),
    ("lot_clocks", ()),
    ("inspection_times", ("selected_purposes",)),
    ("described_segments", ()),
    ("segment_extents", ()),
    ("ending_works", ()),
    ("placed_segments", ()),
    ("described_versions", ()),
    ("life_stems", ()),
    ("life_installs", ("as_of",)),
    ("life_spans", ("gap_years",)),
    ("lives", ()),
    ("finding_verdicts", ("rule_version",)),
    ("segment_looks", ("building_slip_ft", "counter_slip_ft")),
    ("finding_places", ()),
    ("bad_stations", ()),
    ("looks", ("rule_version",)),
    ("line_looks", ()),
    ("intervals", ()),
)

#: What is said before the first file of a stage.
STAGES = {
    "lot_clocks": "Working out the lives of each line",
    "finding_verdicts": "Judging findings by the verdict rules",
    "segment_looks": "Working out what each look saw",
    "intervals": "Bounding the ages of failure",
}

COUNTED = ("lives", "looks", "line_looks", "intervals")


@dataclass(frozen=True, slots=True)
class ExposeReport:
    """How much there is to fit.

    Attributes
    ----------
    n_lives, n_looks, n_line_looks, n_intervals : int
        Rows of the exposure tables.
    rule_version : str
        Version of the verdict rules in force.
    """

    n_lives: int
    n_looks: int
    n_line_looks: int
    n_intervals: int
    rule_version: str


def expose(warehouse: Warehouse, settings: Settings, *, progress: Progress = silent) -> ExposeReport:
    """Rebuild schema exposure and `records.findings_on_records` from core.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing; its workspace's own rules apply where it has any.
    settings : Settings
        `selected_purposes` and `as_of` are used.
    progress : callable
        Told one short sentence at the start of each stage.

    Raises
    ------
    SettingsError
        A rule says something impossible.
    WarehouseError
        The tables could not be written; the old ones stand.
    """
    rules = verdict_rules(warehouse.workspace)
    years = material_years(warehouse.workspace)
    with warehouse.transaction() as con:
        store_rules(con, rules)
        con.register("material_years", years)
        values: dict[str, Any] = {
            "selected_purposes": list(settings.selected_purposes),
            "as_of": as_of_year(con, settings.as_of),
            "rule_version": rules.version,
            "gap_years": FORERUNNER_GAP_YEARS,
            "building_slip_ft": BUILDING_SLIP_FT,
            "counter_slip_ft": COUNTER_SLIP_FT,
        }
        for name, wanted in STEPS:
            if name in STAGES:
                progress(STAGES[name])
            run_sql(con, f"exposure/{name}", {key: values[key] for key in wanted} or None)
        progress("Looking for contradictions")
        find_contradictions(con, values)
        counts = {f"n_{name}": run_sql(con, "core/count", table=f"exposure.{name}") for name in COUNTED}
    return ExposeReport(rule_version=rules.version, **counts)


def as_of_year(con: duckdb.DuckDBPyConnection, as_of: date | None) -> float:
    """Return the day for which all holds, as a decimal year: as set, else that of the newest record."""
    if as_of is None:
        newest = con.execute(
            "SELECT greatest((SELECT max(inspection_date) FROM core.inspections), (SELECT max(works_date) FROM core.works))"
        ).fetchall()[0][0]
        as_of = newest or date.today()
    return as_of.year + (as_of.timetuple().tm_yday - 1) / 365.25

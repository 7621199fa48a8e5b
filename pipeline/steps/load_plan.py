"""Which column map a file is loaded with: a given one, one saved earlier, or one proposed from its headers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline import readers
from pipeline.column_map import ColumnMap, Proposal, propose
from pipeline.columns import LAYOUTS
from pipeline.errors import SettingsError
from pipeline.readers.raw import RawRows
from pipeline.settings import Workspace

#: Tables on which others lean come first; a sheet of jobs brings its own lots.
LOAD_ORDER = (
    "lots",
    "jobs",
    "segments",
    "inspections",
    "findings",
    "works",
    "mains",
    "manholes",
    "connections",
    "unit_costs",
)
SAMPLES_SHOWN = 3


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """One file and the map it would be loaded with.

    Attributes
    ----------
    path : Path
        The file.
    column_map : ColumnMap
        Given or proposed.
    proposal : Proposal or None
        None where the map was given.
    raw : RawRows
        The file's rows.
    """

    path: Path
    column_map: ColumnMap
    proposal: Proposal | None
    raw: RawRows


@dataclass(frozen=True, slots=True)
class MapLine:
    """One line of a proposed map, for people: their header, our column, the unit, and some values."""

    header: str
    column: str
    unit: str
    sample: str


def read_by(column_map: ColumnMap, path: Path) -> RawRows:
    """Read a file as its map says: sheet, row of headers, delimiter and grid."""
    return readers.read(
        path,
        sheet=column_map.sheet,
        header_row=column_map.header_row,
        delimiter=column_map.delimiter,
        grid=column_map.grid,
    )


def plan_load(
    path: Path,
    *,
    column_map: ColumnMap | None = None,
    layout: str | None = None,
    sheet: str | None = None,
) -> LoadPlan:
    """Read a file and decide on its map.

    Parameters
    ----------
    path : Path
        The file.
    column_map : ColumnMap, optional
        A map given by the user; else one is proposed.
    layout : str, optional
        Layout for the proposal.
    sheet : str, optional
        Sheet of a workbook; overrides the map's.

    Raises
    ------
    UnderlotError
        The file cannot be read, the layout does not exist, or no header means anything to us.
    """
    if column_map is not None:
        if sheet is not None:
            column_map = replace(column_map, sheet=sheet)
        raw = read_by(column_map, path)
        return LoadPlan(path, column_map, None, raw)
    if layout is not None and layout not in LAYOUTS:
        raise SettingsError(f"--layout {layout}: no such layout. Use one of: {', '.join(LAYOUTS)}.")
    raw = readers.read(path, sheet=sheet)
    proposal = propose(raw, layout=layout)
    return LoadPlan(path, proposal.map, proposal, raw)


def in_order(plans: Sequence[LoadPlan]) -> list[LoadPlan]:
    """Sort plans so that what others lean on is loaded first."""
    return sorted(plans, key=lambda plan: LOAD_ORDER.index(plan.column_map.layout))


def map_lines(plan: LoadPlan) -> list[MapLine]:
    """Lay a map out for people, in the order of the contract's columns."""
    table = LAYOUTS[plan.column_map.layout]
    lines = []
    for name in table.by_name:
        rule = plan.column_map.columns.get(name)
        if rule is None:
            continue
        header = " + ".join(rule.headers) if rule.headers else f"(always {rule.value})"
        unit = rule.unit or ", ".join(rule.formats)
        lines.append(MapLine(header, name, unit, _sample(plan.raw, rule.headers)))
    return lines


def _sample(raw: RawRows, headers: Sequence[str]) -> str:
    if not headers:
        return ""
    values = raw.column(headers[0]).drop_nulls().str.strip_chars()
    distinct = values.filter(values != "").unique(maintain_order=True).head(SAMPLES_SHOWN)
    return " | ".join(value[:24] for value in distinct)


def save_map(workspace: Workspace, plan: LoadPlan) -> Path:
    """Keep the map of an accepted load in the workspace, named for the file; return its path.

    A map of that name that says something else may be the user's own work: it stays, and the new one is numbered.

    Raises
    ------
    SettingsError
        It cannot be written.
    """
    text = plan.column_map.to_toml()
    path = workspace.maps / f"{plan.path.stem}.toml"
    try:
        workspace.maps.mkdir(parents=True, exist_ok=True)
        number = 1
        while path.exists() and path.read_bytes() != text.encode():
            number += 1
            path = workspace.maps / f"{plan.path.stem}_{number}.toml"
        path.write_bytes(text.encode())
    except OSError as exc:
        raise SettingsError(
            f"{path}: the rows are loaded, but the map cannot be saved ({exc.strerror}). Check the folder and load again."
        ) from exc
    return path

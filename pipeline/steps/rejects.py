"""Rejected rows written out as given, to be mended and loaded again with the same map."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.column_map import ColumnMap
from pipeline.columns import LAYOUTS
from pipeline.errors import SettingsError
from pipeline.formulas import REASON_HEADER, ROW_HEADER, guarded
from pipeline.settings import Workspace
from pipeline.warehouse import Warehouse, open_warehouse, sql_text
from pipeline.whole_files import write_whole

#: Shown beside rows that were taken, but belong to a group that is replaced as a whole.
COMPANION = "taken already; keep it beside the others"


@dataclass(frozen=True, slots=True)
class RejectExport:
    """What was written.

    Attributes
    ----------
    load_id : int
        The load whose rejects these are.
    file_name : str
        The file they came from.
    n_rejected : int
        Rejected rows written.
    n_companions : int
        Rows that were taken, written beside them because they are replaced together.
    n_unreadable : int
        Rejected rows that could not be laid under the headers, so that they cannot be written.
    """

    load_id: int
    file_name: str
    n_rejected: int
    n_companions: int
    n_unreadable: int


def export_rejects(workspace: Workspace, path: Path, *, load_id: int | None = None) -> RejectExport:
    """Write one load's rejected rows under their own headers, with the reasons in two more columns.

    Parameters
    ----------
    workspace : Workspace
        Where the file was loaded.
    path : Path
        `.csv` or `.xlsx`; replaced whole.
    load_id : int, optional
        None means the newest load that has rejects.

    Raises
    ------
    SettingsError
        There are no rejects that can be written, the file's ending is another, or it cannot be written.
    WarehouseError
        The warehouse cannot be read.
    """
    if path.suffix.lower() not in {".csv", ".xlsx"}:
        raise SettingsError(
            f"{path.name}: rejected rows are written as .csv or .xlsx. Choose one of these endings."
        )
    with open_warehouse(workspace, read_only=True) as warehouse:
        load = _find_load(warehouse, load_id)
        column_map = ColumnMap.from_toml(load["map_toml"], name=load["map_name"])
        headers = warehouse.frame(
            "SELECT header FROM landing.headers WHERE load_id = ? ORDER BY position", (load["load_id"],)
        )["header"].to_list()
        rows = _rows_to_mend(warehouse, load["load_id"], column_map, headers)
        n_faulty = warehouse.frame(
            "SELECT count(DISTINCT source_row) AS n FROM records.rejects WHERE load_id = ?",
            (load["load_id"],),
        )["n"][0]
    if rows.is_empty():
        msg = (
            f"{load['file_name']}: none of its {n_faulty} rejected rows can be laid under its headers, "
            "so they cannot be written out. Correct them in the file itself and load it again."
        )
        raise SettingsError(msg)
    title = f"Rows of {load['file_name']} that were not taken"
    lines = _lines(rows, headers, title, column_map)
    write_whole(
        path, _as_csv(lines, column_map) if path.suffix.lower() == ".csv" else _as_workbook(lines, column_map)
    )
    n_rejected = rows["reason"].count()
    return RejectExport(
        load_id=load["load_id"],
        file_name=load["file_name"],
        n_rejected=n_rejected,
        n_companions=rows.height - n_rejected,
        n_unreadable=n_faulty - n_rejected,
    )


def _find_load(warehouse: Warehouse, load_id: int | None) -> dict[str, Any]:
    found = warehouse.frame(
        """
        SELECT load_id, file_name, map_name, map_toml FROM records.loads
        WHERE n_rejected > 0 AND load_id = coalesce(?, load_id)
        ORDER BY load_id DESC LIMIT 1
        """,
        (load_id,),
    )
    if not found.height:
        which = "any load" if load_id is None else f"load {load_id}"
        raise SettingsError(f"There are no rejected rows of {which}, so there is nothing to write.")
    return found.row(0, named=True)


def _rows_to_mend(
    warehouse: Warehouse, load_id: int, column_map: ColumnMap, headers: list[str]
) -> pl.DataFrame:
    layout = LAYOUTS[column_map.layout]
    group = [
        f"g.c{headers.index(header) + 1}"
        for name in layout.replaced_by
        if name in column_map.columns
        for header in column_map.columns[name].headers
    ]
    query = sql_text("core/rejected_rows", group=", ".join(group) or "''", load=f"{load_id:06d}")
    values = {"load_id": load_id, "keeps_groups": layout.replaced_by != layout.key}
    return warehouse.frame(query, values)


def _lines(rows: pl.DataFrame, headers: list[str], title: str, column_map: ColumnMap) -> list[list[str]]:
    # The map may say in which line the headers stand; the new file has them there, too.
    header_row = column_map.header_row or 1
    above = [[title], *([[""]] * (header_row - 2))] if header_row > 1 else []
    cells = rows.with_columns(
        pl.col("reason").fill_null(COMPANION), pl.exclude("reason").cast(pl.String).fill_null("")
    )
    body = [[*line[1:-1], line[0], line[-1]] for line in cells.rows()]
    return [*above, [*headers, ROW_HEADER, REASON_HEADER], *body]


def _as_csv(lines: list[list[str]], column_map: ColumnMap) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=column_map.delimiter or ",", lineterminator="\n")
    writer.writerows([guarded(cell) for cell in line] for line in lines)
    return text.getvalue().encode("utf-8")


def _as_workbook(lines: list[list[str]], column_map: ColumnMap) -> bytes:
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as book:
        sheet = book.add_worksheet(column_map.sheet or "Rejected rows")
        for row, line in enumerate(lines):
            for column, cell in enumerate(line):
                # As text: a parcel number keeps its zeros, a date its spelling, and nothing is a formula. An
                # apostrophe of its own is kept from the reader, which takes one from cells like those of the CSV.
                sheet.write_string(row, column, guarded(cell) if cell.startswith("'") else cell)
    return file.getvalue()

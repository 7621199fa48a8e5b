"""The rows of one file on their way into core: repeats, checks against what is on record, superseding.

Every method is set-based SQL on a connection whose transaction `steps.load` owns.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb
import polars as pl

from pipeline.columns import JOBS, TABLES, Table
from pipeline.warehouse import register_frame, run_sql, sql_text

#: Cable counters slip by a foot or two (common practice), so a finding that far past the end is taken.
COUNTER_SLIP_FT = 2.0

#: What one row of the one-row-per-inspection sheet is split into.
JOBS_TABLES = ("lots", "inspections", "segments")

#: (table, column, parent table, parent's key, word for people)
PARENTS = (
    ("segments", "lot_id", "lots", "lot_id", "lot"),
    ("segments", "observed_by", "inspections", "inspection_id", "inspection"),
    ("inspections", "lot_id", "lots", "lot_id", "lot"),
    ("findings", "inspection_id", "inspections", "inspection_id", "inspection"),
    ("works", "lot_id", "lots", "lot_id", "lot"),
    ("connections", "lot_id", "lots", "lot_id", "lot"),
)


def _listed(columns: tuple[str, ...], prefix: str = "") -> str:
    return ", ".join(f"{prefix}{column}" for column in columns)


def _matching(columns: tuple[str, ...], left: str, right: str) -> str:
    """Equality of keys; an empty part of a key equals an empty part."""
    return " AND ".join(f"{left}.{column} IS NOT DISTINCT FROM {right}.{column}" for column in columns)


def _names(table: Table) -> tuple[str, ...]:
    return tuple(column.name for column in table.columns)


class Staging:
    """The accepted frames of one file, as views `stage_<table>`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        Inside the load's transaction.
    frames : mapping of str to polars.DataFrame
        Canonical table name to typed frame with `source_row`.
    layout : str
        Layout of the file; "jobs" brings lots, inspections and segments from each row.
    load_id : int
        Written into every row.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, frames: Mapping[str, pl.DataFrame], layout: str, load_id: int
    ) -> None:
        self.con = con
        self.is_jobs = layout == JOBS.name
        self.load_id = load_id
        names = JOBS_TABLES if self.is_jobs else (layout,)
        self.tables = tuple(TABLES[name] for name in names)
        #: The table whose key tells the file's rows apart.
        self.main = TABLES["inspections"] if self.is_jobs else TABLES[layout]
        self.n_superseded = 0
        run_sql(con, "core/dropped")
        for table in self.tables:
            register_frame(con, f"stage_{table.name}", _ready(frames[table.name]))
        if self.main.name == "findings" and frames["findings"]["number"].null_count():
            self._number_findings()

    def _number_findings(self) -> None:
        content = [name for name in _names(TABLES["findings"]) if name not in {"inspection_id", "number"}]
        run_sql(self.con, "core/stage_findings_numbered", content=", ".join(content))
        self._replace("findings", "stage_findings_numbered")

    def _replace(self, table: str, by: str) -> None:
        self.con.execute(f"DROP VIEW stage_{table}")
        self.con.execute(f"CREATE TEMP VIEW stage_{table} AS FROM {by}")

    def check(self) -> None:
        """Find repeats within the file and rows that cannot be true beside what is on record; drop them."""
        self._drop_repeats()
        self._drop_orphans()
        if self.main.name == "findings":
            run_sql(self.con, "core/dropped_beyond_end", {"slip_ft": COUNTER_SLIP_FT})
        if self.is_jobs:
            run_sql(self.con, "core/dropped_before_install_jobs")
        if self.main.name == "inspections" and not self.is_jobs:
            run_sql(self.con, "core/dropped_before_install")
        if self._count("dropped"):
            for table in self.tables:
                run_sql(self.con, "core/stage_kept", table=table.name)
                self._replace(table.name, f"stage_{table.name}_kept")

    def _drop_repeats(self) -> None:
        table, key = self.main.name, self.main.key
        run_sql(self.con, "core/repeated_keys", table=table, key=_listed(key))
        if not self._count("repeated_keys"):
            return
        content = f"row({_listed(_names(self.main), 's.')})"
        if self.is_jobs:
            columns = tuple(name for name in _names(TABLES["segments"]) if name != "observed_by")
            content = sql_text("core/job_content", content=content, columns=_listed(columns, "g."))
        run_sql(
            self.con,
            "core/repeated_rows",
            table=table,
            key=_listed(key),
            s_key=_listed(key, "s."),
            s_matches_r=_matching(key, "s", "r"),
            content=content,
        )
        run_sql(self.con, "core/dropped_repeats", {"table_name": table, "column_name": ", ".join(key)})

    def _drop_orphans(self) -> None:
        for table, column, parent, parent_key, word in PARENTS:
            if table == self.main.name and not self.is_jobs:
                run_sql(
                    self.con,
                    "core/dropped_orphans",
                    {"table_name": table, "column_name": column, "parent_word": word},
                    table=table,
                    column=column,
                    parent=parent,
                    parent_key=parent_key,
                )

    def store(self) -> None:
        """Put the rows into core: new ones in, changed ones in place of the old, equal ones left alone."""
        if self.is_jobs:
            self._merge_lots()
        for table in self.tables:
            self._store_table(table)

    def _merge_lots(self) -> None:
        others = tuple(name for name in _names(TABLES["lots"]) if name != "lot_id")
        run_sql(
            self.con,
            "core/stage_lots_merged",
            newest_values=", ".join(
                f"arg_max({name}, newest) FILTER ({name} IS NOT NULL) AS {name}" for name in others
            ),
            merged_or_recorded=", ".join(f"coalesce(m.{name}, c.{name}) AS {name}" for name in others),
        )
        run_sql(
            self.con,
            "core/lots_superseded_in_file",
            {"load_id": self.load_id},
            l_columns=_listed(_names(TABLES["lots"]), "l."),
        )
        self._replace("lots", "stage_lots_merged")

    def _store_table(self, table: Table) -> None:
        name, columns = table.name, _names(table)
        values = {"load_id": self.load_id}
        run_sql(
            self.con,
            "core/unchanged",
            table=name,
            s_key=_listed(table.key, "s."),
            s_matches_c=_matching(table.key, "s", "c"),
            s_columns=_listed(columns, "s."),
            c_columns=_listed(columns, "c."),
        )
        is_first = not self._count(f"(FROM core.{name} LIMIT 1)")
        if self.is_jobs or not is_first:
            self._set_aside(table)
        inserting = {"table": name, "columns": _listed(columns, "s.")}
        if is_first:
            run_sql(self.con, "core/insert_first", values, **inserting)
        else:
            matches = _matching(table.key, "s", "u")
            run_sql(self.con, "core/insert_new", values, **inserting, s_matches_u=matches)

    def _set_aside(self, table: Table) -> None:
        """Move rows that the file replaces to the superseded ones."""
        name = table.name
        group, source = table.replaced_by, f"stage_{name}"
        if self.is_jobs and name == "segments":
            # A corrected job replaces what it said about the line, also when it names another lot now.
            group, source = ("observed_by",), "(SELECT inspection_id AS observed_by FROM stage_inspections)"
        run_sql(
            self.con,
            "core/outdated",
            table=name,
            group=_listed(group),
            group_source=source,
            c_matches_b=_matching(group, "c", "b"),
        )
        if self.is_jobs and name == "segments":
            run_sql(self.con, "core/shrunk_lines")
        if self._count(f"outdated_{name}"):
            run_sql(self.con, "core/supersede", {"load_id": self.load_id}, table=name)
            self.n_superseded += run_sql(self.con, "core/delete_outdated", table=name)

    def n_kept(self) -> int:
        """Rows of the file that are neither rejected nor repeats."""
        return self._count(f"stage_{self.main.name}")

    def n_duplicate(self) -> int:
        """Rows that repeat an earlier row of the file."""
        return run_sql(self.con, "core/repeats_only")

    def n_unchanged(self) -> int:
        """Rows of the file all of whose parts stood in core already."""
        if self.is_jobs:
            return run_sql(self.con, "core/unchanged_jobs")
        return self._count(f"unchanged_{self.main.name}")

    def _count(self, table: str) -> int:
        return run_sql(self.con, "core/count", table=table)


def _ready(frame: pl.DataFrame) -> pl.DataFrame:
    """An inventory has no observer: '' rather than NULL, so that its key compares like any other."""
    if "observed_by" in frame.columns:
        return frame.with_columns(pl.col("observed_by").fill_null(""))
    return frame

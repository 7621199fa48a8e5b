"""Contradictions in accepted records: listed, never silently mended.

What one record says against another is SQL (`sql/checks`); what only many records show together is counted
there and judged by `models.records`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import duckdb
import numpy as np
import polars as pl

from models.records import RecodedYoung, heaped_ages, oldest_group, recoded_young, unchanged_repeats
from pipeline.vocabulary import CheckKind
from pipeline.warehouse import run_sql

#: Each check and the values that its SQL takes; run in this order.
CHECKS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("install_after_failure", ("gap_years",)),
    ("pipe_older_than_house", ()),
    ("house_after_inspection", ()),
    ("conflicting_house_years", ()),
    ("material_before_its_time", ()),
    ("contradictory_looks", ()),
    ("survey_incomplete", ()),
)

#: What to call suspicious is judgement: rare enough by chance, and large enough to matter.
HEAPED_P, HEAPED_SHARE, HEAPED_N = 1e-3, 0.3, 30
UNCHANGED_SHARE, UNCHANGED_PAIRS = 0.97, 50
RECODED_P, RECODED_LOOKS = 1e-3, 20
BENDS_P = 5e-3

#: Ages from install years less certain than this would blur what happens at young and old ages [years].
WIDEST_INSTALL_YEARS = 5.0

Row = tuple[CheckKind, str, str, int]


def find_contradictions(con: duckdb.DuckDBPyConnection, values: dict[str, Any]) -> None:
    """List contradictions in `records.findings_on_records`, which is rebuilt.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        In the transaction that has just made the exposure tables.
    values : dict
        `gap_years`: a pipe this much younger than its house is not its first [years].
    """
    con.execute("DELETE FROM records.findings_on_records")
    for name, wanted in CHECKS:
        run_sql(con, f"checks/{name}", {key: values[key] for key in wanted} or None)
    run_sql(con, "checks/count_round_numbers")
    run_sql(con, "checks/count_repeats")
    run_sql(con, "checks/count_looks_by_age", {"width_years": WIDEST_INSTALL_YEARS})
    looks_by_age = con.sql("FROM looks_by_age").pl()
    found = [
        *_heaped(con.sql("FROM round_numbers").pl()),
        *_unchanged(con.sql("FROM repeats").pl()),
        *_recoded(looks_by_age),
        *_bends(looks_by_age),
    ]
    for kind, table, detail, n in found:
        con.execute(
            "INSERT INTO records.findings_on_records VALUES (?, ?, NULL, NULL, ?, ?)",
            [kind.value, table, detail, n],
        )


def _heaped(numbers: pl.DataFrame) -> Iterator[Row]:
    for (table, column), counts in numbers.group_by("table_name", "column_name", maintain_order=True):
        heaped = heaped_ages(np.repeat(counts["number"].to_numpy(), counts["n"].to_numpy()))
        if heaped.n >= HEAPED_N and heaped.share >= HEAPED_SHARE and heaped.p_value < HEAPED_P:
            detail = (
                f"{heaped.share:.0%} of {heaped.n:,} values of {column} end in 0 or 5, where 20 % would by chance: "
                "they look estimated, so ages are less sharp than they seem."
            )
            yield CheckKind.HEAPED_AGES, str(table), detail, heaped.n_round


def _unchanged(repeats: pl.DataFrame) -> Iterator[Row]:
    n_pairs = int(repeats["n"].sum())
    n_same = int(repeats.filter(pl.col("earlier") == pl.col("later"))["n"].sum())
    result = unchanged_repeats(n_pairs, n_same)
    if n_pairs >= UNCHANGED_PAIRS and result.lower >= UNCHANGED_SHARE:
        detail = (
            f"{result.share:.1%} of {n_pairs:,} repeat looks carry the same verdict as the look before: "
            "one verdict was probably copied to all looks at a pipe, so repeats say nothing of how it ages."
        )
        yield CheckKind.REPEATS_NEVER_CHANGE, "inspections", detail, n_same


def _looks_by_material(counts: pl.DataFrame) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Give each material's looks one by one, as the tests take them: its name, ages, and which were bad."""
    for (material,), rows in counts.group_by("material", maintain_order=True):
        age, n_looks, n_bad = (rows[name].to_numpy() for name in ("age_years", "n_looks", "n_bad"))
        of_each = np.stack([n_bad, n_looks - n_bad], axis=1).ravel()
        bad = np.repeat(np.tile([True, False], len(age)), of_each)
        yield str(material).replace("_", " "), np.repeat(np.repeat(age, 2), of_each), bad


def _recoded(counts: pl.DataFrame) -> Iterator[Row]:
    by_age: dict[float, dict[str, RecodedYoung]] = {}
    for material, age, bad in _looks_by_material(counts):
        young = recoded_young(age, bad)
        if young.n_below and young.n_at:
            by_age.setdefault(young.age, {})[material] = young
    # Recoding cuts all materials at one age; each alone may be too few. The chance that none of them has a
    # failure below that age is the product of their chances.
    for first_age, found in by_age.items():
        n_below, n_at, n_failed = (
            sum(getattr(young, name) for young in found.values())
            for name in ("n_below", "n_at", "n_failed_at")
        )
        if n_below >= RECODED_LOOKS and math.prod(young.p_value for young in found.values()) < RECODED_P:
            detail = (
                f"{', '.join(found)}: none of {n_below:,} looks below age {first_age:.0f} is bad, but {n_failed:,} of "
                f"{n_at:,} in the years after are: young pipes look recoded, so judge from that age on."
            )
            yield CheckKind.RECODED_YOUNG_AGES, "inspections", detail, n_below


def _bends(counts: pl.DataFrame) -> Iterator[Row]:
    for material, age, bad in _looks_by_material(counts):
        oldest = oldest_group(age, bad)
        if oldest.p_value < BENDS_P:
            detail = (
                f"{material}: {oldest.n_failed_oldest:,} of {oldest.n_oldest:,} looks from age {oldest.oldest_from:.0f} "
                f"on are bad, but {oldest.n_failed_before:,} of {oldest.n_before:,} from age {oldest.before_from:.0f} "
                "on: the oldest are survivors of pipes that were replaced, and no sign of recovery."
            )
            yield CheckKind.CURVE_BENDS_DOWN, "inspections", detail, oldest.n_oldest

"""The state of the records, as published: loads, rejects, contradictions, counts."""

from __future__ import annotations

import polars as pl

from pipeline import columns
from pipeline.published import contract
from pipeline.vocabulary import CheckKind, RejectReason
from pipeline.warehouse import Warehouse, sql_text

REASON_MEANINGS = {reason.value: reason.meaning for reason in RejectReason}
CHECK_MEANINGS = {kind.value: kind.meaning for kind in CheckKind}


def state_of_records(warehouse: Warehouse) -> dict[str, pl.DataFrame]:
    """Return the published tables that tell what was loaded, refused and found contradictory."""
    counts = [
        warehouse.frame(sql_text("published/record_counts", table=table.name))
        for table in columns.TABLES.values()
    ]
    reject_counts = warehouse.frame(sql_text("published/reject_counts"))
    findings = warehouse.frame(sql_text("published/findings_on_records"))
    return {
        "record_counts": pl.concat(counts),
        "loads": warehouse.frame(sql_text("published/loads")),
        "rejects": warehouse.frame(sql_text("published/rejects"), (contract.MOST_REJECTS,)),
        "reject_counts": _explained(reject_counts, "reason_code", REASON_MEANINGS),
        "findings_on_records": _explained(findings, "kind", CHECK_MEANINGS),
        "lot_inspections": warehouse.frame(sql_text("published/lot_inspections")),
        "lot_findings": warehouse.frame(sql_text("published/lot_findings")),
    }


def _explained(frame: pl.DataFrame, code: str, meanings: dict[str, str]) -> pl.DataFrame:
    return frame.with_columns(
        meaning=pl.col(code).replace_strict(meanings, default=pl.col(code), return_dtype=pl.String)
    )

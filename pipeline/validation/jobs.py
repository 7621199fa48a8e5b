"""The one-row-per-inspection sheet: each row becomes a lot, an inspection, and the segments of its material text.

Rules where the sheet says less than three tables would:

- A lot without an id is known by its address (`addresses.address_keys`).
- Every row tells of its lot, so that a lot has as many lines as rows; the load step merges them.
- An inspection without an id is "lot @ date" (or "lot @ age 47"). Different inspections of one lot on one day
  get "#2", "#3" in the order of the sheet; the same row twice keeps one id.
- One segment reaches from 0 to the length. Of several, only the order is known, so their footage stays empty
  unless the text gives it; depth holds for all; a diameter column for those whose text names none; an install
  year for a single segment, or for those that the text calls original.
"""

from __future__ import annotations

import polars as pl

from pipeline.column_rules import ColumnMap
from pipeline.columns import TABLES
from pipeline.material_runs import RunSegment, parse_run
from pipeline.quantities import Fault
from pipeline.validation.addresses import address_keys
from pipeline.validation.cells import FAULT_SCHEMA, FRAME_TYPES

LAYOUT = "jobs"
RUN = "material_run"
YEARS = ("install_year", "install_year_min", "install_year_max")


def with_lot_id(frame: pl.DataFrame) -> pl.DataFrame:
    """Name the lots that have no id by their address."""
    return frame.with_columns(frame["lot_id"].fill_null(address_keys(frame["address"])).alias("lot_id"))


def _runs(texts: pl.Series, column_map: ColumnMap) -> dict[str, tuple[RunSegment, ...] | Fault]:
    """Read each distinct material text once; a blank one is the text ""."""
    words = dict(column_map.values.get("material", {})) | dict(column_map.values.get(RUN, {}))
    return {text: parse_run(text, words=words) for text in texts.fill_null("").unique().to_list()}


def material_faults(given: pl.DataFrame, column_map: ColumnMap) -> pl.DataFrame:
    """Faults of the material texts that cannot be read."""
    faults = {text: run for text, run in _runs(given[RUN], column_map).items() if isinstance(run, Fault)}
    lines = pl.DataFrame(
        {
            "value": list(faults),
            "reason_code": [fault.code.value for fault in faults.values()],
            "reason": [fault.reason for fault in faults.values()],
        },
        schema={"value": pl.String, "reason_code": pl.String, "reason": pl.String},
    )
    return (
        given.select("source_row", pl.col(RUN).alias("value"))
        .join(lines, on="value", how="inner", maintain_order="left")
        .with_columns(pl.lit(RUN).alias("column_name"))
        .select(list(FAULT_SCHEMA))
    )


def split(frame: pl.DataFrame, column_map: ColumnMap) -> dict[str, pl.DataFrame]:
    """Split accepted rows into lots, inspections and segments.

    Parameters
    ----------
    frame : polars.DataFrame
        Typed rows of the layout "jobs", all with a lot_id.
    column_map : ColumnMap
        For its words for materials.
    """
    frame = _with_inspection_id(frame)
    return {
        "lots": _lots(frame),
        "inspections": frame.select("source_row", *TABLES["inspections"].by_name),
        "segments": _segments(frame, column_map),
    }


def _with_inspection_id(frame: pl.DataFrame) -> pl.DataFrame:
    day = pl.coalesce(
        pl.col("inspection_date").cast(pl.String),
        pl.format("age {}", pl.col("age_years").cast(pl.String).str.strip_suffix(".0")),
    )
    made = frame.with_columns(pl.format("{} @ {}", "lot_id", day).alias("made"))
    content = pl.struct(pl.exclude("source_row", "made")).alias("content")
    again = made.filter(pl.col("inspection_id").is_null() & pl.col("made").is_duplicated())
    numbered = (
        again.select("source_row", "made", content.hash())
        .with_columns(pl.col("source_row").min().over("made", "content").alias("first"))
        .with_columns(pl.col("first").rank("dense").over("made").alias("number"))
        .filter(pl.col("number") > 1)
        .select("source_row", "number")
    )
    return (
        made.join(numbered, on="source_row", how="left", maintain_order="left")
        .with_columns(
            pl.coalesce("inspection_id", pl.format("{} #{}", "made", "number"), "made").alias("inspection_id")
        )
        .drop("made", "number")
    )


def _lots(frame: pl.DataFrame) -> pl.DataFrame:
    """Lots as each row tells of them; the load step makes one lot of the rows of one lot."""
    lots = TABLES["lots"].columns
    absent = [
        pl.lit(None, dtype=FRAME_TYPES[column.kind]).alias(column.name)
        for column in lots
        if column.name not in frame.columns
    ]
    return frame.with_columns(absent).select("source_row", *(column.name for column in lots))


def _segments(frame: pl.DataFrame, column_map: ColumnMap) -> pl.DataFrame:
    described = [
        (text, len(run), *_fields(segment))
        for text, run in _runs(frame[RUN], column_map).items()
        if not isinstance(run, Fault)
        for segment in run
    ]
    runs = pl.DataFrame(
        described,
        schema={
            RUN: pl.String, "n": pl.Int32, "sequence": pl.Int32, "material": pl.String, "size": pl.Float64,
            "is_original": pl.Boolean, "from_ft": pl.Float64, "to_ft": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    alone = pl.col("n") == 1
    dated = alone | pl.col("is_original").fill_null(value=False)
    return (
        frame.with_columns(pl.col(RUN).fill_null(""))
        .join(runs, on=RUN, how="inner", maintain_order="left_right")
        .with_columns(
            pl.col("inspection_id").alias("observed_by"),
            pl.when(alone).then(pl.coalesce("from_ft", 0.0)).otherwise("from_ft").alias("from_ft"),
            pl.when(alone).then(pl.coalesce("to_ft", "end_ft")).otherwise("to_ft").alias("to_ft"),
            pl.coalesce("size", "diameter_in").alias("diameter_in"),
            *(pl.when(dated).then(pl.col(name)).alias(name) for name in YEARS),
        )
        .select("source_row", *TABLES["segments"].by_name)
    )


def _fields(segment: RunSegment) -> tuple[int, str, float | None, bool | None, float | None, float | None]:
    return (
        segment.sequence,
        segment.material,
        segment.diameter_in,
        segment.is_original,
        segment.from_ft,
        segment.to_ft,
    )

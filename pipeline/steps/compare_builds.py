"""What a build changed in the numbers, against the generation that is published while it runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.errors import PublishedError
from pipeline.published import contract
from pipeline.published.read import PublishedReader, open_current
from pipeline.published.write import empty
from pipeline.settings import Workspace

Frames = Mapping[str, pl.DataFrame]

#: Lots named as changed most.
MOST_LOTS = 50
#: A smaller move of a chance is no news: draws alone move it as much.
SMALLEST_MOVE = 0.01


@dataclass(frozen=True, slots=True)
class _Number:
    topic: str
    item: str
    unit: str
    before: float | None
    after: float | None


def compare(workspace: Workspace, frames: Frames) -> dict[str, pl.DataFrame]:
    """Return the published `changes` and `changed_lots`; without rows where there is nothing to compare with.

    Parameters
    ----------
    workspace : Workspace
        Its published generation, if it has one of this form, is the one before.
    frames : mapping of str to DataFrame
        Tables about to be published.
    """
    nothing = {name: empty(contract.TABLES[name]) for name in ("changes", "changed_lots")}
    try:
        reader = open_current(workspace)
    except PublishedError:
        return nothing
    with reader:
        before = {
            name: reader.table(name)
            for name in ("run", "outcomes", "curve_groups", "blocks", "reject_counts")
        }
        if before["run"]["run_id"][0] == frames["run"]["run_id"][0]:
            return _kept(reader, nothing)
        lots = _lots(reader, frames["lots"])
    numbers = [
        *_records(before, frames),
        *_laws(before, frames),
        *_curves(before, frames),
        *_scores(lots),
        *_areas(before, frames),
    ]
    changes = pl.DataFrame(
        [(n.topic, n.item, n.unit, n.before, n.after) for n in numbers],
        schema={"topic": pl.String, "item": pl.String, "unit": pl.String, "before": pl.Float64, "after": pl.Float64},
        orient="row",
    ).with_row_index("position", offset=1)  # fmt: skip
    since = pl.lit(before["run"]["run_id"][0]).alias("run_before")
    return {
        "changes": changes.with_columns(since, built_before=pl.lit(before["run"]["built_at"][0])),
        "changed_lots": _most_changed(lots),
    }


def _kept(reader: PublishedReader, nothing: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The same input built again: what it had changed against the build before stays told."""
    return {name: reader.table(name) for name in nothing}


def _records(before: Frames, after: Frames) -> list[_Number]:
    counts = {
        "n_lots": "lots on record",
        "n_inspections": "inspections on record",
        "n_lots_inspected": "lots with a judged look",
        "n_looks": "looks at a pipe",
        "n_looks_selected": "of these, made because something was wrong",
    }
    numbers = [
        _Number("records", words, "", before["run"][name][0], after["run"][name][0])
        for name, words in counts.items()
    ]
    rejects = [float(frames["reject_counts"]["n_rejects"].sum()) for frames in (before, after)]
    return [*numbers, _Number("records", "faults in rows that were not taken", "", *rejects)]


def _laws(before: Frames, after: Frames) -> list[_Number]:
    """Another law of life, if held-out looks chose one: it moves every curve and chance."""
    outcome = after["run"]["default_outcome"][0]
    one, two = (frames["outcomes"].filter(outcome=outcome)["family"].to_list() for frames in (before, after))
    if one == two:
        return []
    return [
        _Number(
            "curves", f"fitted under the {law} law (1 yes, 0 no)", "", float(law in one), float(law in two)
        )
        for law in (*one, *two)
    ]


def _curves(before: Frames, after: Frames) -> list[_Number]:
    """Median ages of the outcome that scores speak of, where either build had one."""
    outcome = after["run"]["default_outcome"][0]
    columns = ["material", "median_age_years", "n_lives"]
    one, two = (frames["curve_groups"].filter(outcome=outcome).select(columns) for frames in (before, after))
    both = one.join(two, on="material", how="full", coalesce=True, suffix="_after").sort("material")
    known = both.filter(
        pl.col("median_age_years").is_not_null() | pl.col("median_age_years_after").is_not_null()
    )
    return [
        _Number("curves", f"half of {row['material']} failed by", "years", row["median_age_years"], row["median_age_years_after"])
        for row in known.iter_rows(named=True)
    ]  # fmt: skip


def _lots(reader: PublishedReader, lots: pl.DataFrame) -> pl.DataFrame:
    columns = ("lot_id", "address", "failure_probability")
    before = reader.query("SELECT lot_id, failure_probability AS before FROM lots")
    after = lots.select(columns).rename({"failure_probability": "after"})
    return after.join(before, on="lot_id", how="full", coalesce=True)


def _scores(lots: pl.DataFrame) -> list[_Number]:
    moved = lots.filter((pl.col("after") - pl.col("before")).abs() >= SMALLEST_MOVE)
    return [
        _Number("scores", "lots with an estimate", "", *(lots[c].count() for c in ("before", "after"))),
        _Number("scores", "mean chance of a finding now", "share", *(lots[c].mean() for c in ("before", "after"))),  # type: ignore[arg-type]
        _Number("scores", "lots whose chance moved by 1 point or more", "", None, moved.height),
    ]  # fmt: skip


def _areas(before: Frames, after: Frames) -> list[_Number]:
    judged = [frames["blocks"].filter(status=contract.STATUS_OK) for frames in (before, after)]
    above = [frame.filter(pl.col("n_observed") > pl.col("expected_upper")).height for frame in judged]
    return [
        _Number("areas", "blocks with enough records to judge", "", *(frame.height for frame in judged)),
        _Number("areas", "blocks with more findings than chance allows", "", *above),
    ]


def _most_changed(lots: pl.DataFrame) -> pl.DataFrame:
    move = (pl.col("after") - pl.col("before")).abs()
    return (
        lots.filter(move >= SMALLEST_MOVE)
        .sort(move, "lot_id", descending=[True, False])
        .head(MOST_LOTS)
        .select(
            "lot_id",
            "address",
            failure_probability_before=pl.col("before"),
            failure_probability=pl.col("after"),
        )
    )

"""Blocks and subdivisions of the lots and looks that a reader asks for: what was seen against what was expected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import polars as pl

from models.counts import count_ranges
from pipeline.published import contract
from pipeline.published.read import PublishedReader

Area = Literal["block", "subdivision"]
Condition = tuple[str, Sequence[Any]]
TABLES: dict[Area, str] = {"block": "blocks", "subdivision": "subdivisions"}
#: What is told of an area only where enough of its chosen lots were inspected.
WITHHELD = (
    "n_inspected",
    "coverage_share",
    "n_observed",
    "expected",
    "expected_lower",
    "expected_upper",
    "ratio",
)

LOTS = """
SELECT {area} AS area, count(*) AS n_lots
FROM lots
WHERE {area} IS NOT NULL AND {lots}
GROUP BY ALL
"""
LOOKS = """
SELECT l.{area} AS area, e.is_bad, e.expected
FROM (SELECT lot_id, is_bad, expected FROM lot_expectations WHERE {looks}) AS e
JOIN (SELECT lot_id, {area} FROM lots WHERE {area} IS NOT NULL AND {lots}) AS l ON l.lot_id = e.lot_id
"""


def chosen_areas(reader: PublishedReader, area: Area, lots: Condition, looks: Condition) -> pl.DataFrame:
    """Count what was seen, and what was to be expected, among chosen lots of each area.

    Parameters
    ----------
    reader : PublishedReader
        What it may not see is not counted.
    area : {'block', 'subdivision'}
        Which areas.
    lots : tuple of str and sequence
        SQL on `lots` with `?` for each value, of our own words only, and the values: lots that count.
    looks : tuple of str and sequence
        The same on `lot_expectations`: lots inspected, by the one look of each that counts.

    Returns
    -------
    DataFrame
        Areas with such a lot, in order: the place, `n_lots`, `n_inspected`, `coverage_share`, `n_observed`,
        `expected` with the range that chance alone allows, `ratio`, `status` and `sentence`, as in `blocks`. Where
        fewer than `run.min_area_inspections` of the chosen lots were inspected all that was seen is NULL, or a
        narrow choice would tell of single houses.
    """
    names = {"area": area, "lots": lots[0], "looks": looks[0]}
    counted = reader.query(LOTS.format(**names), lots[1])
    seen = reader.query(LOOKS.format(**names), [*looks[1], *lots[1]])
    places = reader.query(f"SELECT * FROM {TABLES[area]} ORDER BY {area}")  # noqa: S608 - names of the contract
    kept = [name for name in _PLACE if name in places.columns]
    return _judged(
        places.select(kept).join(counted.rename({"area": area}), on=area, maintain_order="left"),
        _summed(seen, reader.run()).rename({"area": area}),
        area,
        reader.run(),
    )


_PLACE = (
    "block", "subdivision", "x_ft", "y_ft", "x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft", "outline_wkt",
)  # fmt: skip


def _summed(seen: pl.DataFrame, run: dict[str, Any]) -> pl.DataFrame:
    """Sums of each area; ranges only of those that are told."""
    names = seen.select(pl.col("area").unique()).with_row_index("number")
    number = seen.join(names, on="area", maintain_order="left")["number"].to_numpy().astype(np.int64)
    is_bad, expected = seen["is_bad"].to_numpy(), seen["expected"].to_numpy()
    sums = names.with_columns(
        n_inspected=pl.Series(np.bincount(number, minlength=names.height)).cast(pl.Int64),
        n_observed=pl.Series(np.bincount(number[is_bad], minlength=names.height)).cast(pl.Int64),
        # Rounded, since rows come in any order and the last digits of a sum hang on it.
        expected=pl.Series(np.bincount(number, weights=expected, minlength=names.height).round(9)),
    )
    told = (sums["n_inspected"] >= run["min_area_inspections"]).to_numpy()
    kept = told[number]
    lower, upper = count_ranges(
        expected[kept], (np.cumsum(told) - 1)[number[kept]], int(told.sum()), run["score_level"]
    )
    ranges = sums.filter(told).select(
        "area", expected_lower=pl.Series(lower), expected_upper=pl.Series(upper)
    )
    return sums.drop("number").join(ranges, on="area", how="left", maintain_order="left")


def _judged(places: pl.DataFrame, sums: pl.DataFrame, area: str, run: dict[str, Any]) -> pl.DataFrame:
    n_inspected, n_observed = pl.col("n_inspected"), pl.col("n_observed")
    is_told = n_inspected >= run["min_area_inspections"]
    is_judged = is_told & (n_observed >= run["min_area_events"])
    known = (
        places.join(sums, on=area, how="left", maintain_order="left")
        .with_columns(pl.col("n_inspected", "n_observed").fill_null(0), pl.col("expected").fill_null(0.0))
        .with_columns(
            coverage_share=n_inspected / pl.col("n_lots"),
            ratio=pl.when(pl.col("expected") > 0).then(n_observed / pl.col("expected")),
        )
    )
    said = pl.format(
        "{} of {} lots asked for inspected, {} with a repair-grade finding", n_inspected, "n_lots", n_observed
    )
    return known.with_columns(
        status=pl.when(is_judged).then(pl.lit(contract.STATUS_OK)).otherwise(pl.lit(contract.STATUS_TOO_FEW)),
        sentence=pl.when(is_judged)
        .then(pl.format("{}; expected {}.", said, pl.col("expected").round(1)))
        .when(is_told)
        .then(pl.format("Too few records: {}; a comparison needs {} findings.", said, run["min_area_events"]))
        .otherwise(
            pl.lit(
                f"Too few records: fewer than {run['min_area_inspections']} of the lots asked for were inspected."
            )
        ),
    ).with_columns(pl.when(is_told).then(pl.col(WITHHELD)))

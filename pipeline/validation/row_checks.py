"""Checks of typed rows: what must be there, what is possible, and what contradicts itself within one row.

Checks that need another row or table (unknown parents, footage beyond the survey) belong to the load step.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.columns import Column, Table
from pipeline.validation.cells import is_year
from pipeline.vocabulary import RejectReason

MEND = "Correct it, or leave it empty."


@dataclass(frozen=True, slots=True)
class RowCheck:
    """A fault that a row can have.

    Attributes
    ----------
    column : str
        Column to which the fault is laid.
    code : RejectReason
        Reason code.
    when : polars.Expr
        True where the row has the fault; null counts as false.
    reason : polars.Expr
        The sentence.
    """

    column: str
    code: RejectReason
    when: pl.Expr
    reason: pl.Expr


def checks_of(table: Table, *, today: date) -> Iterator[RowCheck]:
    """All checks of one layout."""
    for column in table.columns:
        yield from _checks_of_column(column, today)
    names = table.by_name
    for needed, make in _ACROSS:
        if all(name in names for name in needed):
            yield from make(today)
    if table.name in _ONLY:
        yield from _ONLY[table.name]()


def _number(name: str) -> pl.Expr:
    """Write a number without a needless ".0"."""
    return pl.col(name).cast(pl.Float64).cast(pl.String).str.strip_suffix(".0")


def _checks_of_column(column: Column, today: date) -> Iterator[RowCheck]:
    name = column.name
    here = pl.col(name)
    if column.required:
        yield RowCheck(
            name,
            RejectReason.MISSING_VALUE,
            here.is_null(),
            pl.lit(f"{name} is empty, and a row cannot do without it. Fill it in."),
        )
    if name.endswith("_id"):
        yield RowCheck(
            name,
            RejectReason.OUT_OF_RANGE,
            # The plain search first: it spares most ids the pattern.
            here.str.contains("E+", literal=True) & here.str.contains(r"^\d(\.\d+)?E\+\d+$"),
            pl.format(
                "{} is an id that a spreadsheet has cut to its first digits. Format the column as text and export "
                "the file again.",
                here,
            ),
        )
    if column.low is not None and column.high is not None:
        code = RejectReason.WRONG_PLACE if name in {"lon", "lat"} else RejectReason.OUT_OF_RANGE
        hint = " Are these feet or metres rather than degrees?" if name in {"lon", "lat"} else ""
        yield RowCheck(
            name,
            code,
            ~here.is_between(column.low, column.high),
            pl.format(
                f"{{}} is not possible for {name}; {column.low:.10g} to {column.high:.10g} is.{hint} {MEND}",
                _number(name),
            ),
        )
    if is_year(column):
        yield RowCheck(
            name,
            RejectReason.DATE_IN_FUTURE,
            here.is_between(today.year + 1, column.high or today.year),
            pl.format(f"{{}} is after {today.year}, the year of loading. {MEND}", here),
        )
    if column.kind == "date":
        yield RowCheck(
            name,
            RejectReason.DATE_IN_FUTURE,
            here > today,
            pl.format(f"{{}} is after {today}, the day of loading. Correct the date.", here),
        )


def _ends_before_it_begins(start: str, end: str) -> Iterator[RowCheck]:
    yield RowCheck(
        end,
        RejectReason.IMPOSSIBLE_FOOTAGE,
        pl.col(end) < pl.col(start),
        pl.format(
            f"{end} {{}} comes before {start} {{}}. Correct the two footages.", _number(end), _number(start)
        ),
    )


def _from_to(today: date) -> Iterator[RowCheck]:
    yield from _ends_before_it_begins("from_ft", "to_ft")


def _at_to(today: date) -> Iterator[RowCheck]:
    yield from _ends_before_it_begins("at_ft", "to_ft")


def _install_range(today: date) -> Iterator[RowCheck]:
    low, high, year = (pl.col(c) for c in ("install_year_min", "install_year_max", "install_year"))
    yield RowCheck(
        "install_year_min",
        RejectReason.OUT_OF_RANGE,
        low > high,
        pl.format("install_year_min {} is after install_year_max {}. Correct the two years.", low, high),
    )
    yield RowCheck(
        "install_year",
        RejectReason.OUT_OF_RANGE,
        (year < low) | (year > high),
        pl.format(
            "install_year {} lies outside its own range {} to {}. Correct the three years.",
            year,
            low.cast(pl.String).fill_null("…"),
            high.cast(pl.String).fill_null("…"),
        ),
    )


def _laid_before_seen(today: date) -> Iterator[RowCheck]:
    seen = pl.col("inspection_date").dt.year()
    for name in ("install_year", "install_year_min"):
        yield RowCheck(
            name,
            RejectReason.BEFORE_INSTALLATION,
            seen < pl.col(name),
            pl.format(
                f"The inspection on {{}} comes before {name} {{}}. Correct the date or the year.",
                pl.col("inspection_date"),
                pl.col(name),
            ),
        )


def _date_or_age(today: date) -> Iterator[RowCheck]:
    yield RowCheck(
        "inspection_date",
        RejectReason.MISSING_VALUE,
        pl.col("inspection_date").is_null() & pl.col("age_years").is_null(),
        pl.lit("Neither inspection_date nor age_years is given, and one of them is needed. Fill one in."),
    )


def _pair(first: str, second: str) -> Iterator[RowCheck]:
    for here, other in ((first, second), (second, first)):
        yield RowCheck(
            here,
            RejectReason.WRONG_PLACE,
            pl.col(here).is_null() & pl.col(other).is_not_null(),
            pl.lit(f"{other} is given without {here}. Give both or neither."),
        )


def _lon_lat(today: date) -> Iterator[RowCheck]:
    yield from _pair("lon", "lat")


def _x_y(today: date) -> Iterator[RowCheck]:
    yield from _pair("x", "y")


def _costs_in_order() -> Iterator[RowCheck]:
    low, likely, high = (pl.col(c) for c in ("low_usd", "likely_usd", "high_usd"))
    yield RowCheck(
        "likely_usd",
        RejectReason.OUT_OF_RANGE,
        (likely < low) | (likely > high),
        pl.format(
            "The likely cost {} does not lie between low {} and high {}. Correct the costs.",
            _number("likely_usd"),
            _number("low_usd"),
            _number("high_usd"),
        ),
    )


def _main_or_manhole() -> Iterator[RowCheck]:
    yield RowCheck(
        "main_id",
        RejectReason.MISSING_VALUE,
        pl.col("main_id").is_null() & pl.col("manhole_id").is_null(),
        pl.lit("Neither main_id nor manhole_id is given, and one of them is needed. Fill one in."),
    )


def _lot_or_address() -> Iterator[RowCheck]:
    yield RowCheck(
        "lot_id",
        RejectReason.MISSING_VALUE,
        pl.col("lot_id").is_null(),
        pl.lit("Neither a lot_id nor an address is given, and one of them is needed. Fill one in."),
    )


_ACROSS = (
    (("from_ft", "to_ft"), _from_to),
    (("at_ft", "to_ft"), _at_to),
    (("install_year_min", "install_year_max"), _install_range),
    (("install_year", "inspection_date"), _laid_before_seen),
    (("inspection_date", "age_years"), _date_or_age),
    (("lon", "lat"), _lon_lat),
    (("x", "y"), _x_y),
)
_ONLY = {"unit_costs": _costs_in_order, "connections": _main_or_manhole, "jobs": _lot_or_address}

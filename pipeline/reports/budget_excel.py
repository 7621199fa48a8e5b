"""A budget as an Excel workbook: sums are numbers, charts are Excel's own, every assumption is on the last sheet."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.reports.budget_words import CAUTIONS, Heading, label, sentences
from pipeline.steps.budget_tables import Budget
from pipeline.whole_files import write_whole

#: Headings that need other words than the parts of their column's name.
HEADS = {
    "calendar_year": "year",
    "year": "year no.",
    "lot_id": "lot",
    "is_borrowed": "line not on record",
    "wait_present_value": "present value if all waits for trouble [US dollars]",
    "share_of_total": "share of all",
    "emergency_probability": "chance of trouble",
    "dry_probability": "chance of being dry by then",
    "camera_value": "a camera first is worth [US dollars]",
    "camera_rank": "camera first: order",
    "emergency_usd": "trouble that cannot wait [US dollars]",
    "emergency_present_value": "of it trouble that cannot wait [US dollars]",
    "expected_planned": "works on pipes as planned",
    "expected_emergencies": "works on pipes in trouble",
    "expected_spot_repairs": "of both, at one spot",
    "sequence": "segment, from the building",
    "benefit_usd": "saves on average [US dollars]",
    "opening_balance_usd": "balance needed now [US dollars]",
    "name": "assumption",
}
#: Widths of columns that hold words [letters]; numbers have NUMBER.
WIDE = {"policy": 18, "address": 28, "lot_id": 14, "name": 38, "value": 42, "source": 70, "reason": 60}
NUMBER = 14
#: A table that begins below this row shares its columns with the sentences above it.
SUMMARY_ROW = 5
MONEY = "$#,##0"
SHARE = "0.0%"
#: Text of users is never taken for a formula or a link.
PLAIN = {"strings_to_formulas": False, "strings_to_urls": False}


def write_excel(path: Path, budget: Budget, heading: Heading) -> None:
    """Write a workbook.

    Raises
    ------
    SettingsError
        The file cannot be written.
    """
    made = BytesIO()
    with xlsxwriter.Workbook(made, PLAIN) as book:
        _summary(book, budget, heading)
        _reserve(book, budget)
        _years(book, budget)
        _sheet(book, "Lots", _lots(budget.lots))
        if not budget.programme.is_empty():
            _sheet(book, "Programme within the cap", budget.programme)
        if not budget.left_out.is_empty():
            _sheet(book, "Left out", budget.left_out)
        _sheet(book, "Assumptions", budget.assumptions.select("name", "value", "source"))
    write_whole(path, made.getvalue())


def _lots(lots: pl.DataFrame) -> pl.DataFrame:
    return lots.rename(
        {
            name: f"present_value_{name.removeprefix('pv_')}_usd"
            for name in lots.columns
            if name.startswith("pv_")
        }
    )


def _summary(book: Any, budget: Budget, heading: Heading) -> None:
    sheet = book.add_worksheet("Summary")
    bold, wrapped = (
        book.add_format({"bold": True, "font_size": 14}),
        book.add_format({"text_wrap": True, "valign": "top"}),
    )
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 12, 17)
    sheet.write_string(0, 0, heading.title, bold)
    sheet.write_string(1, 0, heading.line)
    row = 3
    for sentence in (*sentences(budget), *CAUTIONS):
        sheet.merge_range(row, 0, row, 8, sentence, wrapped)
        sheet.set_row(row, 32)
        row += 1
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    shown = budget.policies.select(
        pl.col("policy").str.replace_all("_", " ", literal=True),
        "present_value",
        "present_value_p10",
        "present_value_p50",
        "present_value_p90",
        "emergency_present_value",
        "expected_planned",
        "expected_emergencies",
        "expected_spot_repairs",
        "opening_balance_usd",
        "first_contribution_usd",
    )
    _table(book, sheet, row + 1, shown)


def _reserve(book: Any, budget: Budget) -> None:
    name = "Reserve schedule"
    sheet = book.add_worksheet(name)
    sheet.write_string(
        0, 0, f"Reserve for: {label(budget.facts['reserve_policy'])}", book.add_format({"bold": True})
    )
    sheet.write_string(1, 0, "Balance now")
    sheet.write_number(1, 2, budget.facts["opening_balance_usd"], book.add_format({"num_format": MONEY}))
    _table(book, sheet, 3, budget.reserve)
    sheet.freeze_panes(4, 2)
    _for_paper(sheet, 3)
    last = 3 + budget.reserve.height
    column = {column: place for place, column in enumerate(budget.reserve.columns)}
    axis = "year" if budget.reserve["calendar_year"].null_count() else "calendar_year"
    chart = book.add_chart({"type": "line"})
    for what in ("balance_p10_usd", "balance_p50_usd", "balance_p90_usd"):
        chart.add_series(
            {
                "name": [name, 3, column[what]],
                "categories": [name, 4, column[axis], last, column[axis]],
                "values": [name, 4, column[what], last, column[what]],
            }
        )
    chart.set_title({"name": "Balance at the end of each year"})
    chart.set_y_axis({"num_format": MONEY})
    sheet.insert_chart(last + 2, 0, chart, {"x_scale": 1.6})


def _years(book: Any, budget: Budget) -> None:
    name = "Years"
    sheet = _sheet(book, name, budget.years)
    chosen = budget.facts["reserve_policy"]
    place = budget.years.with_row_index("place").filter(pl.col("policy") == chosen)["place"]
    first, last = int(place[0]) + 1, int(place[-1]) + 1
    column = {column: number for number, column in enumerate(budget.years.columns)}
    axis = "year" if budget.years["calendar_year"].null_count() else "calendar_year"
    chart = book.add_chart({"type": "column", "subtype": "stacked"})
    for what in ("planned_usd", "emergency_usd", "camera_usd"):
        chart.add_series(
            {
                "name": [name, 0, column[what]],
                "categories": [name, first, column[axis], last, column[axis]],
                "values": [name, first, column[what], last, column[what]],
            }
        )
    chart.set_title({"name": f"Mean spent by year: {label(chosen)}"})
    chart.set_y_axis({"num_format": MONEY})
    sheet.insert_chart(1, len(budget.years.columns) + 1, chart, {"x_scale": 1.6})


def _sheet(book: Any, name: str, frame: pl.DataFrame) -> Any:
    sheet = book.add_worksheet(name)
    _table(book, sheet, 0, frame)
    sheet.freeze_panes(1, 1)
    _for_paper(sheet, 0)
    return sheet


def _for_paper(sheet: Any, head: int) -> None:
    """A sheet is as wide as its paper, and has its headings on every page."""
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(head)
    sheet.set_footer("&L&A&RPage &P of &N")


def _table(book: Any, sheet: Any, row: int, frame: pl.DataFrame) -> None:
    formats: dict[Any, Any] = {
        name: SHARE if name.endswith(("_probability", "share_of_total")) else MONEY
        for name, kind in frame.schema.items()
        if kind == pl.Float64 and not name.startswith("expected_")
    }
    formats |= {name: "0.0" for name in frame.columns if name.startswith("expected_")}
    formats |= {name: "0" for name in frame.columns if name in {"year", "calendar_year"}}
    heads = {name: _head(name) for name in frame.columns}
    frame.rename(heads).write_excel(
        workbook=book,
        worksheet=sheet,
        position=(row, 0),
        column_formats={heads[name]: form for name, form in formats.items()},
        column_widths={heads[name]: 7 * WIDE.get(name, NUMBER) for name in frame.columns}
        if row < SUMMARY_ROW
        else None,
        header_format={"bold": True, "text_wrap": True, "valign": "top"},
        autofit=False,
        table_style="Table Style Light 1",
    )
    sheet.set_row(row, 48)


def _head(name: str) -> str:
    """A column's name in words, with its unit."""
    if name in HEADS:
        return HEADS[name]
    is_money = name.endswith("_usd") or name.startswith("present_value")
    plain = name.removesuffix("_usd").replace("_p10", " P10").replace("_p50", " P50").replace("_p90", " P90")
    plain = plain.replace("p10", "P10").replace("p50", "P50").replace("p90", "P90").replace("_", " ")
    return f"{plain} [US dollars]" if is_money else plain

"""A budget as a PDF that a manager hands to an owner or a board."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import polars as pl
from reportlab.lib import colors
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle, getSampleStyleSheet
from reportlab.lib.units import inch
from reportlab.platypus import (
    CondPageBreak,
    Image,
    LongTable,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)

from pipeline.percent import chance_words
from pipeline.reports import budget_charts, typeface
from pipeline.reports.budget_words import (
    CAUTIONS,
    METHOD,
    POLICY_FIGURES,
    Heading,
    assumption_name,
    dollars,
    label,
    sentences,
)
from pipeline.steps.budget_tables import Budget
from pipeline.whole_files import write_whole

#: Rows of lots and works that a report shows; the workbook has all.
MOST_ROWS = 40
MARGIN = 0.75 * inch
#: Frames of a page have 6 points of padding on either side.
WIDTH = letter[0] - 2 * MARGIN - 12
#: A heading with less room below it goes to the next page.
ROOM = 1.5 * inch
SAMPLES = getSampleStyleSheet()
FACE = {"fontName": typeface.FAMILY, "bulletFontName": typeface.FAMILY}
BODY = ParagraphStyle("body", parent=SAMPLES["BodyText"], **FACE)
TITLE = ParagraphStyle("title", parent=SAMPLES["Title"], alignment=0, **FACE | {"fontName": typeface.BOLD})
HEADING = ParagraphStyle("heading", parent=SAMPLES["Heading2"], **FACE | {"fontName": typeface.BOLD})
SMALL = ParagraphStyle("small", parent=BODY, fontSize=8, leading=10)
CELL = ParagraphStyle("cell", parent=SMALL, fontSize=7.5, leading=9)
RIGHT = ParagraphStyle("right", parent=CELL, alignment=2)
GRID = TableStyle(
    [
        ("BACKGROUND", (0, 0), (-1, 0), colors.HexColor("#e7ecec")),
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, colors.HexColor("#9aa5a5")),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("FONTNAME", (0, 0), (-1, -1), typeface.FAMILY),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
)


def write_pdf(path: Path, budget: Budget, heading: Heading) -> None:
    """Write the report.

    Raises
    ------
    SettingsError
        The file cannot be written.
    """
    made = BytesIO()
    document = SimpleDocTemplate(
        made,
        pagesize=letter,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN,
        title=heading.title,
        author="Underlot",
        initialFontName=typeface.FAMILY,
    )

    def foot(canvas: Any, page: Any) -> None:
        canvas.setFont(typeface.FAMILY, 8)
        words = f"{heading.town}{' (invented)' if heading.is_synthetic else ''} · {heading.title}"
        words += f" · build {heading.run_id}"
        canvas.drawString(MARGIN, 0.45 * inch, typeface.plain(words)[:120])
        canvas.drawRightString(letter[0] - MARGIN, 0.45 * inch, f"page {page.page}")

    document.build(_story(budget, heading), onFirstPage=foot, onLaterPages=foot)
    write_whole(path, made.getvalue())


def _story(budget: Budget, heading: Heading) -> list[Any]:
    chosen = budget.facts["reserve_policy"]
    years = budget.years.filter(pl.col("policy") == chosen)
    story: list[Any] = [
        Paragraph(typeface.marked_up(heading.title), TITLE),
        Paragraph(typeface.marked_up(heading.line), SMALL),
        Spacer(1, 8),
        *(Paragraph(typeface.marked_up(sentence), BODY) for sentence in sentences(budget)),
        Spacer(1, 8),
        *_titled("Policies on the same possible futures", _policies(budget.policies)),
        *(Paragraph(typeface.marked_up(caution), SMALL) for caution in CAUTIONS),
        PageBreak(),
        *_titled(f"Reserve schedule: {label(chosen)}", _reserve(budget.reserve)),
        Spacer(1, 10),
        _picture(budget_charts.balance(budget.reserve)),
        Paragraph(
            "Balance at the end of each year: the middle of all futures, and the range of 8 in 10.", SMALL
        ),
        PageBreak(),
        Paragraph(f"What each year costs: {label(chosen)}", HEADING),
        _picture(budget_charts.spending(years)),
        Paragraph("Bars: parts of the mean. Lines: the range of 8 in 10 futures of that year.", SMALL),
        *_titled("What each building contributes", _lots(budget.lots)),
        *_cameras(budget.lots, budget.facts["n_cameras_first"]),
        *_programme(budget.programme),
        CondPageBreak(ROOM),
        Paragraph("How the numbers were made", HEADING),
        *(Paragraph(typeface.marked_up(sentence), BODY) for sentence in METHOD),
        PageBreak(),
        *_titled("Assumptions", _assumptions(budget.assumptions)),
    ]
    return story


def _titled(title: str, table: Any) -> list[Any]:
    return [CondPageBreak(ROOM), Paragraph(typeface.marked_up(title), HEADING), table]


def _picture(png: bytes) -> Any:
    picture = Image(BytesIO(png))
    return Image(BytesIO(png), width=WIDTH, height=WIDTH * picture.imageHeight / picture.imageWidth)


def _table(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, widths: Sequence[float], n_text: int = 1
) -> Any:
    """Lay out a table; the first `n_text` columns are words, the others numbers."""
    share = WIDTH / sum(widths)

    def cells(values: Sequence[str]) -> list[Any]:
        return [
            Paragraph(typeface.marked_up(value), CELL if i < n_text else RIGHT)
            for i, value in enumerate(values)
        ]

    return LongTable(
        [cells(head), *(cells(row) for row in rows)],
        colWidths=[width * share for width in widths],
        repeatRows=1,
        style=GRID,
    )


def _policies(policies: pl.DataFrame) -> Any:
    head = ("policy", *(heading for heading, _ in POLICY_FIGURES))
    rows = [
        (f"{label(row['policy'])}: {row['policy_label']}", *(cell(row) for _, cell in POLICY_FIGURES))
        for row in policies.iter_rows(named=True)
    ]
    return _table(head, rows, widths=(3.2, 1.3, 2, 1.3, 1.4, 1.3, 1.3))


def _year(row: dict[str, Any]) -> str:
    return str(row["calendar_year"] if row["calendar_year"] is not None else f"year {row['year']}")


def _reserve(reserve: pl.DataFrame) -> Any:
    head = (
        "year",
        "contribution",
        "spent, middle",
        "spent, 8 of 10",
        "balance, middle",
        "balance, 8 of 10",
        "dry by then",
    )
    rows = [
        (
            _year(row),
            dollars(row["contribution_usd"]),
            dollars(row["spent_p50_usd"]),
            f"{dollars(row['spent_p10_usd'])} to {dollars(row['spent_p90_usd'])}",
            dollars(row["balance_p50_usd"]),
            f"{dollars(row['balance_p10_usd'])} to {dollars(row['balance_p90_usd'])}",
            chance_words(row["dry_probability"]),
        )
        for row in reserve.iter_rows(named=True)
    ]
    return _table(head, rows, widths=(0.8, 1.2, 1.2, 2, 1.2, 2.2, 0.9))


def _name(row: dict[str, Any]) -> str:
    return f"{row['address']} ({row['lot_id']})" if row["address"] else str(row["lot_id"])


def _lots(lots: pl.DataFrame) -> Any:
    rows = [
        (
            _name(row) + (", line not on record" if row["is_borrowed"] else ""),
            dollars(row["wait_present_value"]),
            f"{row['share_of_total']:.1%}",
            chance_words(row["emergency_probability"]),
        )
        for row in lots.head(MOST_ROWS).iter_rows(named=True)
    ]
    if lots.height > MOST_ROWS:
        rest = lots.slice(MOST_ROWS)
        rows.append(
            (
                f"{rest.height:,} more lots",
                dollars(float(rest["wait_present_value"].sum())),
                f"{rest['share_of_total'].sum():.1%}",
                "",
            )
        )
    head = ("lot", "present value if all waits for trouble", "share", "chance of trouble")
    return _table(head, rows, widths=(4, 2, 1, 1.2))


def _cameras(lots: pl.DataFrame, n_first: int) -> list[Any]:
    first = lots.filter(pl.col("camera_rank").is_not_null()).sort("camera_rank").head(MOST_ROWS)
    if first.is_empty():
        return []
    rows = [
        (str(row["camera_rank"]), _name(row), dollars(row["camera_value"]))
        for row in first.iter_rows(named=True)
    ]
    table = _table(("order", "lot", "worth more than its price"), rows, widths=(0.6, 4, 2), n_text=2)
    unnamed = [] if n_first <= first.height else [Paragraph(_unnamed(n_first - first.height), SMALL)]
    return [*_titled("Put a camera in these first", table), *unnamed]


def _unnamed(n: int) -> str:
    return (
        f"{n:,} more are not listed: their clients do not allow it, or the list is longer than this report."
    )


def _programme(programme: pl.DataFrame) -> list[Any]:
    if programme.is_empty():
        return []
    rows = [
        (
            _year(row),
            _name(row),
            "whole line" if row["sequence"] is None else f"{row['sequence']}: {label(row['material'])}",
            dollars(row["price_usd"]),
            dollars(row["benefit_usd"]),
        )
        for row in programme.head(MOST_ROWS).iter_rows(named=True)
    ]
    table = _table(
        ("year", "lot", "pipe", "price", "saves on average"), rows, widths=(0.7, 3, 1.8, 1.2, 1.3), n_text=3
    )
    more = f" (the first {MOST_ROWS} of {programme.height:,})" if programme.height > MOST_ROWS else ""
    return _titled(f"Programme within the cap{more}", table)


def _assumptions(assumptions: pl.DataFrame) -> Any:
    rows = [
        (assumption_name(row["name"]), label(row["value"]), row["source"])
        for row in assumptions.iter_rows(named=True)
    ]
    return _table(("assumption", "value", "source"), rows, widths=(2.2, 2.6, 3.6), n_text=3)

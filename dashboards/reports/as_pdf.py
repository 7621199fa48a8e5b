"""A report as PDF, without a browser."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from reportlab.lib import colors
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    ListFlowable,
    ListItem,
    LongTable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)

from dashboards import theme
from dashboards.reports.document import (
    Block,
    Bullets,
    Caution,
    Document,
    Figures,
    Picture,
    Section,
    Table,
    Text,
)
from pipeline.reports import typeface

MARGIN = 0.7 * inch
#: Frames of a page have 6 points of padding on either side.
WIDTH = letter[0] - 2 * MARGIN - 12
#: Share of the width that a drawing takes.
DRAWN_SHARE = 0.72
BODY = ParagraphStyle(
    "body",
    fontName=typeface.FAMILY,
    bulletFontName=typeface.FAMILY,
    fontSize=9,
    leading=11.3,
    textColor=theme.INK,
    spaceAfter=3,
)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=8, leading=10, textColor=theme.QUIET)
TITLE = ParagraphStyle("title", parent=BODY, fontName=typeface.BOLD, fontSize=18, leading=22, spaceAfter=1)
LEAD = ParagraphStyle("lead", parent=BODY, fontSize=11.5, leading=14)
HEADING = ParagraphStyle(
    "heading",
    parent=BODY,
    fontName=typeface.BOLD,
    fontSize=11.5,
    leading=14,
    spaceBefore=7,
    spaceAfter=2,
    keepWithNext=1,
)
CAPTION = ParagraphStyle("caption", parent=BODY, fontName=typeface.BOLD)
BIG = ParagraphStyle(
    "big", parent=BODY, fontName=typeface.BOLD, fontSize=18, leading=21, textColor=theme.DEEP
)
CELL = ParagraphStyle("cell", parent=BODY, fontSize=7.5, leading=9, spaceAfter=0)
CELL_RIGHT = ParagraphStyle("cell right", parent=CELL, alignment=2)
HEAD = ParagraphStyle("head", parent=CELL, fontName=typeface.BOLD)
HEAD_RIGHT = ParagraphStyle("head right", parent=HEAD, alignment=2)
FACE = ("FONTNAME", (0, 0), (-1, -1), typeface.FAMILY)
PADS = [(f"{side}PADDING", (0, 0), (-1, -1), 2) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
GRID = TableStyle(
    [
        ("LINEBELOW", (0, 0), (-1, 0), 1, colors.HexColor(theme.INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, colors.HexColor(theme.RULE)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        *PADS,
        FACE,
    ]
)
#: A heading or a caption with less room below it goes to the next page. (Kept together with a table, as paragraphs are
#: with the next, it would take the whole table there, and leave half a page empty.)
ROOM = 0.9 * inch
#: A longer cell is broken into lines [points]; what stands free on both sides of a cell together.
MOST_WIDTH = 150.0
PAD = 5.0


def as_pdf(document: Document) -> bytes:
    """Write a report as PDF."""
    made = BytesIO()
    pages = SimpleDocTemplate(
        made, pagesize=letter, leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=0.8 * inch,
        title=document.title, author="Underlot", initialFontName=typeface.FAMILY,
    )  # fmt: skip
    story: list[Flowable] = [
        Paragraph(typeface.marked_up(document.title), TITLE),
        Paragraph(typeface.marked_up(document.lead), LEAD),
        Paragraph(typeface.marked_up(f"Underlot · {document.source}"), SMALL),
    ]
    if document.invented:
        story.append(_boxed([Paragraph(typeface.marked_up(document.invented), BODY)], "#F3D98B"))
    for section in document.sections:
        story += _section(section)

    def foot(canvas: Any, page: Any) -> None:
        canvas.setFont(typeface.FAMILY, 7.5)
        canvas.setFillColor(colors.HexColor(theme.QUIET))
        canvas.drawString(MARGIN, 0.45 * inch, typeface.plain(f"{document.title} · {document.source}")[:120])
        canvas.drawRightString(letter[0] - MARGIN, 0.45 * inch, f"page {page.page}")

    pages.build(story, onFirstPage=foot, onLaterPages=foot)
    return made.getvalue()


def _section(section: Section) -> list[Flowable]:
    head = Paragraph(typeface.marked_up(section.heading), HEADING)
    story: list[Flowable] = [CondPageBreak(ROOM), head]
    for place, block in enumerate(section.blocks):
        if place and isinstance(block, Table):
            story.append(CondPageBreak(ROOM))
        story += _block(block)
    return story


def _block(block: Block) -> list[Flowable]:
    match block:
        case Text():
            return [Paragraph(typeface.marked_up(block.words), SMALL if block.is_small else BODY)]
        case Bullets():
            return [_bullets(block.sentences)]
        case Figures():
            return [_figures(block)]
        case Caution():
            inside: list[Flowable] = [Paragraph(f"<b>{typeface.marked_up(block.words)}</b>", BODY)]
            return [
                _boxed([*inside, *([_bullets(block.sentences)] if block.sentences else [])], "#FBEFE7"),
                Spacer(1, 4),
            ]
        case Picture():
            return [_picture(block), Paragraph(typeface.marked_up(block.says), SMALL)]
        case Table():
            return [Paragraph(typeface.marked_up(block.caption), CAPTION), _table(block), Spacer(1, 4)]


def _bullets(sentences: tuple[str, ...]) -> Flowable:
    items = [ListItem(Paragraph(typeface.marked_up(sentence), BODY), leftIndent=12) for sentence in sentences]
    return ListFlowable(
        items, bulletType="bullet", start="•", bulletFontName=typeface.FAMILY, bulletFontSize=7, leftIndent=12
    )


def _boxed(inside: list[Flowable], colour: str) -> Flowable:
    style = TableStyle([("BACKGROUND", (0, 0), (-1, -1), colors.HexColor(colour)), *PADS, FACE])
    return LongTable([[inside]], colWidths=[WIDTH], style=style)


def _figures(figures: Figures) -> Flowable:
    cells = [
        [Paragraph(typeface.marked_up(value), BIG), Paragraph(typeface.marked_up(words), SMALL)]
        for value, words in figures.pairs
    ]
    return LongTable([cells], colWidths=[WIDTH / len(cells)] * len(cells), style=TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *PADS, FACE]))  # fmt: skip


def _picture(picture: Picture) -> Flowable:
    png = picture.png()
    size = Image(BytesIO(png))
    width = WIDTH * DRAWN_SHARE
    return Image(BytesIO(png), width=width, height=width * size.imageHeight / size.imageWidth, hAlign="LEFT")


def _table(table: Table) -> Flowable:
    cells = table.cells
    widths = _widths([[column.label, *(row[i] for row in cells)] for i, column in enumerate(table.columns)])
    head = [
        Paragraph(typeface.marked_up(c.label), HEAD_RIGHT if c.is_number else HEAD) for c in table.columns
    ]
    body = [
        [
            Paragraph(typeface.marked_up(cell), CELL_RIGHT if column.is_number else CELL)
            for cell, column in zip(row, table.columns, strict=True)
        ]
        for row in cells
    ]
    return LongTable([head, *body], colWidths=widths, repeatRows=1, style=GRID)


def _widths(columns: list[list[str]]) -> list[float]:
    """Widths [points] that fill the page: no word is broken while there is room, long cells share what is left."""
    least = [max(_printed(word) for text in texts for word in [*text.split(), ""]) + PAD for texts in columns]
    wanted = [
        max(min(max(_printed(text) for text in texts), MOST_WIDTH) + PAD, low)
        for texts, low in zip(columns, least, strict=True)
    ]
    if sum(wanted) <= WIDTH:
        return [width * WIDTH / sum(wanted) for width in wanted]
    spare, asked = WIDTH - sum(least), sum(wanted) - sum(least)
    if spare <= 0 or asked <= 0:
        return [width * WIDTH / sum(least) for width in least]
    return [low + (width - low) * spare / asked for low, width in zip(least, wanted, strict=True)]


def _printed(text: str) -> float:
    """Width of a text in the widest cut that cells have [points]."""
    return stringWidth(typeface.plain(text), typeface.BOLD, CELL.fontSize)

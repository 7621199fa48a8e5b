"""How a report breaks into pages: no half page left empty, headings of tables on each, no heading alone at a foot."""

from io import BytesIO

import polars as pl
import pytest
from pypdf import PdfReader

from dashboards.parts import Shown
from dashboards.reports.as_pdf import as_pdf
from dashboards.reports.document import Document, Section, Table, Text

COLUMNS = (Shown("lot", lambda row: row["lot"]), Shown("built", lambda row: "1950", is_number=True))


def pages(n_lines: int, n_rows: int) -> list[str]:
    table = Table("The lots", pl.DataFrame({"lot": [f"row {i}." for i in range(n_rows)]}), COLUMNS)
    before = tuple(Text(f"line {i}") for i in range(n_lines))
    sections = (Section("Before", before), Section("Lots to look at", (Text("By chance."), table)))
    made = Document(title="Title", lead="Lead", source="run abc", invented="", sections=sections)
    return [page.extract_text() for page in PdfReader(BytesIO(as_pdf(made))).pages]


def test_a_long_table_begins_where_there_is_room_and_repeats_its_headings():
    made = pages(10, 60)
    assert "row 0." in made[0]
    assert "row 59." in made[-1]
    assert all(
        "built" in page and f"page {n}" in page and "run abc" in page for n, page in enumerate(made, 1)
    )


@pytest.mark.parametrize("n_lines", range(36, 46))
def test_no_heading_stands_alone_at_the_foot_of_a_page(n_lines):
    first, *_ = made = pages(n_lines, 30)
    of_heading = next(n for n, page in enumerate(made) if "Lots to look at" in page)
    of_row = next(n for n, page in enumerate(made) if "row 0." in page)
    of_caption = next(n for n, page in enumerate(made) if "The lots" in page)
    assert of_caption == of_row
    assert of_heading in (of_caption, of_caption - 1)
    assert ("Lots to look at" in first) <= ("By chance." in first)


def test_no_word_is_broken_in_a_wide_table():
    words = ("000000086", "mobilisation", "97 % (range 95 to 99 %)", "5,220 to 14,500", "property", "assumed")
    columns = tuple(Shown(word, lambda row, word=word: word, is_number=True) for word in (*words, *words))
    table = Table("The lots", pl.DataFrame({"lot": ["x"]}), columns)
    made = Document(title="T", lead="L", source="s", invented="", sections=(Section("Before", (table,)),))
    text = PdfReader(BytesIO(as_pdf(made))).pages[0].extract_text().split()
    for word in ("000000086", "mobilisation", "property", "assumed"):
        assert text.count(word) == 4

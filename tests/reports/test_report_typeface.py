"""Names in the letters of other languages, on paper: readable where the typeface has them, marked where not."""

from io import BytesIO
from pathlib import Path

import altair as alt
import polars as pl
import pytest
import vl_convert
from PIL import Image
from pypdf import PdfReader

from dashboards.parts import Shown
from dashboards.reports.as_pdf import as_pdf
from dashboards.reports.document import Bullets, Caution, Document, Figures, Section, Table, Text
from pipeline.reports import typeface

#: Streets and towns as their own languages write them (the pan-European letters of ISO 8859-2, -3, -4, -5, -7, -9 and -10).
NAMES = (
    "Łąka",
    "Čačak",
    "Ærø",
    "Straße",
    "İğdır",
    "Őrség",
    "Ķekava",
    "Ħal Qormi",
    "Улица Їжакевича",
    "Οδός Ερμού",
)


def report(words: str) -> Document:
    table = Table(words, pl.DataFrame({"lot": [words]}), (Shown(words, lambda row: row["lot"]),))
    blocks = (Text(words), Bullets((words,)), Figures(((words, words),)), Caution(words, (words,)), table)
    return Document(title=words, lead=words, source=words, invented=words, sections=(Section(words, blocks),))


def pages(words: str) -> PdfReader:
    return PdfReader(BytesIO(as_pdf(report(words))))


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_printed_as_it_is_written(name):
    text = " ".join(page.extract_text() for page in pages(name).pages)
    # Title, lead, source, note, heading, the blocks and their parts, and the foot of the page twice.
    assert text.count(name) >= 13
    assert typeface.MISSING not in text


def test_a_letter_that_the_typeface_lacks_is_marked_and_the_rest_is_kept():
    text = pages("Lot 漢字 7 😀 שלום end").pages[0].extract_text()
    assert f"Lot {typeface.MISSING * 2} 7 {typeface.MISSING} {typeface.MISSING * 4} end" in text


def test_an_accent_set_apart_joins_its_letter():
    assert "Lódź" in pages("Lo\N{COMBINING ACUTE ACCENT}dz\N{COMBINING ACUTE ACCENT}").pages[0].extract_text()


def test_markup_in_a_name_is_print():
    assert "<b>A & B</b>" in pages("<b>A & B</b>").pages[0].extract_text()


def test_every_font_of_a_report_is_in_the_file():
    for page in pages("Łąka").pages:
        for font in page["/Resources"]["/Font"].values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()


def test_the_licence_travels_with_the_typeface():
    licence = (Path(typeface.FOLDER) / "LICENSE.txt").read_text(encoding="utf-8")
    assert "Permission is hereby granted, free of charge" in licence
    for file in typeface.FILES.values():
        assert (Path(typeface.FOLDER) / file).stat().st_size < 300_000


def test_charts_are_lettered():
    """A family that nobody knows draws no letter at all: the typeface must put more ink on paper than that."""

    def ink(family: str) -> int:
        chart = alt.Chart(pl.DataFrame({"year": [1, 2]})).mark_point().encode(x="year:Q")
        drawn = vl_convert.vegalite_to_png(chart.configure(font=family, background="white").to_dict())
        return sum(Image.open(BytesIO(drawn)).convert("L").histogram()[:140])

    assert ink(typeface.FAMILY) > 1.5 * ink("a family that nobody knows")

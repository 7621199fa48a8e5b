"""Reports to hand on: the published numbers, the cautions, and files that need nothing else."""

import re
from html.parser import HTMLParser
from io import BytesIO

import pytest
from pypdf import PdfReader

from dashboards import wording
from dashboards.reports.make import save_report
from pipeline.errors import SettingsError
from pipeline.published.read import open_current
from pipeline.settings import Workspace
from tests.browser import made_up


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports")
    made_up.publish(folder)
    return Workspace(folder)


def written(workspace, tmp_path, ending, **about):
    file = tmp_path / f"report{ending}"
    save_report(workspace, file, **{"lot": None, "subdivision_name": None, **about})
    return file.read_bytes()


def pdf_text(content):
    text = " ".join(page.extract_text() for page in PdfReader(BytesIO(content)).pages)
    return " ".join(text.split())


class Seen(HTMLParser):
    """The text of a page, and everything in it that a browser would fetch."""

    def __init__(self, content):
        super().__init__()
        self.text, self.fetched, self.tags = "", [], set()
        self.feed(content.decode("utf-8"))

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.fetched += [value for name, value in attributes if name in {"src", "href", "data", "srcset"}]

    def handle_data(self, data):
        self.text += data


@pytest.mark.parametrize("about", [{"lot": "L00004"}, {"subdivision_name": "Mock Acres 2"}])
def test_html_needs_nothing_else_and_ends_with_cautions(workspace, tmp_path, about):
    content = written(workspace, tmp_path, ".html", **about)
    page = Seen(content)
    assert [target for target in page.fetched if not target.startswith("#")] == []
    assert "@import" not in content.decode()
    assert not re.search(r"url\((?!#)", content.decode())
    assert "script" not in page.tags
    for words in (*wording.CAUTIONS, wording.SCREENING, "run made-up", "is an invented town"):
        assert words in page.text


@pytest.mark.parametrize("about", [{"lot": "L00004"}, {"subdivision_name": "Mock Acres 2"}])
def test_pdf_says_the_same_and_names_its_source_on_each_page(workspace, tmp_path, about):
    content = written(workspace, tmp_path, ".pdf", **about)
    text = pdf_text(content)
    for words in (*wording.CAUTIONS, wording.SCREENING, "is an invented town"):
        assert " ".join(words.split()) in text
    for page in PdfReader(BytesIO(content)).pages:
        assert "run made-up" in page.extract_text()


@pytest.mark.parametrize("ending", [".html", ".pdf"])
def test_the_chance_on_the_report_is_the_published_one(workspace, tmp_path, ending):
    with open_current(workspace) as reader:
        lot = reader.query("SELECT * FROM lots WHERE lot_id = 'L00004'").row(0, named=True)
    content = written(workspace, tmp_path, ending, lot="L00004")
    text = pdf_text(content) if ending == ".pdf" else Seen(content).text
    assert f"{100 * lot['failure_probability']:.0f} %" in text
    assert lot["address"] in text


def test_a_line_that_no_camera_has_seen_says_so(workspace, tmp_path):
    assert wording.NO_CAMERA in Seen(written(workspace, tmp_path, ".html", lot="L00017")).text


def test_a_foreign_line_stops_work_and_asbestos_is_told(workspace, tmp_path):
    text = Seen(written(workspace, tmp_path, ".html", lot="L00000")).text
    assert wording.STOP_WORK in text
    assert wording.ASBESTOS in text
    assert wording.STOP_WORK not in Seen(written(workspace, tmp_path, ".html", lot="L00004")).text


def test_words_of_the_records_are_text_never_markup(workspace, tmp_path):
    page = Seen(written(workspace, tmp_path, ".html", lot="L00000"))
    assert made_up.NASTY_ADDRESS in page.text
    assert (
        "b" not in page.tags or "<b>Bold" not in written(workspace, tmp_path, ".html", lot="L00000").decode()
    )
    assert made_up.NASTY_ADDRESS in pdf_text(written(workspace, tmp_path, ".pdf", lot="L00000"))


@pytest.mark.parametrize(
    ("ending", "about", "words"),
    [
        (".docx", {"lot": "L00004"}, "reports are written as .html or .pdf"),
        (".pdf", {"lot": "no such street"}, "No lot has 'no such street' in its address"),
        (".pdf", {"lot": "Mock"}, "Several lots fit 'Mock'"),
        (".pdf", {"subdivision_name": "Mock"}, "There is no subdivision 'Mock'"),
    ],
)
def test_what_cannot_be_reported_on_is_told_and_nothing_is_written(workspace, tmp_path, ending, about, words):
    with pytest.raises(SettingsError, match=words):
        written(workspace, tmp_path, ending, **about)
    assert list(tmp_path.iterdir()) == []

"""The page that opens first is made once before the server says that it is ready."""

from __future__ import annotations

import gc
import logging
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import panel as pn
import pytest
from panel.io.state import set_curdoc

from dashboards import serve as serve_module
from dashboards.app import make_app
from dashboards.data import Library
from dashboards.warm_up import warm_up
from tests.browser import made_up

pytestmark = pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")


@pytest.fixture
def library(tmp_path: Path) -> Library:
    made_up.publish(tmp_path)
    return Library(tmp_path)


@pytest.fixture(autouse=True)
def thawed() -> Iterator[None]:
    yield
    gc.unfreeze()


def panels_lists() -> tuple[int, ...]:
    kept = pn.state
    return tuple(len(found) for found in (kept._views, kept._templates, kept._locations))


def test_answers_of_the_first_page_are_kept_and_the_records_given_back(library: Library) -> None:
    asked = []

    def page(records):
        found = records.kept.of(("slow",), lambda: asked.append(records) or 7)
        return pn.pane.HTML(str(found))

    app = make_app(library, {"age": page})
    before = panels_lists(), dict(pn.state.session_info)
    warm_up(app)
    assert len(asked) == 1
    assert (panels_lists(), dict(pn.state.session_info)) == before
    assert [lent.sessions for lent in library._open] == [0]
    with set_curdoc(document := pn.io.document.Document()):
        app().server_doc(document)
    assert len(asked) == 1
    assert [lent.sessions for lent in library._open] == [1]


def test_the_real_first_page_is_made_without_a_fault(
    library: Library, caplog: pytest.LogCaptureFixture
) -> None:
    before = panels_lists()
    with caplog.at_level(logging.WARNING):
        warm_up(make_app(library))
    assert not caplog.records
    assert panels_lists() == before
    assert library._open[0].records.kept._answers
    # Later pages are not looked through together with all that was imported.
    assert gc.get_freeze_count() > 0


class Broken:
    def server_doc(self, _document):
        raise RuntimeError("no drawing today")


def no_frame():
    raise RuntimeError("no drawing today")


@pytest.mark.parametrize("app", [Broken, no_frame])
def test_a_fault_is_logged_and_stops_nothing(app, caplog: pytest.LogCaptureFixture) -> None:
    warm_up(app)
    (logged,) = caplog.records
    assert "the first page could not be made ready [reference " in logged.getMessage()
    assert "no drawing today" in str(logged.exc_info)


def test_the_server_is_warm_before_its_port_opens_and_says_that_it_is_ready(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made_up.publish(tmp_path)
    done = []

    def broken(_records):
        done.append("page")
        raise RuntimeError("no page today")

    def get_server(*_, **__):
        done.append("port")
        loop = SimpleNamespace(
            asyncio_loop=SimpleNamespace(set_exception_handler=lambda _: None),
            start=lambda: done.append(capsys.readouterr().out),
        )
        return SimpleNamespace(start=lambda: None, stop=lambda: None, io_loop=loop)

    monkeypatch.setattr(serve_module, "get_server", get_server)
    serve_module.serve(tmp_path, open_browser=False, pages={"age": broken})
    assert done[:2] == ["page", "port"]
    assert done[2].startswith("Underlot is at http://127.0.0.1:5006")

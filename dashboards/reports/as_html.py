"""A report as one HTML file that needs nothing else."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment
from markupsafe import Markup

from dashboards import theme
from dashboards.reports.document import Document

_PAGES = Environment(autoescape=True)
_PAGES.filters["kind"] = lambda block: type(block).__name__
_TEMPLATE = _PAGES.from_string(Path(__file__).with_name("report.html").read_text(encoding="utf-8"))


def as_html(document: Document) -> bytes:
    """Write a report as HTML; text of the records is escaped, drawings stand in the file itself."""
    return _TEMPLATE.render(doc=document, font=Markup(theme.FONT)).encode("utf-8")

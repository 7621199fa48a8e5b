"""Before a sale: one house's line, or a subdivision."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote

import panel as pn
from markupsafe import Markup

from dashboards import parts, theme, wording
from dashboards.data import Records
from dashboards.pages import house, tract
from dashboards.reports.as_html import as_html
from dashboards.reports.as_pdf import as_pdf
from dashboards.reports.document import Document
from dashboards.reports.house import report as house_report
from dashboards.reports.subdivision import report as area_report

HOUSE, TRACT = "house", "subdivision"
TO_HAND_ON = "To hand on"


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    top = parts.title(wording.PAGES["sale"], wording.LEADS["sale"])
    if records.run["n_lots"] == 0:
        return pn.Column(top, parts.empty(wording.NO_LOTS, wording.NO_LOTS_TODO))
    kind = pn.widgets.RadioButtonGroup(
        name="Estimate for",
        options={"One house": HOUSE, "A subdivision": TRACT},
        value=parts.from_address("about", (HOUSE, TRACT)) or HOUSE,
        button_type="default",
        width=320,
        stylesheets=[theme.WIDGET],
    )

    parts.keep_in_address(kind, "about")

    def chosen(which: str) -> pn.viewable.Viewable:
        if which == TRACT:
            return tract.section(records, lambda name: _reports(name, lambda: area_report(records, name)))
        return house.section(records, lambda lot: _after_house(records, lot))

    return pn.Column(
        top, parts.note(wording.SCREENING), kind, parts.live(chosen, kind), sizing_mode="stretch_width"
    )


def _after_house(records: Records, chosen: parts.Choice) -> pn.viewable.Viewable:
    def title(lot_id: str) -> str:
        return house.address(records.lot(lot_id))

    def on_map(lot_id: str) -> pn.pane.HTML:
        words = '<p class="u-text"><a href="?page=map&amp;lot={}">See it on the map</a></p>'
        return parts.text(Markup(words).format(quote(lot_id)))

    buttons = _buttons(title(chosen.value), lambda: house_report(records, chosen.value))
    parts.follow(chosen, lambda event: parts.rename_reports(buttons, title(event.new)))
    return pn.Column(
        parts.card(parts.heading(TO_HAND_ON), buttons),
        parts.live_text(on_map, chosen),
        sizing_mode="stretch_width",
    )


def _reports(title: str, made: Callable[[], Document]) -> pn.viewable.Viewable:
    return parts.card(parts.heading(TO_HAND_ON), _buttons(title, made))


def _buttons(title: str, made: Callable[[], Document]) -> pn.Row:
    """The same answer to hand on, with the cautions and how the numbers were made."""
    return parts.report_buttons(title, {".pdf": lambda: as_pdf(made()), ".html": lambda: as_html(made())})

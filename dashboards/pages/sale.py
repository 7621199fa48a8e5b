"""Before a sale: one house's line, or a subdivision."""

from __future__ import annotations

import panel as pn

from dashboards import parts, theme, wording
from dashboards.data import Records
from dashboards.pages import house, tract

HOUSE, TRACT = "house", "subdivision"


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
        return tract.section(records) if which == TRACT else house.section(records)

    return pn.Column(
        top, parts.note(wording.SCREENING), kind, parts.live(chosen, kind), sizing_mode="stretch_width"
    )

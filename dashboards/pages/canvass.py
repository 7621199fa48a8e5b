"""Where to call: areas by failures nobody has seen yet, safe to show to anyone who calls at doors."""

from __future__ import annotations

import panel as pn
import polars as pl

from dashboards import parts, wording
from dashboards.charts import utility
from dashboards.data import Records
from dashboards.filters import Filters, View
from dashboards.parts import Shown

MOST_DRAWN = 20
LONGEST_TABLE = 40

TITLE = "Where to offer a look"
LEAD = "Areas by the failures that no camera has seen yet, for each door that may be called at."
NONE = "No area can be shown"
NONE_TODO = "An area needs ten lines that a camera has seen and five that none has. Load more inspections with `underlot load`, then run `underlot build`."
RULES = (
    "A line that a camera has been in counts for nothing here: no household's own result can be read off these numbers, nor off "
    "any sum or difference of them.",
    "Areas do not overlap. Small blocks of a subdivision are put together; what stays too small is held back, and no totals are given.",
    "These are estimates for areas. Do not tell a household that its line has failed: only a camera in the line can say so.",
    "Whoever asked not to be contacted is on no list of doors. Such a list needs a stated purpose, is logged, and runs out.",
    "Nothing here may decide about lending or insurance.",
)


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    top = pn.Column(
        parts.title(TITLE, LEAD), parts.note(wording.SCREENING), sizing_mode="stretch_width", margin=0
    )
    areas = records.utility.areas
    told = areas.filter(pl.col("status") == "ok")
    if told.is_empty():
        return pn.Column(top, parts.empty(NONE, NONE_TODO), parts.card(*_rules()))
    filters = Filters(records.options, ("subdivision",))
    return pn.Column(
        top,
        filters.panel(),
        parts.live(lambda view: _areas(areas, view), filters),
        parts.card(*_rules()),
        sizing_mode="stretch_width",
    )


def _areas(areas: pl.DataFrame, view: View) -> pn.viewable.Viewable:
    if view.subdivision:
        areas = areas.filter(pl.col("subdivision") == view.subdivision)
    told = areas.filter(pl.col("status") == "ok")
    if told.is_empty():
        return parts.card(
            parts.note(f"No area of {view.subdivision} is large enough to be told."), *_held_back(areas)
        )
    drawn = told.head(MOST_DRAWN)
    return pn.Column(
        parts.card(
            parts.heading("Unseen failures expected per door"),
            parts.chart(
                utility.per_door(drawn),
                height=60 + 24 * drawn.height,
                says=f"The best {drawn.height} of {told.height} areas. Dots are estimates, bars their ranges.",
                data=drawn,
                name="areas",
            ),
        ),
        parts.card(_table(told), *_held_back(areas)),
        sizing_mode="stretch_width",
    )


def _table(told: pl.DataFrame) -> pn.viewable.Viewable:
    shown = told.head(LONGEST_TABLE)
    return parts.table(
        shown,
        [
            Shown("rank", lambda r: wording.number(r["rank"]), is_number=True),
            Shown("area", lambda r: r["name"]),
            Shown("subdivision", lambda r: r["subdivision"]),
            Shown("doors", lambda r: wording.number(r["n_doors"]), is_number=True),
            Shown("lines seen", lambda r: f"{wording.number(r['n_seen_about'])} or more", is_number=True),
            Shown(
                "unseen failures expected",
                lambda r: (
                    f"{wording.number(r['expected_unseen'], 1)} ({wording.number_range(r['expected_unseen_lower'], r['expected_unseen_upper'], 1)})"
                ),
                is_number=True,
            ),
            Shown(
                "per door",
                lambda r: wording.estimate(r["per_door"], r["per_door_lower"], r["per_door_upper"]),
                is_number=True,
            ),
        ],
        caption=f"Areas, most unseen failures per door first ({shown.height} of {wording.number(told.height)})",
    )


def _held_back(areas: pl.DataFrame) -> list[pn.viewable.Viewable]:
    quiet = areas.filter(pl.col("status") != "ok")
    if quiet.is_empty():
        return []
    return [
        parts.paragraph(
            f"{wording.count(quiet.height, 'more area')} with {wording.count(int(quiet['n_lots'].sum()), 'lot')}.",
            str(quiet["sentence"][0]),
            small=True,
        )
    ]


def _rules() -> list[pn.viewable.Viewable]:
    return [parts.heading("Fair dealing"), parts.bullets(RULES)]

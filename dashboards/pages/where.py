"""Where they fail: observed against expected, always beside how much has been inspected."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import panel as pn
import polars as pl
from markupsafe import Markup

from dashboards import markup, parts, theme, wording
from dashboards.charts import areas
from dashboards.data import Records
from dashboards.filters import Filters, View
from dashboards.parts import Shown
from pipeline.published.chosen_areas import Area

#: What the lots and looks behind the counts can be narrowed down to.
FILTERS = ("subdivision", "portfolio", "material", "era", "purpose", "years")
#: Rows of the table; the map has all areas.
LONGEST_TABLE = 25

BLOCKS, SUBDIVISIONS = "blocks", "subdivisions"

ORDERS = {
    "most above expected": "excess",
    "most inspected": "n_inspected",
    "least inspected": "n_inspected_up",
    "name": "area",
}


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    top = parts.title(wording.PAGES["where"], wording.LEADS["where"])
    if records.n_blocks() == 0 and not records.subdivision_names():
        return pn.Column(top, parts.empty(wording.NO_AREAS, wording.NO_AREAS_TODO))
    filters = Filters(records.options, FILTERS if records.can_narrow_areas else FILTERS[:1])
    size = pn.widgets.Select(
        name="Areas",
        options=[BLOCKS, SUBDIVISIONS],
        value=parts.from_address("areas", (BLOCKS, SUBDIVISIONS)) or BLOCKS,
        width=150,
        stylesheets=[theme.WIDGET],
    )
    order = pn.widgets.Select(
        name="Order of the table",
        options=list(ORDERS),
        value=parts.from_address("order", ORDERS) or next(iter(ORDERS)),
        width=220,
        stylesheets=[theme.WIDGET],
    )
    for widget, name in ((size, "areas"), (order, "order")):
        parts.keep_in_address(widget, name)
    return pn.Column(
        top,
        filters.panel(_which(records)),
        pn.FlexBox(size, order, gap="12px", sizing_mode="stretch_width"),
        _Maps(records, filters, size).panel,
        _hot_spots(records, filters),
        parts.card(
            parts.live_text(lambda *asked: _table(records, *asked), filters, size, order),
            parts.paragraph(wording.AREA_WARNING, small=True),
        ),
        sizing_mode="stretch_width",
    )


def _which(records: Records) -> str:
    """What the filters choose."""
    if not records.can_narrow_areas:
        return wording.AREAS_NOT_NARROWED
    said = wording.WHICH_LOTS_COUNT.format(records.run["min_area_inspections"])
    return f"{said} {wording.OWN_LOTS_ONLY}" if records.is_restricted else said


def _is_narrowed(view: View) -> bool:
    """Whether areas are counted anew: a subdivision alone only chooses among the published ones."""
    return not replace(view, subdivision="").is_everything


def _areas(records: Records, view: View, size: str) -> tuple[pl.DataFrame, Area]:
    """Blocks; or subdivisions where they are asked for, or where blocks are none or too many for a map."""
    within = view.subdivision or None
    is_of_blocks = size == BLOCKS and 0 < records.n_blocks(within) <= areas.MOST_SHAPES
    name: Area = "block" if is_of_blocks else "subdivision"
    if _is_narrowed(view):
        return records.chosen_areas(name, view), name
    if is_of_blocks:
        return records.blocks(within), name
    found = records.subdivisions()
    return found if within is None else found.filter(pl.col("subdivision") == within), name


class _Maps:
    """Both maps, with what they count; drawn again in place when other areas are asked for.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(self, records: Records, filters: Filters, size: pn.widgets.Select) -> None:
        self._records, self._filters, self._size = records, filters, size
        self._counted = parts.figures([])
        self._coarse = parts.text("")
        self._charts: tuple[parts.Chart, parts.Chart] | None = None
        self._drawn_of = ""
        self._shapes: dict[str, areas.Shapes] = {}
        self._maps = pn.Column(sizing_mode="stretch_width", margin=0)
        self.panel = pn.Column(self._counted, self._coarse, self._maps, sizing_mode="stretch_width", margin=0)
        for widget in (filters, size):
            parts.follow(widget, lambda _event: self._show())
        self._show()

    def _show(self) -> None:
        view, size = self._filters.value, self._size.value
        found, name = _areas(self._records, view, size)
        if _is_narrowed(view):
            # A saved table has to say by itself what it is of.
            found = found.with_columns(lots_asked_for=pl.lit(view.in_words()))
        drawn = areas.placed(found)
        self._counted.object = _counts(found, name, is_narrowed=_is_narrowed(view)).object
        notes = [markup.note(said) for said in self._notes(view, size, found, name)]
        self._coarse.param.update(object=str(Markup("").join(notes)), visible=bool(notes))
        if drawn.is_empty():
            self._charts = None
            self._maps.objects = (
                [] if found.is_empty() else [parts.empty(wording.NO_PLACES, wording.NO_PLACES_TODO)]
            )
            return
        spots = self._records.hot_spots(subdivision=view.subdivision)
        shapes = self._shapes.setdefault(name, areas.Shapes(name)).of(drawn)
        failures = areas.with_hot_spots(areas.failures(drawn, shapes, name=name), spots)
        coverage = areas.coverage(drawn, shapes, name=name)
        told, seen = _say(view)
        if self._charts is None or self._drawn_of != name:
            self._drawn_of = name
            self._charts = (
                parts.Chart(failures, height=420, says=told, data=found, name=f"{name}s found and expected"),
                parts.Chart(coverage, height=420, says=seen, data=found, name=f"{name}s inspected"),
            )
            self._maps.objects = [_beside(*self._charts, name)]
        else:
            self._charts[0].redraw(failures, says=told, data=found)
            self._charts[1].redraw(coverage, says=seen, data=found)

    def _notes(self, view: View, size: str, found: pl.DataFrame, name: str) -> list[str]:
        n_blocks = self._records.n_blocks(view.subdivision or None)
        notes = []
        if size == BLOCKS and name == "subdivision" and n_blocks > 0:
            notes.append(wording.too_many_blocks(n_blocks))
        if _is_narrowed(view) and found.is_empty():
            notes.append(wording.NO_LOT_ASKED_FOR)
        elif _is_narrowed(view) and found["expected"].null_count() == found.height:
            notes.append(wording.none_told(self._records.run["min_area_inspections"], name))
        return notes


def _say(view: View) -> tuple[str, str]:
    """What the two maps show of a view."""
    if not _is_narrowed(view):
        return wording.EXPECTED, wording.COVERAGE
    return f"{wording.EXPECTED} {view.in_words()}", f"{wording.COVERAGE_OF_CHOSEN} {view.in_words()}"


def _beside(failures: parts.Chart, coverage: parts.Chart, name: str) -> pn.viewable.Viewable:
    condition = parts.card(
        parts.heading(f"Lines found failed, against expectation, by {name}"),
        parts.key([(theme.TOO_FEW, "too few records to judge")]),
        failures.panel,
    )
    seen = parts.card(
        parts.heading(f"How much has been inspected, by {name}"),
        parts.key([(theme.NONE_SEEN, "no line inspected, or of chosen lots too few to tell")]),
        coverage.panel,
    )
    return parts.side_by_side(condition, seen)


def _hot_spots(records: Records, filters: Filters) -> pn.viewable.Viewable:
    """What the searches for hot spots found, or that they found nothing."""
    searches = {search["period"]: search for search in records.hot_spot_searches()}
    if not searches:
        return pn.Column(sizing_mode="stretch_width")
    # Of the filters only the area is obeyed, and only a change of it draws this anew.
    within = parts.Choice(value=filters.value.subdivision)
    parts.follow(filters, lambda event: within.param.update(value=event.new.subdivision))
    if len(searches) == 1:
        ((period, search),) = searches.items()
        return parts.card(
            parts.heading("Hot spots"),
            parts.live_text(lambda name: _search(records, period, search, name), within),
        )
    chosen = pn.widgets.Select(
        name="Looks searched",
        options={wording.HOT_SPOT_SEARCHES[period]: period for period in searches},
        value=parts.from_address("search", searches) or next(iter(searches)),
        sizing_mode="stretch_width",
        max_width=360,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(chosen, "search")
    return parts.card(
        parts.heading("Hot spots"),
        chosen,
        parts.live_text(
            lambda period, name: _search(records, period, searches[period], name), chosen, within
        ),
    )


def _search(records: Records, period: str, search: dict[str, Any], subdivision: str) -> pn.pane.HTML:
    """What one search found, in one pane: panes are what a page costs."""
    spots = records.hot_spots(period, subdivision)
    pieces = [markup.paragraph(search["sentence"], wording.SEARCH_OF_ALL)]
    if spots.height:
        pieces.append(
            markup.table(
                spots,
                [
                    Shown("hot spot", lambda r: f"{r['zone']}", is_number=True),
                    Shown("where", lambda r: wording.word(r["subdivisions"])),
                    Shown("how sure", lambda r: f"{r['label']}: {r['meaning']}"),
                    Shown("inspected", lambda r: wording.number(r["n_inspected"]), is_number=True),
                    Shown("with a finding", lambda r: wording.number(r["n_observed"]), is_number=True),
                    Shown("expected", lambda r: wording.number(r["expected"], 1), is_number=True),
                    Shown("warning", lambda r: r["warning"]),
                ],
                caption="Zones with more failures than material, age and depth explain",
            )
        )
    elif subdivision:
        pieces.append(markup.note(f"No zone of this search has an inspected lot in {subdivision}."))
    pieces.append(markup.paragraph(wording.HOT_SPOT_WARNING, small=True))
    return parts.text(Markup("").join(pieces))


def _counts(found: pl.DataFrame, name: str, *, is_narrowed: bool) -> pn.pane.HTML:
    judged = found.filter(pl.col("status") == "ok")
    where = f" (in {name}s with enough of them)" if is_narrowed else ""
    return parts.figures(
        [
            (wording.number(found.height), f"{name}s"),
            (wording.number(judged.height), "with enough records to judge"),
            (wording.number(float(found["n_inspected"].sum())), f"lots inspected without a complaint{where}"),
            (wording.number(float(found["n_observed"].sum())), "of these with a finding"),
            (wording.number(float(found["expected"].sum()), 1), "expected from material, age and depth"),
        ]
    )


def _table(records: Records, view: View, size: str, by: str) -> pn.pane.HTML:
    found, name = _areas(records, view, size)
    ordered = found.with_columns(
        excess=pl.when(pl.col("status") == "ok").then(pl.col("n_observed") - pl.col("expected")),
        # What is withheld stands with the least inspected.
        n_inspected_up=-pl.col("n_inspected").fill_null(0),
    )
    key = ORDERS[by]
    sort = (
        ordered.sort(name)
        if key == "area"
        else ordered.sort(key, name, descending=[True, False], nulls_last=True)
    )
    shown = sort.head(LONGEST_TABLE)
    caption = f"{name.capitalize()}s: {by}" + (", of the lots asked for" if _is_narrowed(view) else "")
    if found.height > shown.height:
        caption += f" (the first {shown.height} of {wording.number(found.height)})"
    home = [Shown("subdivision", lambda r: wording.word(r["subdivision"]))] if name == "block" else []
    return parts.table(
        shown,
        [
            Shown(name, lambda r: r[name]),
            *home,
            Shown("lots", lambda r: wording.number(r["n_lots"]), is_number=True),
            Shown("inspected", lambda r: wording.number(r["n_inspected"]), is_number=True),
            Shown("with a finding", lambda r: wording.number(r["n_observed"]), is_number=True),
            Shown("expected", lambda r: wording.number(r["expected"], 1), is_number=True),
            Shown(
                "chance allows",
                lambda r: wording.number_range(r["expected_lower"], r["expected_upper"]),
                is_number=True,
            ),
            Shown(
                "found / expected",
                lambda r: wording.number(r["ratio"] if r["status"] == "ok" else None, 2),
                is_number=True,
            ),
            Shown("against chance", wording.against_chance),
        ],
        caption=caption,
    )

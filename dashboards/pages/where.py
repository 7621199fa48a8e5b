"""Where they fail: observed against expected, always beside how much has been inspected."""

from __future__ import annotations

from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import areas
from dashboards.data import Records
from dashboards.parts import Shown

EVERYWHERE = "everywhere"
#: Stands for "everywhere" in the choice; a browser cannot send None.
ALL = ""
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
    names = records.subdivision_names()
    chosen = pn.widgets.Select(
        name="Subdivision",
        options={EVERYWHERE: ALL, **{n: n for n in names}},
        value=parts.from_address("subdivision", names) or ALL,
        width=260,
        stylesheets=[theme.WIDGET],
    )
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
    for widget, name in ((chosen, "subdivision"), (size, "areas"), (order, "order")):
        parts.keep_in_address(widget, name)
    return pn.Column(
        top,
        pn.FlexBox(chosen, size, order, gap="12px", sizing_mode="stretch_width"),
        _Maps(records, chosen, size).panel,
        _hot_spots(records),
        parts.card(
            parts.live_text(lambda *asked: _table(records, *asked), chosen, size, order),
            parts.paragraph(wording.AREA_WARNING, small=True),
        ),
        sizing_mode="stretch_width",
    )


def _areas(records: Records, subdivision: str, size: str) -> tuple[pl.DataFrame, str]:
    """Blocks; or subdivisions where they are asked for, or where blocks are none or too many for a map."""
    within = subdivision or None
    if size == BLOCKS and 0 < records.n_blocks(within) <= areas.MOST_SHAPES:
        return records.blocks(within), "block"
    found = records.subdivisions()
    return found if within is None else found.filter(pl.col("subdivision") == within), "subdivision"


class _Maps:
    """Both maps, with what they count; drawn again in place when other areas are asked for.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(self, records: Records, subdivision: pn.widgets.Select, size: pn.widgets.Select) -> None:
        self._records, self._subdivision, self._size = records, subdivision, size
        self._counted = parts.figures([])
        self._coarse = pn.Column(sizing_mode="stretch_width", margin=0)
        self._charts: tuple[parts.Chart, parts.Chart] | None = None
        self._drawn_of = ""
        self._maps = pn.Column(sizing_mode="stretch_width", margin=0)
        self.panel = pn.Column(self._counted, self._coarse, self._maps, sizing_mode="stretch_width", margin=0)
        for widget in (subdivision, size):
            parts.follow(widget, lambda _event: self._show())
        self._show()

    def _show(self) -> None:
        subdivision, size = self._subdivision.value, self._size.value
        found, name = _areas(self._records, subdivision, size)
        drawn = areas.with_shapes(found)
        n_blocks = self._records.n_blocks(subdivision or None)
        too_many = size == BLOCKS and name == "subdivision" and n_blocks > 0
        self._counted.object = _counts(found, name).object
        if too_many or self._coarse.objects:
            self._coarse.objects = [parts.note(wording.too_many_blocks(n_blocks))] if too_many else []
        if drawn.is_empty():
            self._charts = None
            self._maps.objects = [parts.empty(wording.NO_PLACES, wording.NO_PLACES_TODO)]
            return
        # Of one subdivision only its own surroundings are drawn; a hot spot elsewhere would shrink them.
        spots = self._records.hot_spots() if not subdivision else self._records.hot_spots().clear()
        failures = areas.with_hot_spots(areas.failures(drawn, name=name), spots)
        coverage = areas.coverage(drawn, name=name)
        if self._charts is None or self._drawn_of != name:
            self._charts, self._drawn_of = _both(failures, coverage, found), name
            self._maps.objects = [_beside(*self._charts, name)]
        else:
            self._charts[0].redraw(failures, says=wording.EXPECTED, data=found)
            self._charts[1].redraw(coverage, says=wording.COVERAGE, data=found)


def _both(
    failures: dict[str, Any], coverage: dict[str, Any], found: pl.DataFrame
) -> tuple[parts.Chart, parts.Chart]:
    return (
        parts.Chart(failures, height=420, says=wording.EXPECTED, data=found),
        parts.Chart(coverage, height=420, says=wording.COVERAGE, data=found),
    )


def _beside(failures: parts.Chart, coverage: parts.Chart, name: str) -> pn.viewable.Viewable:
    condition = parts.card(
        parts.heading(f"Lines found failed, against expectation, by {name}"),
        parts.key([(theme.TOO_FEW, "too few records to judge")]),
        failures.panel,
    )
    seen = parts.card(
        parts.heading(f"How much has been inspected, by {name}"),
        parts.key([(theme.NONE_SEEN, "no line inspected")]),
        coverage.panel,
    )
    return parts.side_by_side(condition, seen)


def _hot_spots(records: Records) -> pn.viewable.Viewable:
    """What the searches for hot spots found, or that they found nothing."""
    searches = {search["period"]: search for search in records.hot_spot_searches()}
    if not searches:
        return pn.Column(sizing_mode="stretch_width")
    if len(searches) == 1:
        ((period, search),) = searches.items()
        return parts.card(parts.heading("Hot spots"), *_search(records, period, search))
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
        parts.live(
            lambda period: pn.Column(
                *_search(records, period, searches[period]), sizing_mode="stretch_width"
            ),
            chosen,
        ),
    )


def _search(records: Records, period: str, search: dict[str, Any]) -> list[pn.viewable.Viewable]:
    spots = records.hot_spots(period)
    pieces = [parts.paragraph(search["sentence"])]
    if spots.height:
        pieces.append(
            parts.table(
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
    pieces.append(parts.paragraph(wording.HOT_SPOT_WARNING, small=True))
    return pieces


def _counts(found: pl.DataFrame, name: str) -> pn.pane.HTML:
    judged = found.filter(pl.col("status") == "ok")
    return parts.figures(
        [
            (wording.number(found.height), f"{name}s"),
            (wording.number(judged.height), "with enough records to judge"),
            (wording.number(float(found["n_inspected"].sum())), "lots inspected without a complaint"),
            (wording.number(float(found["n_observed"].sum())), "of these with a finding"),
            (wording.number(float(found["expected"].sum()), 1), "expected from material, age and depth"),
        ]
    )


def _table(records: Records, subdivision: str, size: str, by: str) -> pn.pane.HTML:
    found, name = _areas(records, subdivision, size)
    ordered = found.with_columns(
        excess=pl.when(pl.col("status") == "ok").then(pl.col("n_observed") - pl.col("expected")),
        n_inspected_up=-pl.col("n_inspected"),
    )
    key = ORDERS[by]
    sort = (
        ordered.sort(name)
        if key == "area"
        else ordered.sort(key, name, descending=[True, False], nulls_last=True)
    )
    shown = sort.head(LONGEST_TABLE)
    caption = f"{name.capitalize()}s: {by}"
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

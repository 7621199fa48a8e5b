"""One house's line: chances, what they rest on, the pipe, and every look at it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import panel as pn
import polars as pl

from dashboards import markup, parts, theme, wording
from dashboards.charts import sale
from dashboards.data import Records
from dashboards.parts import Choice, Shown
from dashboards.sheet import Drawing, Piece, Sheet
from pipeline.vocabulary import FindingKind, Material

After = Callable[[Choice], pn.viewable.Viewable]

#: Addresses offered while the user types.
MOST_OFFERED = 20
#: Stands in the list for "not chosen yet".
NONE_CHOSEN = ""

HOLDS_ASBESTOS = {Material.ASBESTOS_CEMENT.value, Material.BITUMINIZED_FIBER.value}


def section(records: Records, after: After) -> pn.viewable.Viewable:
    """Build the section: a search for an address, and the answer for the one chosen.

    Parameters
    ----------
    records : Records
        One published generation.
    after : callable
        Takes the choice of the lot, returns what stands below the answer.
    """
    asked = parts.from_address("lot")
    lot_id = asked if asked and records.has_lot(asked) else records.a_telling_lot
    if lot_id is None:
        return parts.empty(wording.NO_LOTS, wording.NO_LOTS_TODO)
    chosen = Choice(value=lot_id)
    parts.keep_in_address(chosen, "lot")
    return pn.Column(
        parts.card(*_search(records, chosen)),
        _Answer(records, chosen, after).panel,
        sizing_mode="stretch_width",
    )


def _search(records: Records, chosen: Choice) -> list[pn.viewable.Viewable]:
    """A field for words of the address, and the lots that have them.

    The answer below changes when a lot is chosen, not with every letter.
    """
    words = pn.widgets.TextInput(
        name="Address or lot",
        placeholder="a part of it will do",
        sizing_mode="stretch_width",
        max_width=360,
        stylesheets=[theme.WIDGET],
    )
    offered = pn.widgets.Select(
        name="Lots found",
        options={address(records.lot(chosen.value)): chosen.value},
        sizing_mode="stretch_width",
        max_width=420,
        stylesheets=[theme.WIDGET],
    )
    told = parts.paragraph(wording.SEARCH_HELP, small=True)

    def offer(event: Any) -> None:
        rows = records.find_lots(event.new, MOST_OFFERED)
        told.object = parts.paragraph(wording.lots_found(rows.height, MOST_OFFERED), small=True).object
        lots = _unique_labels(rows)
        several = {wording.CHOOSE_LOT: NONE_CHOSEN} if len(lots) != 1 else {}
        offered.param.update(options={**several, **lots}, value=next(iter({**several, **lots}.values())))

    def take_first(_event: Any) -> None:
        rows = records.find_lots(words.value_input, 1)
        if rows.height:
            chosen.value = rows["lot_id"][0]

    def choose(event: Any) -> None:
        if event.new != NONE_CHOSEN:
            chosen.value = event.new

    words.param.watch(offer, "value_input")
    words.param.watch(take_first, "enter_pressed")
    offered.param.watch(choose, "value")
    return [pn.FlexBox(words, offered, gap="14px", sizing_mode="stretch_width"), told]


def address(lot: Mapping[str, Any]) -> str:
    """The address, or the id where none is recorded."""
    return str(lot["address"] or lot["lot_id"])


def _unique_labels(rows: pl.DataFrame) -> dict[str, str]:
    """Addresses as labels; two lots of one address are told apart by their ids."""
    repeated = rows.with_columns(times=pl.len().over("address"))
    return {
        (r["address"] if r["times"] == 1 else f"{r['address']} ({r['lot_id']})"): r["lot_id"]
        for r in repeated.iter_rows(named=True)
    }


class _Answer:
    """What is known of the chosen lot; changed in place when another one is chosen.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(self, records: Records, chosen: Choice, after: After) -> None:
        self._records = records
        self._stop_work = pn.Column(sizing_mode="stretch_width", margin=0)
        self._estimate, self._behind, self._pipe, self._history = (Sheet() for _ in range(4))
        self._whole = pn.Column(
            self._stop_work,
            parts.side_by_side(self._estimate.panel, self._behind.panel, least_px=400),
            self._pipe.panel,
            self._history.panel,
            after(chosen),
            sizing_mode="stretch_width",
        )
        self.panel = pn.Column(sizing_mode="stretch_width", margin=0)
        parts.follow(chosen, lambda event: self._show(event.new))
        self._show(chosen.value)

    def _show(self, lot_id: str) -> None:
        # A fault takes the place of the whole, so that parts of two lots never stand beside each other.
        shown = parts.guarded(lambda: self._filled(lot_id))
        if self.panel.objects != [shown]:
            self.panel.objects = [shown]

    def _filled(self, lot_id: str) -> pn.viewable.Viewable:
        records = self._records
        lot = records.lot(lot_id)
        segments, findings, inspections, reasons = (
            records.lot_part(table, lot_id) for table in ("segments", "findings", "inspections", "reasons")
        )
        sheets = (
            (self._estimate, _estimate(records.run, lot)),
            (self._behind, _behind(lot, reasons)),
            (self._pipe, _pipe(lot, segments)),
            (self._history, _history(inspections, findings)),
        )
        for sheet, pieces in sheets:
            sheet.show(pieces)
        stop = _stop_work(findings)
        if stop or self._stop_work.objects:
            self._stop_work.objects = stop
        return self._whole


def _stop_work(findings: pl.DataFrame) -> list[pn.viewable.Viewable]:
    crossing = findings.filter(pl.col("kind") == FindingKind.FOREIGN_LINE.value)
    return [] if crossing.is_empty() else [parts.caution(wording.STOP_WORK, wording.STOP_WORK_STEPS)]


def _estimate(run: Mapping[str, Any], lot: Mapping[str, Any]) -> list[Piece]:
    head = markup.heading(address(lot))
    if lot["status"] != "ok":
        refused = wording.REFUSED.get(lot["status"], "No estimate")
        return [head, markup.note(f"{refused}: no estimate is given. {lot['sentence'] or ''}")]
    never_seen = [] if lot["n_inspections"] else [markup.note(wording.NO_CAMERA)]
    return [
        head,
        *never_seen,
        markup.figures(chance_figures(run, lot)),
        *_none_now_is_unlikely(lot, horizon(run)),
        Drawing(sale.chances(chances(run, lot)), chances_say(run), 210, f"chances of lot {lot['lot_id']}"),
    ]


def horizon(run: Mapping[str, Any]) -> str:
    """The holding period in words."""
    return f"{wording.number(run['horizon_years'])} years"


def chance_figures(run: Mapping[str, Any], lot: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The chances that matter most, each with what it is the chance of."""
    level = run["score_level"]
    return [
        _figure(lot, "failure_probability", wording.CHANCE_NOW, level),
        *_if_none_now(lot, horizon(run), level),
    ]


def chances(run: Mapping[str, Any], lot: Mapping[str, Any]) -> pl.DataFrame:
    """The chances with their ranges, as `charts.sale.chances` draws them."""
    years = horizon(run)
    rows = [
        _chance_row("a finding|is there now", lot, "failure_probability"),
        _chance_row(f"none now, arises|within {years}", lot, "failure_within_horizon_probability"),
        _chance_row(f"one is there|in {years}", lot, "failure_by_horizon_probability"),
    ]
    return pl.DataFrame(rows).drop_nulls("chance")


def chances_say(run: Mapping[str, Any]) -> str:
    """The sentence below that drawing."""
    level = wording.level(run["score_level"])
    return f"Dots are estimates, bars their {level} ranges. As of {run['as_of_source']}. {run['failure_definition']}"


def _figure(lot: Mapping[str, Any], column: str, what: str, level: float) -> tuple[str, str]:
    span = wording.estimate_range(level, lot[f"{column}_lower"], lot[f"{column}_upper"])
    return wording.chance(lot[column]), f"{what} ({span})"


def _if_none_now(lot: Mapping[str, Any], horizon: str, level: float) -> list[tuple[str, str]]:
    if wording.missing(lot["failure_within_horizon_probability"]):
        return []
    what = f"estimated chance that one arises within {horizon}, if there is none now"
    return [_figure(lot, "failure_within_horizon_probability", what, level)]


def _none_now_is_unlikely(lot: Mapping[str, Any], horizon: str) -> list[Piece]:
    if not wording.missing(lot["failure_within_horizon_probability"]):
        return []
    return [markup.paragraph(wording.almost_surely_there(horizon))]


def _chance_row(what: str, lot: Mapping[str, Any], column: str) -> dict[str, Any]:
    return {
        "what": what,
        "chance": lot[column],
        "lower": lot[f"{column}_lower"],
        "upper": lot[f"{column}_upper"],
    }


def rests_on(lot: Mapping[str, Any]) -> list[str]:
    """What records stand behind a lot's chances."""
    return [
        f"Evidence: {lot['evidence'] or 'not graded'}.",
        f"{wording.count(lot['n_like'] or 0, 'judged look')} at pipes of the same main material and era, "
        f"{wording.number(lot['n_like_bad'] or 0)} of them with a repair-grade finding.",
    ]


def _behind(lot: Mapping[str, Any], reasons: pl.DataFrame) -> list[Piece]:
    pieces: list[Piece] = [markup.heading("What this rests on"), markup.bullets(rests_on(lot))]
    if reasons.height:
        pieces += [markup.heading("Why"), markup.bullets(reasons["reason"].to_list())]
    built = f"House built {lot['year_built']}." if lot["year_built"] else "Year of the house not recorded."
    place = " ".join(
        f"{label} {lot[column]}."
        for label, column in (("Subdivision", "subdivision"), ("Block", "block"))
        if lot[column]
    )
    return [*pieces, markup.paragraph(built, place, small=True)]


def _pipe(lot: Mapping[str, Any], segments: pl.DataFrame) -> list[Piece]:
    head = markup.heading("The line, from the building to the main")
    if segments.is_empty():
        return [
            head,
            markup.paragraph("No segment of this line is on record, so its material and age are estimated."),
        ]
    placed, by_length = along(segments)
    says = (lot["line_summary"] or "").strip()
    if not by_length:
        says += " Lengths are not all on record; segments without one are drawn 20 ft long."
    pieces: list[Piece] = [
        head,
        Drawing(sale.line(placed), says, 180, f"line of lot {lot['lot_id']}"),
        markup.table(
            placed,
            SEGMENT_COLUMNS,
            caption="Segments",
        ),
    ]
    if HOLDS_ASBESTOS & set(segments["material"]):
        pieces.append(markup.caution(wording.ASBESTOS))
    return pieces


#: Length at which a segment of unknown length is drawn [ft].
DRAWN_FT = 20.0


def along(segments: pl.DataFrame) -> tuple[pl.DataFrame, bool]:
    """Place segments one after the other; also whether all lengths are on record."""
    length = pl.col("length_ft").fill_null(DRAWN_FT)
    placed = segments.with_columns(to_ft=length.cum_sum()).with_columns(from_ft=pl.col("to_ft") - length)
    rows = placed.to_dicts()
    return placed.with_columns(
        label=pl.Series([str(r["sequence"]) for r in rows]),
        chance=pl.Series([wording.chance(r["failure_probability"]) for r in rows]),
        laid=pl.Series([wording.years(r["install_year_min"], r["install_year_max"]) for r in rows]),
    ), segments["length_ft"].null_count() == 0


def _known_from(row: Mapping[str, Any]) -> str:
    source = wording.SOURCES.get(row["install_source"], wording.word(row["install_source"]))
    return f"{source} (estimated)" if row["is_imputed"] else source


def _history(inspections: pl.DataFrame, findings: pl.DataFrame) -> list[Piece]:
    head = markup.heading("Every look at this line")
    if inspections.is_empty():
        return [head, markup.paragraph(wording.NO_CAMERA)]
    pieces: list[Piece] = [
        head,
        markup.table(
            inspections,
            INSPECTION_COLUMNS,
            caption="Camera runs, newest first",
        ),
    ]
    newest = findings.filter(pl.col("inspection_id") == inspections["inspection_id"][0])
    if newest.height:
        pieces.append(markup.table(newest, FINDING_COLUMNS, caption="Findings of the newest run"))
    return pieces


SEGMENT_COLUMNS = (
    Shown("no.", lambda r: str(r["sequence"]), is_number=True),
    Shown("material", lambda r: wording.material(r["material"])),
    Shown("diameter [in]", lambda r: wording.number(r["diameter_in"]), is_number=True),
    Shown("depth [ft]", lambda r: wording.number(r["depth_ft"], 1), is_number=True),
    Shown("length [ft]", lambda r: wording.number(r["length_ft"]), is_number=True),
    Shown("laid", lambda r: wording.years(r["install_year_min"], r["install_year_max"])),
    Shown("known from", _known_from),
    Shown(
        "chance of a finding now",
        lambda r: wording.estimate(
            r["failure_probability"],
            r["failure_probability_lower"],
            r["failure_probability_upper"],
        ),
        is_number=True,
    ),
)
INSPECTION_COLUMNS = (
    Shown("day", lambda r: wording.look_time(r["inspection_date"], r["look_year"])),
    Shown("why", lambda r: wording.word(r["purpose"])),
    Shown("verdict", lambda r: wording.word(r["verdict"] or "not judged")),
    Shown("the rule that decided", lambda r: r["rule"] or "–"),
    Shown("reached [ft]", lambda r: wording.number(r["end_ft"]), is_number=True),
    Shown("to the tie-in", lambda r: wording.yes_no(r["reached_tie_in"])),
    Shown("drained", lambda r: wording.yes_no(r["line_drained"])),
    Shown("findings", lambda r: wording.number(r["n_findings"]), is_number=True),
)
FINDING_COLUMNS = (
    Shown("at [ft]", lambda r: wording.number(r["at_ft"]), is_number=True),
    Shown("to [ft]", lambda r: wording.number(r["to_ft"]), is_number=True),
    Shown("what", lambda r: wording.word(r["kind"])),
    Shown("water [in]", lambda r: wording.number(r["water_depth_in"], 2), is_number=True),
    Shown("area lost [%]", lambda r: wording.number(r["loss_pct"]), is_number=True),
    Shown("offset [in]", lambda r: wording.number(r["offset_in"], 2), is_number=True),
    Shown("note", lambda r: r["note"] or ""),
)

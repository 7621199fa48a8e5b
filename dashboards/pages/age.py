"""How pipes age: curves, their ranges, and the looks that they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import ageing
from dashboards.data import Records
from dashboards.filters import Filters
from dashboards.pages.asked_looks import AskedLooks, LooksOfMaterial
from dashboards.parts import Shown
from pipeline.published.chosen_curves import warm_up

#: What the looks can be narrowed down to; the materials have a choice of their own.
FILTERS = ("subdivision", "portfolio", "era", "purpose", "years")
#: Materials that are chosen when the page opens.
FIRST_CHOICE = 3


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    codes = records.outcomes["outcome"].to_list()
    if not codes:
        return pn.Column(
            parts.title(wording.PAGES["age"], wording.LEADS["age"]),
            parts.empty(wording.NO_LOOKS, wording.NO_LOOKS_TODO),
        )
    outcome = pn.widgets.Select(
        name="What counts as failed",
        options={wording.outcome(c): c for c in codes},
        value=parts.from_address("outcome", codes) or records.run["default_outcome"],
        width=300,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(outcome, "outcome")
    warm_up()
    filters = Filters(records.options, FILTERS if records.can_narrow_looks else ())
    return pn.Column(
        parts.title(wording.PAGES["age"], wording.LEADS["age"]),
        outcome,
        parts.live(lambda code: _outcome(records, code, filters), outcome),
        sizing_mode="stretch_width",
    )


def _outcome(records: Records, outcome: str, filters: Filters) -> pn.viewable.Viewable:
    groups = records.curve_groups(outcome)
    about = records.outcome(outcome)
    definition = parts.card(
        parts.paragraph(f"Failed means: {about['meaning']}."),
        parts.paragraph(wording.as_called(about), wording.looks_kept_out(records.run), small=True),
        parts.paragraph(about["sentence"] or "", small=True),
    )
    if groups.is_empty():
        return pn.Column(definition, parts.empty(wording.NO_LOOKS, wording.NO_LOOKS_TODO))
    materials = pn.widgets.CheckBoxGroup(
        name="Materials",
        options={wording.material(c): c for c in groups["material"]},
        value=_first_choice(groups),
        inline=True,
        stylesheets=[theme.WIDGET, theme.CHOICES],
        sizing_mode="stretch_width",
    )
    parts.keep_in_address(materials, "material")
    return pn.Column(
        definition,
        parts.card(parts.label(f"Materials (up to {theme.MOST_SERIES} at a time)"), materials),
        _filters(records, filters),
        parts.live(lambda chosen: _materials(records, outcome, groups, chosen, filters), materials),
        parts.card(_table(groups)),
        sizing_mode="stretch_width",
    )


def _filters(records: Records, filters: Filters) -> pn.viewable.Viewable:
    if not records.can_narrow_looks:
        return parts.note(wording.NOT_NARROWED_HERE)
    said = wording.CHOICE_OF_LOOKS + (f" {wording.OWN_LOTS_ONLY}" if records.is_restricted else "")
    return filters.panel(said)


def _first_choice(groups: pl.DataFrame) -> list[str]:
    given = (parts.from_address("material") or "").split(",")
    kept = [code for code in given if code in groups["material"]]
    drawn = groups.filter((pl.col("status") == "ok") | (pl.col("fitted_status") == "ok"))
    usual = drawn if drawn.height else groups
    return kept[: theme.MOST_SERIES] or usual["material"].head(FIRST_CHOICE).to_list()


def _materials(
    records: Records, outcome: str, groups: pl.DataFrame, chosen: list[str], filters: Filters
) -> pn.viewable.Viewable:
    if not chosen:
        return parts.note("Choose at least one material.")
    shown = chosen[: theme.MOST_SERIES]
    rows = {row["material"]: row for row in groups.iter_rows(named=True)}
    oldest = max(_oldest(records, outcome, code) for code in shown)
    fitted = records.fitted(outcome, shown).filter(pl.col("age_years") <= oldest)
    stepped = {code: _stepped(records, rows[code], oldest) for code in shown}
    colours = [theme.SERIES[place] for place in theme.places(shown)]
    asked = AskedLooks(records, outcome, tuple(shown))
    looks = [
        LooksOfMaterial(asked, rows[code], stepped[code], oldest=oldest, colour=colour)
        for code, colour in zip(shown, colours, strict=True)
    ]
    for one in looks:
        one.show(filters.value)
        parts.follow(filters, one.told)
    cards = [
        _material(
            records,
            rows[code],
            stepped[code],
            fitted.filter(pl.col("material") == code),
            oldest,
            colour,
            seen,
        )
        for code, colour, seen in zip(shown, colours, looks, strict=True)
    ]
    pieces: list[pn.viewable.Viewable] = []
    if len(chosen) > len(shown):
        pieces.append(parts.note(f"Only the first {theme.MOST_SERIES} chosen materials are drawn."))
    if fitted["material"].n_unique() > 1:
        pieces.append(_compared(records, outcome, fitted, shown, oldest))
    return pn.Column(*pieces, parts.side_by_side(*cards, least_px=440), sizing_mode="stretch_width")


def _compared(
    records: Records, outcome: str, fitted: pl.DataFrame, shown: list[str], oldest: float
) -> pn.viewable.Viewable:
    drawn = [code for code in shown if code in fitted["material"]]
    # A material keeps the colour it has on its own card.
    places = [place for code, place in zip(shown, theme.places(shown), strict=True) if code in drawn]
    drawing = records.kept.of(
        ("compared curves", outcome, tuple(drawn), tuple(places), oldest),
        lambda: theme.dress(ageing.compare(fitted, oldest=oldest, materials=drawn, places=places)),
    )
    return parts.card(
        parts.heading("Materials compared: fitted curves"),
        parts.chart(
            drawing,
            height=360,
            says=f"Fitted share failed by age, with its {wording.level(records.run['curve_level'])} range. "
            "Each line ends at the oldest look at its material. Where ranges overlap, the records do not tell the materials apart.",
        ),
    )


def _oldest(records: Records, outcome: str, material: str) -> float:
    counts = records.look_counts(outcome, material)
    seen = float(counts["age_to_years"].max() or 0) if counts.height else 0.0  # type: ignore[arg-type]
    return min(max(seen, 40.0), 150.0)


def _stepped(records: Records, row: Mapping[str, Any], oldest: float) -> pl.DataFrame:
    """The stepped curve of the build; empty where it was refused."""
    if row["status"] != "ok":
        return pl.DataFrame()
    return records.curve(row["outcome"], row["material"]).filter(pl.col("age_years") <= oldest)


def _material(
    records: Records,
    row: Mapping[str, Any],
    stepped: pl.DataFrame,
    fitted: pl.DataFrame,
    oldest: float,
    colour: str,
    looks: LooksOfMaterial,
) -> pn.viewable.Viewable:
    outcome, material = row["outcome"], row["material"]
    pieces = [
        parts.heading(parts.first_up(wording.material(material))),
        parts.figures(
            [
                (wording.number(row["n_lives"]), "pipes looked at"),
                (wording.number(row["n_bad"]), "seen failed"),
                (wording.number(row["n_looks"]), "looks"),
                (_median(row), "half seen failed by [years]"),
            ]
        ),
        *_refusals(row),
    ]
    if stepped.height or fitted.height:
        pieces.append(
            _key(bool(stepped.height), records.outcome(outcome)["family"] if fitted.height else "", colour)
        )
        drawing = records.kept.of(
            ("curve", outcome, material, oldest, colour),
            lambda: theme.dress(ageing.curve(stepped, fitted, oldest=oldest, colour=colour)),
        )
        pieces.append(
            parts.chart(
                drawing,
                height=275,
                data=stepped if stepped.height else fitted,
                name=f"curve {outcome} {material}",
                says=_curve_says(records.run, row, bool(stepped.height)),
            )
        )
    return parts.card(*pieces, looks.panel)


def _median(row: Mapping[str, Any]) -> str:
    if row["status"] != "ok":
        return "–"
    return (
        "not reached" if wording.missing(row["median_age_years"]) else wording.number(row["median_age_years"])
    )


def _refusals(row: Mapping[str, Any]) -> list[pn.viewable.Viewable]:
    notes = []
    if row["status"] != "ok":
        notes.append(parts.note(f"No stepped curve. {row['sentence']}"))
    if row["fitted_status"] not in {None, "ok"}:
        notes.append(parts.note(f"No fitted curve. {row['fitted_sentence']}"))
    return notes


def _curve_says(run: Mapping[str, Any], row: Mapping[str, Any], has_steps: bool) -> str:
    level = wording.level(run["curve_level"])
    if not has_steps:
        return f"The range is the {level} range of the fitted curve; its broken part is older than any look."
    last = row["last_determined_age_years"]
    beyond = "" if wording.missing(last) else f" The records say nothing past {wording.number(last)} years."
    return (
        f"Ranges hold at {level} for each age by itself. In the pale stretches the records allow any value between the dotted "
        f"lines, so no line is drawn.{beyond}"
    )


def _key(has_steps: bool, law: str, colour: str) -> pn.viewable.Viewable:
    entries = []
    if has_steps:
        entries += [
            (theme.INK, "as cameras saw it, with its range; thin: smoothed"),
            (theme.OPEN, "not determined"),
        ]
    if law:
        told = f"fitted ({wording.LAWS[law]}), with its range; broken: beyond the oldest look"
        entries.append((colour, told))
    return parts.key(entries)


def _table(groups: pl.DataFrame) -> pn.viewable.Viewable:
    return parts.table(
        groups,
        [
            Shown("material", lambda r: wording.material(r["material"])),
            Shown("pipes looked at", lambda r: wording.number(r["n_lives"]), is_number=True),
            Shown("looks", lambda r: wording.number(r["n_looks"]), is_number=True),
            Shown("seen failed", lambda r: wording.number(r["n_bad"]), is_number=True),
            Shown("half seen failed by [years]", _median, is_number=True),
            Shown(
                "known up to [years]",
                lambda r: wording.number(r["last_determined_age_years"]),
                is_number=True,
            ),
            Shown("what stands behind it", lambda r: r["sentence"] or ""),
        ],
        caption="All materials",
    )

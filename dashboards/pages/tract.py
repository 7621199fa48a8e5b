"""A subdivision: how many of its lots have a finding now, and how many at least."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import panel as pn

from dashboards import parts, theme, wording
from dashboards.charts import sale
from dashboards.data import Records


def section(records: Records, after: Callable[[str], pn.viewable.Viewable]) -> pn.viewable.Viewable:
    """Build the section: a choice of subdivision, and the answer.

    Parameters
    ----------
    records : Records
        One published generation.
    after : callable
        Takes the subdivision's name, returns what stands below the answer.
    """
    names = records.subdivision_names()
    if not names:
        return parts.empty(wording.NO_SUBDIVISIONS, wording.NO_SUBDIVISIONS_TODO)
    chosen = pn.widgets.Select(
        name="Subdivision",
        options=names,
        value=parts.from_address("subdivision", names) or names[0],
        width=320,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(chosen, "subdivision")
    return pn.Column(
        parts.card(chosen),
        parts.live(
            lambda name: pn.Column(_answer(records, name), after(name), sizing_mode="stretch_width"), chosen
        ),
        sizing_mode="stretch_width",
    )


def _answer(records: Records, name: str) -> pn.viewable.Viewable:
    row = records.subdivision(name)
    estimate = parts.card(parts.heading(name), *_estimate(records.run, row))
    at_least = parts.card(parts.heading("At least how many"), *_at_least(records, row))
    return pn.Column(parts.side_by_side(estimate, at_least, least_px=400), sizing_mode="stretch_width")


def _estimate(run: Mapping[str, Any], row: Mapping[str, Any]) -> list[pn.viewable.Viewable]:
    counts = parts.bullets(counts_in_words(row))
    notes = (
        []
        if row["status"] == "ok"
        else [parts.note(row["sentence"] or wording.REFUSED.get(row["status"], ""))]
    )
    figures = expected_figures(run, row)
    return [*([parts.figures(figures)] if figures else []), *notes, counts]


def counts_in_words(row: Mapping[str, Any]) -> list[str]:
    """What is on record of a subdivision."""
    built = wording.years(row["year_built_from"], row["year_built_to"])
    return [
        f"{wording.count(row['n_lots'], 'lot')}, houses built {built}; {wording.number(row['n_scored'])} with an estimate.",
        f"{wording.number(row['n_inspected'])} inspected ({wording.share(row['n_inspected'], row['n_lots'])}), "
        f"{wording.number(row['n_observed'])} of them with a repair-grade finding at the newest look; "
        f"{wording.number(row['expected'], 1)} expected there from material, age and depth.",
        f"{_above_threshold(row)} of the lots with an estimate have a chance above "
        f"{wording.chance(row['threshold_probability'])}.",
    ]


def expected_figures(run: Mapping[str, Any], row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The number of lots expected to have a finding now; nothing where there is no estimate."""
    if wording.missing(row["expected_failed_now"]):
        return []
    span = wording.number_range(row["expected_failed_now_lower"], row["expected_failed_now_upper"])
    what = (
        f"of {wording.number(row['n_scored'])} lots expected to have a repair-grade finding now "
        f"({wording.level(run['score_level'])} range {span})"
    )
    return [(wording.number(row["expected_failed_now"], 1), what)]


def _above_threshold(row: Mapping[str, Any]) -> str:
    part = row["above_threshold_share"]
    return "–" if wording.missing(part) else wording.share(round(part * row["n_scored"]), row["n_scored"])


def _at_least(records: Records, row: Mapping[str, Any]) -> list[pn.viewable.Viewable]:
    counts = records.at_least(row["subdivision"])
    if counts.is_empty():
        return [parts.paragraph("There are no estimates here to count with.")]
    return [
        *_asked(records, row),
        parts.chart(
            sale.at_least(counts),
            height=280,
            says="The chance that k lots or more have a repair-grade finding now.",
        ),
    ]


def _asked(records: Records, row: Mapping[str, Any]) -> list[pn.viewable.Viewable]:
    """A field for a number of lots, and the published chance of that many or more."""
    n_scored = int(row["n_scored"])
    number = pn.widgets.IntInput(
        name=f"Number of lots, 1 to {wording.number(n_scored)}",
        value=min(max(round(row["expected_failed_now"]), 1), n_scored),
        start=1,
        end=n_scored,
        width=320,
        stylesheets=[theme.WIDGET],
    )

    def answer(k: int | None) -> pn.viewable.Viewable:
        if k is None:
            return parts.paragraph(wording.NO_NUMBER_GIVEN)
        words = wording.at_least(k, records.around(row["subdivision"], k))
        return parts.figures(
            [(words, wording.count(k, "lot or more", "lots or more") + " with a repair-grade finding now")]
        )

    return [number, parts.live(answer, number)]

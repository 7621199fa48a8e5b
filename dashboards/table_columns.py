"""Columns that tables of pages and of reports have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboards import wording
from dashboards.markup import Shown
from pipeline.vocabulary import LateralPart

#: Of assumptions, each with its value and source.
ASSUMED = (
    Shown("assumption", lambda r: r["name"]),
    Shown("value", lambda r: r["value"]),
    Shown("from", lambda r: r["source"]),
)


def of_connections(part: LateralPart) -> tuple[Shown, ...]:
    """Return where a connection is, what puts it in its place of the ranking of a part, and what it costs."""
    return (
        Shown("main or manhole", lambda r: r["manhole_id"] or r["main_id"] or "–"),
        Shown("station [ft]", lambda r: wording.number(r["station_ft"]), is_number=True),
        chance_of(part),
        Shown("times", lambda r: wording.number(r["consequence"], 2), is_number=True),
        Shown("risk [points]", lambda r: wording.number(r["risk_points"], 2), is_number=True),
        Shown("among the first", lambda r: wording.chance(r["in_list_probability"]), is_number=True),
        Shown("bundle", lambda r: wording.number(r["bundle"]), is_number=True),
        Shown(
            "own cost [US dollars]",
            lambda r: wording.number_range(r["cost_low_usd"], r["cost_high_usd"]),
            is_number=True,
        ),
    )


def chance_of(part: LateralPart) -> Shown:
    """Return the chance that a part of a connection has a repair-grade finding now, with its range."""
    name = f"{part.value}_failure_probability"
    return Shown(
        f"chance, {part.label}",
        lambda r: wording.estimate(r[name], r[f"{name}_lower"], r[f"{name}_upper"]),
        is_number=True,
    )


def property_line(row: Mapping[str, Any]) -> str:
    """Return how far from the building the property line is, and whether that is known."""
    feet = wording.number(row["property_line_ft"])
    return feet if row["property_line_source"] == "recorded" else f"{feet}, assumed"

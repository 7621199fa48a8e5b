"""The connection programme: which connections a utility renews with a sum, in which order, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from dashboards import theme, wording
from dashboards.charts import utility
from dashboards.data import Records
from dashboards.parts import Shown
from dashboards.reports.document import (
    Block,
    Bullets,
    Caution,
    Document,
    Figures,
    Picture,
    Section,
    Table,
    Text,
    document,
)
from dashboards.table_columns import ASSUMED, of_connections, property_line
from pipeline.vocabulary import LateralPart

#: Connections that are listed; the file for a GIS has all.
MOST_CONNECTIONS = 120
BOUGHT = (
    "Money is spent where it takes away most risk first; neighbours on one stretch of main share one mobilisation. The "
    "band is the range of the estimate."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """What is to be renewed.

    Attributes
    ----------
    part : LateralPart
        Of each connection.
    chosen : DataFrame
        Rows of `connections` with their ranks, in the order to spend money.
    n_ranked : int
        Connections that were ranked.
    budget_usd : float
        The sum [US dollars].
    cost_usd : mapping of str to float
        Cost of the programme at low, likely and high prices [US dollars].
    priced_at : str
        Which of them the sum must cover.
    n_bundles : int
        Mobilisations.
    risk_points, risk_points_lower, risk_points_upper, total_risk_points, bound : float
        Risk taken away with its range at its widest, the risk of all, and what no other programme can exceed.
    is_best : bool
        No other programme of this sum takes away more.
    purpose, use_until : str
        What the report is for, and the last day of its use.
    """

    part: LateralPart
    chosen: pl.DataFrame
    n_ranked: int
    budget_usd: float
    cost_usd: Mapping[str, float]
    priced_at: str
    n_bundles: int
    risk_points: float
    risk_points_lower: float
    risk_points_upper: float
    total_risk_points: float
    bound: float
    is_best: bool
    purpose: str
    use_until: str


def report(records: Records, programme: Programme) -> Document:
    """Make the report.

    Parameters
    ----------
    records : Records
        The generation that the programme was made from.
    programme : Programme
        What is to be renewed.
    """
    part = programme.part
    sections = [
        Section("The programme", tuple(_programme(programme))),
        Section(f"What a sum of money takes away: every {part.label}", tuple(_curve(records, part))),
        Section("Connections, in the order to spend", tuple(_connections(programme))),
        Section("What it assumes", (Table("Weights and prices", records.utility.assumptions, ASSUMED),)),
    ]
    method = [
        f"Ranked part: {part.meaning}. Who owns which part of a lateral is a local rule.",
        "Risk is the chance that the part has a repair-grade finding now, times what a failure means there. The chance is "
        "that of the part's segments, given every look at them; a segment that crosses the property line is split by "
        "length and by the footage of what a camera found in it.",
        "Among the first: the share of parameter draws in which a connection is on the list of the riskiest. Near 100 % "
        "its place is firm.",
        f"Stated purpose: {programme.purpose}. Not to be used after {programme.use_until}.",
    ]
    title = f"Connection programme: {part.label}s"
    return document(records.run, title, "Connections to the public sewer: a screening programme", sections, method)  # fmt: skip


def _programme(programme: Programme) -> list[Block]:
    cost = programme.cost_usd
    share = programme.risk_points / programme.total_risk_points
    left = programme.bound - programme.risk_points
    proof = (
        "No other set of connections takes away more for this sum."
        if programme.is_best
        else f"No other set of this sum takes away more by over {wording.number(left, 2)} points."
    )
    n = programme.chosen.height
    n_recorded = programme.chosen.filter(pl.col("property_line_source") == "recorded").height
    return [
        Figures(
            (
                (wording.number(n), f"connections of {wording.number(programme.n_ranked)} ranked"),
                (f"${wording.number(cost[programme.priced_at])}", f"at {programme.priced_at} prices"),
                (wording.chance(share), "of all risk taken away"),
            )
        ),
        Bullets(
            (
                f"Sum to spend: ${wording.number(programme.budget_usd)}. Cost: low ${wording.number(cost['low'])}, likely "
                f"${wording.number(cost['likely'])}, high ${wording.number(cost['high'])}, with {programme.n_bundles:,} mobilisations.",
                f"Risk taken away: {wording.number(programme.risk_points, 1)} of {wording.number(programme.total_risk_points, 1)} points; "
                f"range at its widest {wording.number_range(programme.risk_points_lower, programme.risk_points_upper)}. {proof}",
                f"The property line of {n_recorded:,} of these {n:,} connections is on record; elsewhere it is assumed.",
                "Put a camera in each line before it is renewed: a chance is no finding.",
            )
        ),
    ]


def _curve(records: Records, part: LateralPart) -> list[Block]:
    curve = records.utility.curve(part)
    if curve.is_empty():
        return [Text("No such part has a chance of failure above nil.")]
    return [Picture(theme.dress(utility.bought(curve)), BOUGHT, 220)]


def _connections(programme: Programme) -> list[Block]:
    shown = programme.chosen.with_row_index("number", 1).head(MOST_CONNECTIONS)
    crossed = shown.filter(pl.col("has_foreign_line"))["lot_id"].to_list()
    stop: list[Block] = [Caution(wording.STOP_WORK, tuple(wording.STOP_WORK_STEPS))] if crossed else []
    more = f" (the first {shown.height} of {programme.chosen.height})" if shown.height < programme.chosen.height else ""  # fmt: skip
    return [*stop, Table(f"Connections{more}", shown, _columns(programme.part))]


def _columns(part: LateralPart) -> tuple[Shown, ...]:
    return (
        Shown("no.", lambda r: wording.number(r["number"]), is_number=True),
        Shown("lot", lambda r: r["lot_id"]),
        *of_connections(part),
        Shown("property line [ft]", property_line, is_number=True),
    )

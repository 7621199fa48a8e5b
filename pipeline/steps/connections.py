"""Connections ranked for a utility: chance of failure times consequence, cost, and the order to spend money in.

Runs within a build, on the draws behind the scores; `connections_choice` answers for a budget later.
`connections_sides` splits lines at the property line, `connections_ranks` ranks one part of them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.looks import IntArray
from models.ranking import bundle_neighbours
from pipeline.memory import give_back
from pipeline.published import contract
from pipeline.steps.connections_places import tie_in_points
from pipeline.steps.connections_property_line import (
    ASSUMED,
    ASSUMED_LENGTH,
    BEYOND,
    LINES_AT_ONCE,
    RECORDED,
    property_lines,
)
from pipeline.steps.connections_ranks import BOUNDS, ENDS, TAIL, rank_part
from pipeline.steps.connections_rules import Consequences
from pipeline.steps.connections_sides import PartDraws, part_draws
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import Scores
from pipeline.vocabulary import LateralPart
from pipeline.warehouse import Warehouse, sql_text

#: All that is asked of lives here: copies of a large town's are gigabytes.
LINE_COLUMNS = (
    "lot_id", "sequence", "life_id", "material", "install_year_min", "install_year_max", "length_ft",
)  # fmt: skip
#: Parts whose draws are made for the ranking; the others are segments and lines, scored already.
SIDES = (LateralPart.LOWER.value, LateralPart.UPPER.value)
NOT_FITTED = "Not ranked: the records carry no estimate."
NOT_KNOWN = "Not ranked: the line of this lot is not on record."
#: What the split of a line rests on, in words.
SPLIT = {
    RECORDED: "The property line is on record.",
    ASSUMED: "The property line is not on record: the lower lateral is taken to be as long as streets of this class are wide.",
    ASSUMED_LENGTH: "Neither the property line nor the length of the line is on record: both are assumed.",
    BEYOND: "The property line on record lies beyond the end of the line: it was passed over, and is assumed.",
}


def has_connections(warehouse: Warehouse) -> bool:
    """Tell whether any connection is on record."""
    return bool(warehouse.frame("SELECT count(*) AS n FROM core.connections")["n"][0] > 0)


def rank_connections(
    warehouse: Warehouse,
    fit: OutcomeFit,
    exposure: Exposure,
    scores: Scores | None,
    lots: pl.DataFrame,
    rules: Consequences,
    *,
    rng: np.random.Generator,
) -> dict[str, pl.DataFrame]:
    """Make the published `connections`, `connection_parts`, `connection_curve` and `connection_assumptions`.

    Parameters
    ----------
    warehouse : Warehouse
        Exposed and open.
    fit : OutcomeFit
        Behind the scores.
    exposure : Exposure
        As given to `score_lines`.
    scores : Scores or None
        With the draws of segments. None where the fit did not come about: then nothing is ranked, and each row
        says so.
    lots : DataFrame
        Published `lots`: the chance of each whole line.
    rules : Consequences
        Weights and prices.
    rng : numpy.random.Generator
        For assumed property lines.

    Returns
    -------
    dict of str to DataFrame
        Empty where no connection is on record.
    """
    facts = warehouse.frame(sql_text("connections/connection_facts"))
    if facts.is_empty():
        return {}
    known = _with_chances(_with_lines(facts, exposure, rules), scores, lots)
    del facts
    give_back()
    frames = {"connection_assumptions": rules.assumptions()}
    ranked = known.filter(pl.col("column").is_not_null()).sort("lot_id")
    if scores is not None and ranked.height:
        drawn = part_draws(warehouse, fit, exposure, scores, ranked, rules, rng)
        give_back()
        told = pl.DataFrame([drawn.assumption()]).with_columns(
            position=pl.lit(frames["connection_assumptions"].height + 1, dtype=pl.UInt32)
        )
        frames["connection_assumptions"] = pl.concat([frames["connection_assumptions"], told], how="diagonal")
        ranked = ranked.with_columns(bundle=pl.Series(_bundles(ranked, rules) + 1))
        made = [_ranked_by(part, ranked, drawn, rules) for part in LateralPart.codes()]
        frames["connection_parts"] = pl.concat([rows for rows, _, _ in made])
        frames["connection_curve"] = pl.concat([curve for _, curve, _ in made if curve.height])
        added = [ranked.select("lot_id", "bundle"), *(chances for _, _, chances in made)]
        known = known.join(pl.concat(added, how="horizontal"), on="lot_id", how="left")
    return frames | {"connections": _as_published(known, scores)}


def _with_lines(facts: pl.DataFrame, exposure: Exposure, rules: Consequences) -> pl.DataFrame:
    """Add the line of each connection, where it crosses the property line, and what setting up costs."""
    lives = (
        exposure.lives.filter(pl.col("ended_year").is_null())
        .select(*LINE_COLUMNS)
        .sort("lot_id", "sequence", "life_id")
    )
    return (
        facts.join(tie_in_points(facts), on="lot_id", how="left")
        .join(_lines(lives), on="lot_id", how="left")
        .join(property_lines(lives, facts, rules), on="lot_id", how="left")
        .with_columns(
            pl.lit(getattr(rules.mobilisation, end)).alias(f"mobilisation_{end}_usd") for end in ENDS
        )
    )


def _lines(lives: pl.DataFrame) -> pl.DataFrame:
    """What is known of the segment that meets the main: the last one."""
    return lives.group_by("lot_id", maintain_order=True).agg(
        n_segments=pl.len().cast(pl.Int64),
        life_id=pl.col("life_id").last(),
        tie_in_material=pl.col("material").last(),
        tie_in_install_year_min=pl.col("install_year_min").last(),
        tie_in_install_year_max=pl.col("install_year_max").last(),
    )


def _with_chances(known: pl.DataFrame, scores: Scores | None, lots: pl.DataFrame) -> pl.DataFrame:
    """Add the chances of the last segment and of the line, and the `column` of their draws."""
    names = [f"failure_probability{end}" for end in BOUNDS]
    lines = lots.select("lot_id", *(pl.col(name).alias(f"whole_{name}") for name in names))
    known = known.join(lines, on="lot_id", how="left")
    if scores is None:
        nothing = pl.lit(None, dtype=pl.Float64)
        return known.with_columns(
            *(nothing.alias(f"tie_in_{name}") for name in names), column=pl.lit(None, dtype=pl.Int64)
        )
    segments = scores.lives.select("life_id", *(pl.col(name).alias(f"tie_in_{name}") for name in names))
    # Lots scored by the lines of similar houses have no segment of their own to rank.
    own = scores.lots.filter(pl.col("n_similar").is_null()).select("lot_id", "column")
    return known.join(segments, on="life_id", how="left").join(own, on="lot_id", how="left")


def _ranked_by(
    part: str, ranked: pl.DataFrame, draws: PartDraws, rules: Consequences
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Rows of the published parts and of the curve, and the chances of a side; its draws end with this call."""
    drawn = draws.of(part)
    chances = pl.DataFrame()
    if part in SIDES:
        chances = pl.DataFrame(_range(part, drawn.of(slice(None)).T))
    rows, curve = rank_part(part, ranked.hstack(chances), drawn, rules)
    names = contract.CONNECTION_CURVE.names
    return (
        rows.select(contract.CONNECTION_PARTS.names),
        curve.select(names) if curve.height else curve,
        chances,
    )


def _range(side: str, drawn: NDArray[Any]) -> list[pl.Series]:
    """Mean and range over draws; as for lots, a mean outside its central range extends it."""
    n = len(drawn)
    mean, low, high = np.empty(n), np.empty(n), np.empty(n)
    for a in range(0, n, LINES_AT_ONCE):
        these = slice(a, a + LINES_AT_ONCE)
        mean[these] = drawn[these].mean(axis=1, dtype=np.float64)
        low[these], high[these] = np.quantile(drawn[these], [TAIL, 1 - TAIL], axis=1)
    name = f"{side}_failure_probability"
    return [
        pl.Series(name, mean),
        pl.Series(f"{name}_lower", np.minimum(low, mean)),
        pl.Series(f"{name}_upper", np.maximum(high, mean)),
    ]


def _bundles(ranked: pl.DataFrame, rules: Consequences) -> IntArray:
    """Number the openings; a lateral that ends in a manhole shares it, a lone one is a bundle of its own."""
    place = ranked.select(
        place=pl.coalesce(
            pl.format("manhole {}", "manhole_id"),
            pl.format("main {}", "main_id"),
            pl.format("lot {}", "lot_id"),
        ),
        station=pl.when(pl.col("manhole_id").is_not_null()).then(pl.lit(0.0)).otherwise("station_ft"),
    )
    main = place.select(pl.col("place").rank("dense")).to_series().to_numpy() - 1
    station = place["station"].fill_null(float("nan")).to_numpy()
    return bundle_neighbours(main, station, rules.share_within_ft)


def _as_published(known: pl.DataFrame, scores: Scores | None) -> pl.DataFrame:
    if "bundle" not in known.columns:
        added = set(contract.CONNECTIONS.names) - set(known.columns)
        known = known.with_columns(pl.lit(None).alias(name) for name in added - {"property_line_ft"})
    is_ok = pl.col("bundle").is_not_null()
    nothing = contract.STATUS_NOT_FITTED if scores is None else contract.STATUS_TOO_LITTLE_KNOWN
    return known.with_columns(
        property_line_ft=pl.col("upper_length_ft"),
        status=pl.when(is_ok).then(pl.lit(contract.STATUS_OK)).otherwise(pl.lit(nothing)),
        sentence=pl.when(is_ok)
        .then(pl.col("property_line_source").replace_strict(SPLIT, default=None))
        .otherwise(pl.lit(NOT_FITTED if scores is None else NOT_KNOWN)),
    ).select(contract.CONNECTIONS.names)

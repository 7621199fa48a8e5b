"""Hot spots: where lines fail more than material, age and depth lead to expect.

Two questions are put to each zone: is it more than the baseline explains, and is it more than blocks and
subdivisions differ anyway, and more than the baseline itself may be off? Firm is only what passes both. A zone that coincides with many inspections, one operator or one
year carries a warning, because then the looks, not the pipes, may be what is special.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl

from models.area_hazards import at_level_of
from models.looks import FloatArray, IntArray
from models.scan import NullMaxima, Zone, find_zones
from models.scan_core import core_membership
from models.scan_draws import Variation
from models.scan_null import null_maxima
from models.scan_ordinary import ordinary_variation
from models.shares import share_excess
from models.zones import town_layers
from pipeline.settings import Settings
from pipeline.steps.places_looks import LotLooks, numbered
from pipeline.steps.places_outlines import cell_names

#: Share of all expected failures that a zone may hold at most.
CAP = 0.25
#: A zone whose p-value is above this is not published.
SIGNIFICANT = 0.05
MOST_ZONES = 20
#: A scan with fewer located looks or failures finds nothing that could be told from chance; judgement.
LEAST_LOOKS, LEAST_FAILURES = 50, 10
#: Lots of a zone found again in this share of re-draws are its core.
CORE_SHARE = 0.8
#: Lots to a cell that stands in for a block where blocks are not on record.
LOTS_PER_CELL = 25
#: Draws that tell whether a zone's inspections are many.
SURGE_DRAWS = 199
#: What makes a share of one operator or year in a zone worth a warning: most of its looks, this many times
#: the share elsewhere, and not by chance; judgement.
LEAST_SHARE, LEAST_RATIO, LEAST_SURPRISE = 0.5, 1.5, 0.01

LABEL_FIRM = "firm"
LABEL_UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class FoundZone:
    """One zone with what is said of it.

    Attributes
    ----------
    rows : ndarray of int
        Rows of the looks that the scan was given.
    zone : Zone
    p_value, p_value_blocks : float
        More than the baseline explains; more than blocks, subdivisions and the law differ anyway.
    method, method_blocks : str
        How each was had.
    core_share : ndarray, shape (len(rows),)
        How often each lot is found again.
    """

    rows: IntArray
    zone: Zone
    p_value: float
    p_value_blocks: float
    method: str
    method_blocks: str
    core_share: FloatArray

    @property
    def is_firm(self) -> bool:
        """Whether it passes both questions."""
        return self.p_value <= SIGNIFICANT and self.p_value_blocks <= SIGNIFICANT


@dataclass(frozen=True, slots=True)
class ScanResult:
    """A scan of one set of looks.

    Attributes
    ----------
    looks : LotLooks
        Located looks that were scanned, in the order of the rows of `zones`.
    zones : tuple of FoundZone
        Best first; only those with `p_value` at most 0.05.
    block_variance, subdivision_variance : float
        Variance of hazards between blocks of one subdivision, and between subdivisions; NaN where nothing was
        scanned.
    least_p_value : float
        Of the best zone, published or not; NaN where there is none.
    n_without_place : int
        Looks at lots without a location, which were left out.
    is_enough : bool
        Whether there were looks and failures enough to scan.
    """

    looks: LotLooks
    zones: tuple[FoundZone, ...]
    block_variance: float
    subdivision_variance: float
    least_p_value: float
    n_without_place: int
    is_enough: bool


def scan_looks(looks: LotLooks, settings: Settings, rng: np.random.Generator) -> ScanResult:
    """Scan the located looks.

    Parameters
    ----------
    looks : LotLooks
    settings : Settings
        Number of draws.
    rng : numpy.random.Generator
    """
    located = looks.only(pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null())
    left_out = looks.lots.height - located.lots.height
    events = located.lots["is_bad"].to_numpy().astype(float)
    if len(events) < LEAST_LOOKS or not LEAST_FAILURES <= events.sum() <= len(events) - LEAST_FAILURES:
        nan = float("nan")
        return ScanResult(located, (), nan, nan, nan, left_out, is_enough=False)
    x, y = (located.lots[name].to_numpy() for name in ("x_ft", "y_ft"))
    # At the town's own level: expected numbers scaled up would promise more than one failure of a lot that is sure to
    # have one, and scaled down would make an excess of such lots.
    chance = at_level_of(located.lots["expected"], events, located.bounds)
    layers = town_layers(x, y, chance, block=blocks_of(located.lots), cap=CAP)
    # Lines of which nearly all fail have little room for an excess: what there is must not be overlooked.
    spread = chance * (1 - chance)
    zones = find_zones(layers, events, chance, variance=spread, most=MOST_ZONES)
    ordinary = ordinary_differences(located)
    least_p_value, found = float("nan"), tuple[FoundZone, ...]()
    if zones:
        plain_rng, areas_rng, core_rng = rng.spawn(3)
        draw = partial(
            null_maxima,
            layers,
            chance,
            int(events.sum()),
            variance=spread,
            n_draws=settings.hot_spot_draws,
            least=zones[0].log_ratio,
        )
        plain = draw(rng=plain_rng)
        with_areas = draw(rng=areas_rng, variation=ordinary)
        cores = partial(
            core_membership,
            layers,
            events=events,
            expected=chance,
            places=(x, y),
            rng=core_rng,
            variance=spread,
        )
        least_p_value = plain.p_value(zones[0].log_ratio)[0]
        found = _judged(zones, plain, with_areas, cores)
    between_blocks, between_subdivisions = (frailty.variance for frailty in ordinary.frailties)
    return ScanResult(
        located, found, between_blocks, between_subdivisions, least_p_value, left_out, is_enough=True
    )


def ordinary_differences(looks: LotLooks) -> Variation:
    """Say how chances move together in a town like this one without a hot spot."""
    return ordinary_variation(
        looks.lots["expected"],
        looks.lots["is_bad"],
        blocks_of(looks.lots),
        numbered(looks.lots["subdivision"])[0],
        bounds=looks.bounds,
        laws=looks.draws,
    )


def _judged(
    zones: Sequence[Zone],
    plain: NullMaxima,
    with_areas: NullMaxima,
    core_of: Callable[[Zone], FloatArray],
) -> tuple[FoundZone, ...]:
    found = []
    for zone in zones:
        p_value, method = plain.p_value(zone.log_ratio)
        if p_value > SIGNIFICANT:
            break
        p_value_blocks, method_blocks = with_areas.p_value(zone.log_ratio)
        found.append(
            FoundZone(zone.points, zone, p_value, p_value_blocks, method, method_blocks, core_of(zone))
        )
    return tuple(found)


def blocks_of(lots: pl.DataFrame) -> IntArray:
    """Block of each lot, numbered; cells of about a block's size where blocks are not on record."""
    if lots["block"].null_count() <= lots.height / 2:
        return numbered(lots["block"])[0]
    x, y = lots["x_ft"].to_numpy(), lots["y_ft"].to_numpy()
    return numbered(cell_names(x, y, cell_side(x, y)))[0]


def cell_side(x: FloatArray, y: FloatArray) -> float:
    """Side of a square that holds about a block's lots where lots lie [ft]."""
    side = max(float(np.ptp(x)), float(np.ptp(y)), 1.0) / max(np.sqrt(len(x) / LOTS_PER_CELL), 1.0)
    for _ in range(8):
        occupied = cell_names(x, y, side).n_unique()
        per_cell = len(x) / occupied
        if 0.8 <= per_cell / LOTS_PER_CELL <= 1.25:
            break
        side *= float(np.clip(np.sqrt(LOTS_PER_CELL / per_cell), 0.5, 2.0))
    return float(np.ceil(side / 10) * 10)


@dataclass(frozen=True, slots=True)
class Surge:
    """Zones in which more lots than elsewhere were inspected.

    Attributes
    ----------
    lots : frozenset of str
        Lots inside them.
    """

    lots: frozenset[str]


def inspection_surges(lots: pl.DataFrame, looked: pl.Series, rng: np.random.Generator) -> Surge:
    """Scan inspections against lots.

    Parameters
    ----------
    lots : DataFrame
        All placed lots: `lot_id, x_ft, y_ft, block`.
    looked : Series
        Lots with a judged, unselected look.
    rng : numpy.random.Generator
    """
    placed = lots.filter(pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null()).sort("lot_id")
    events = placed["lot_id"].is_in(looked.implode()).to_numpy().astype(float)
    total = int(events.sum())
    if placed.height < LEAST_LOOKS or not 0 < total < placed.height:
        return Surge(frozenset())
    trials = np.ones(placed.height)
    layers = town_layers(
        placed["x_ft"].to_numpy(), placed["y_ft"].to_numpy(), trials, block=blocks_of(placed), cap=CAP
    )
    zones = find_zones(layers, events, trials, statistic="bernoulli", most=MOST_ZONES)
    if not zones:
        return Surge(frozenset())
    null = null_maxima(
        layers,
        np.full(placed.height, total / placed.height),
        total,
        rng=rng,
        statistic="bernoulli",
        n_draws=SURGE_DRAWS,
        least=zones[0].log_ratio,
    )
    names = placed["lot_id"].to_numpy()
    inside = [
        names[zone.points]
        for zone in zones
        if null.p_value(zone.log_ratio)[0] <= SIGNIFICANT and zone.relative_risk >= LEAST_RATIO
    ]
    return Surge(frozenset(np.concatenate(inside).tolist()) if inside else frozenset())


def warnings_of(
    found: FoundZone, looks: LotLooks, operators: pl.DataFrame, surge: Surge, now: float | None
) -> str:
    """Say with what a zone coincides; empty where with nothing.

    Parameters
    ----------
    found : FoundZone
    looks : LotLooks
        That were scanned.
    operators : DataFrame
        `inspection_id, operator`.
    surge : Surge
    now : float or None
        Decimal year of "now"; None where only ages are kept.
    """
    inside = np.zeros(looks.lots.height, dtype=np.bool_)
    inside[found.rows] = True
    lots = looks.lots.with_columns(inside=pl.Series(inside)).join(
        operators.select("inspection_id", "operator"), on="inspection_id", how="left", maintain_order="left"
    )
    told = []
    surged = lots.filter(pl.col("inside"))["lot_id"].is_in(list(surge.lots)).mean()
    if isinstance(surged, float) and surged >= LEAST_SHARE:
        told.append("lots here were inspected more often than elsewhere")
    commonest = _commonest(lots.filter(pl.col("operator").is_not_null()), "operator")
    if commonest is not None:
        told.append(f"one operator ({commonest[0]}) made {commonest[1]:.0%} of its looks")
    if now is not None:
        years = lots.with_columns(year=(now - pl.col("years_ago")).floor().cast(pl.Int64, strict=False))
        year = _commonest(years.filter(pl.col("year").is_not_null()), "year")
        if year is not None:
            told.append(f"{year[1]:.0%} of its looks were made in {year[0]}")
    return "" if not told else f"Coincides with how the looks were made: {'; '.join(told)}."


def _commonest(lots: pl.DataFrame, name: str) -> tuple[str, float] | None:
    """What most looks of the zone have in common, where that is far more than elsewhere."""
    counts = lots.group_by(name).agg(here=pl.col("inside").sum(), everywhere=pl.len())
    if counts.is_empty():
        return None
    most = counts.sort("here", name, descending=[True, False]).row(0, named=True)
    here, n_here, n = int(most["here"]), int(lots["inside"].sum()), lots.height
    if n_here in {0, n} or here / n_here < LEAST_SHARE:
        return None
    elsewhere = (most["everywhere"] - here) / (n - n_here)
    chance = share_excess(here, n_here, int(most["everywhere"]), n)
    if here / n_here < LEAST_RATIO * elsewhere or chance > LEAST_SURPRISE:
        return None
    return str(most[name]), here / n_here

"""The town as tables of records, with the gaps that records have, and the truth as tables beside them.

Gaps are real-world gaps (missing, rounded or ranged values); no row of these tables breaks a rule. The
dirt of hand-kept sheets is in `mess`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data import truth
from synthetic_data.findings import VERDICTS, Notes
from synthetic_data.inspections import ABANDONED_REASONS, DRAINED, NOT_RECORDED, PURPOSES, Looks
from synthetic_data.lives import Lives, Setting
from synthetic_data.names import street_names, subdivision_names
from synthetic_data.sewer import Sewer, street_y_ft
from synthetic_data.town import BLOCK_PITCH_X_FT, HALF_STREET_FT, LOT_DEPTH_FT, Lots
from synthetic_data.truth import Flags, Floats, Ints

N_OPERATORS = 8
#: Houses of this year or later have a plat that says where the property line is.
FIRST_PLATS_AT_HAND = 1950


@dataclass(frozen=True, slots=True)
class Town:
    """Everything drawn for one town."""

    setting: Setting
    sewer: Sewer
    lives: Lives
    looks: Looks
    notes: Notes


def words(vocabulary: tuple[str, ...], index: Ints, name: str = "") -> pl.Series:
    """Indices as words; -1 stays empty."""
    gathered = pl.Series(name, [*vocabulary, None], dtype=pl.String).gather(
        pl.Series(np.where(index < 0, len(vocabulary), index), dtype=pl.UInt32)
    )
    return gathered.alias(name)


def kept(values: object, is_kept: Flags) -> pl.Series:
    """Values where they were recorded, empty elsewhere."""
    series = values if isinstance(values, pl.Series) else pl.Series(np.asarray(values))
    return series.set(pl.Series(~is_kept), None)


def dates(year: Floats) -> pl.Series:
    """Decimal years as dates."""
    whole = np.floor(year)
    start = (whole.astype(np.int64) - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    day = np.floor((year - whole) * 365.0).astype(np.int64)
    return pl.Series(start + day.astype("timedelta64[D]")).cast(pl.Date)


def numbered(prefix: str, index: Ints, digits: int) -> pl.Series:
    """Identifiers such as M-00012."""
    return prefix + pl.Series(index).cast(pl.String).str.zfill(digits)


def lot_ids(index: Ints) -> pl.Series:
    """Parcel numbers, which keep their leading zeros."""
    return numbered("00", index + 1, 7)


def inspection_ids(looks: Looks) -> pl.Series:
    """Job numbers in the order of time."""
    return numbered("J", np.arange(1, looks.n + 1), 7)


def addresses(setting: Setting, rng: np.random.Generator) -> pl.Series:
    """House number and street of each lot; every address is different."""
    lots = setting.lots
    street = lots.block_row + lots.side
    number = (lots.block_col + 1) * 100 + 2 * lots.slot + lots.side
    names = tuple(street_names(int(street.max()) + 1, rng))
    return pl.Series(number).cast(pl.String) + " " + words(names, street)


def lots_table(town: Town, address: pl.Series, rng: np.random.Generator) -> pl.DataFrame:
    """The assessor's list."""
    lots = town.setting.lots
    n = lots.n
    subdivisions = tuple(subdivision_names(lots.subdivision_year.size, rng))
    soil = words(("other", "expansive_clay", "unknown"), np.where(rng.random(n) < 0.05, 2, lots.is_expansive))
    uses = ("single_family", "multi_family", "commercial")
    return pl.DataFrame(
        {
            "lot_id": lot_ids(np.arange(n)),
            "address": address,
            "lon": pl.Series([None], dtype=pl.Float64).new_from_index(0, n),
            "lat": pl.Series([None], dtype=pl.Float64).new_from_index(0, n),
            "x": np.round(lots.x_ft, 1),
            "y": np.round(lots.y_ft, 1),
            "epsg": pl.Series([None], dtype=pl.Int64).new_from_index(0, n),
            "year_built": kept(lots.built, rng.random(n) >= 0.02),
            "subdivision": words(subdivisions, lots.subdivision),
            "block": numbered("B", lots.block_col, 3) + numbered("-", lots.block_row, 3),
            "portfolio": _portfolios(n, rng),
            "parcel_use": words(uses, (rng.random(n) > 0.86).astype(np.int64) + (rng.random(n) > 0.97)),
            "large_tree_near": kept(lots.has_tree, rng.random(n) >= 0.05),
            "soil": soil,
            "property_line_ft": _property_lines(lots),
            "outline_wkt": _outlines(lots.west_ft, lots.width_ft, lots.south_ft),
        }
    )


def _property_lines(lots: Lots) -> pl.Series:
    """Footage from the building at which a lateral leaves the lot: only the newer plats are at hand."""
    return kept(np.round(lots.line_ft - HALF_STREET_FT), lots.built >= FIRST_PLATS_AT_HAND)


def _portfolios(n: int, rng: np.random.Generator) -> pl.Series:
    """A few lots belong to somebody who owns many."""
    owner = np.where(rng.random(n) < 0.03, rng.integers(0, 3, n), -1)
    return words(("P1", "P2", "P3"), owner)


def _outlines(west: Floats, width: Floats, south: Floats) -> pl.Series:
    """Rectangles as WKT."""
    corners = pl.DataFrame({"w": west, "e": west + width, "s": south, "n": south + LOT_DEPTH_FT}).select(
        pl.all().round(1).cast(pl.String)
    )
    ring = pl.format(
        "POLYGON (({} {}, {} {}, {} {}, {} {}, {} {}))", "w", "s", "e", "s", "e", "n", "w", "n", "w", "s"
    )
    return corners.select(outline=ring)["outline"]


def segments_table(town: Town, rng: np.random.Generator) -> pl.DataFrame:
    """Today's inventory: years missing for many, ranged for some, rounded for some."""
    stretches, lives = town.setting.stretches, town.lives
    now = lives.standing()
    n = stretches.n
    year = np.floor(lives.laid[now]).astype(np.int64)
    u = rng.random(n)
    is_renewed = lives.number[now] > 1
    # Works leave papers: the year of a later pipe is known more often.
    known, heaped, ranged = np.where(is_renewed, 0.70, 0.44), 0.11, 0.11
    is_heaped = (u >= known) & (u < known + heaped)
    is_ranged = (u >= known + heaped) & (u < known + heaped + ranged)
    # Downwards, so that no pipe seems younger than a look at it.
    year_kept = np.where(is_heaped, year // 5 * 5, year)
    earlier, later = rng.integers(0, 9, n), rng.integers(0, 9, n)
    material = np.where(rng.random(n) < 0.14, len(truth.MATERIALS), lives.material[now])
    material = np.where((material == len(truth.MATERIALS)) & (rng.random(n) < 0.5), -1, material)
    return pl.DataFrame(
        {
            "lot_id": lot_ids(stretches.lot),
            "observed_by": pl.Series([None], dtype=pl.String).new_from_index(0, n),
            "sequence": stretches.sequence,
            "from_ft": stretches.from_ft,
            "to_ft": stretches.to_ft,
            "material": words((*truth.MATERIALS, "unknown"), material),
            "diameter_in": kept(stretches.diameter_in.astype(np.float64), rng.random(n) >= 0.08),
            "install_year": kept(year_kept, u < known + heaped),
            "install_year_min": kept(year - earlier, is_ranged),
            "install_year_max": kept(np.minimum(year + later, 2026), is_ranged),
            "depth_ft": kept(stretches.depth_ft, rng.random(n) >= 0.25),
        }
    )


def inspections_table(town: Town, operator: Ints, rng: np.random.Generator) -> pl.DataFrame:
    """One row per camera run."""
    looks = town.looks
    n = looks.n
    entry = rng.choice(4, size=n, p=(0.76, 0.12, 0.05, 0.07))
    is_start_noted = (entry == 1) | (entry == 2) | (rng.random(n) < 0.6)
    is_end_noted = ~looks.is_complete | (rng.random(n) >= 0.15)
    note = np.where(looks.purpose == PURPOSES.index("backup"), 0, -1)
    return pl.DataFrame(
        {
            "inspection_id": inspection_ids(looks),
            "lot_id": lot_ids(looks.lot),
            "inspection_date": dates(looks.time),
            "age_years": pl.Series([None], dtype=pl.Float64).new_from_index(0, n),
            "purpose": words(PURPOSES, looks.purpose),
            "access": words(("clean_out", "pulled_toilet", "roof_vent", "unknown"), entry),
            "start_ft": kept(np.zeros(n), is_start_noted),
            "end_ft": kept(looks.end_ft, is_end_noted),
            "line_drained": kept(looks.drained == DRAINED, looks.drained != NOT_RECORDED),
            "reached_tie_in": looks.is_complete,
            "abandoned_reason": words(ABANDONED_REASONS, np.where(looks.is_complete, -1, looks.reason)),
            "overall_verdict": words(VERDICTS, np.where(looks.is_overall_only, town.notes.verdict, -1)),
            "operator": numbered("OP-", operator, 2),
            "note": words(("called out: sewage backed up",), note),
            "consent": words(("aggregate", "identified"), _consents(looks.lot)),
        }
    )


def _consents(lot: Ints) -> Ints:
    """What each household allows: mostly counting only, some their address as well, some were not asked.

    Told by the lot's number, not drawn, so that the rest of the town is the same with and without it.
    """
    turn = lot * 7919 % 100
    return np.where(turn < 60, 0, np.where(turn < 75, 1, -1)).astype(np.int64)


def draw_operators(n: int, rng: np.random.Generator) -> Ints:
    """Who ran each camera; the first operator does the most rounds."""
    share = np.array([0.2, *[0.8 / (N_OPERATORS - 1)] * (N_OPERATORS - 1)])
    return 1 + rng.choice(N_OPERATORS, size=n, p=share)


def findings_table(town: Town) -> pl.DataFrame:
    """One row per note, numbered along each run."""
    findings = town.notes.findings
    look = findings["look"]
    return findings.select(
        inspection_ids(town.looks).gather(look.cast(pl.UInt32)).alias("inspection_id"),
        (pl.int_range(pl.len()).over("look") + 1).alias("number"),
        "at_ft",
        "to_ft",
        "kind",
        "water_depth_in",
        "loss_pct",
        "offset_in",
        "clock",
        "near_manhole",
        "note",
    )


def sewer_tables(town: Town, rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """Mains, manholes and connections."""
    sewer, lots = town.sewer, town.setting.lots
    n = sewer.main_col.size
    year = sewer.main_year
    material = np.where(year < 1972, truth.CLAY, truth.PVC)
    material = np.where((rng.random(n) < 0.2) & (year < 1985), truth.CONCRETE, material)
    street_class = np.where(sewer.main_street % 12 == 6, 2, np.where(sewer.main_street % 4 == 2, 1, 0))
    ends = pl.DataFrame(
        {
            "w": sewer.main_col * BLOCK_PITCH_X_FT,
            "e": (sewer.main_col + 1) * BLOCK_PITCH_X_FT,
            "y": street_y_ft(sewer.main_street),
        }
    ).select(pl.all().cast(pl.String))
    mains = pl.DataFrame(
        {
            "main_id": numbered("M", np.arange(1, n + 1), 5),
            "outline_wkt": ends.select(line=pl.format("LINESTRING ({} {}, {} {})", "w", "y", "e", "y"))[
                "line"
            ],
            "material": words(truth.MATERIALS, material),
            "diameter_in": np.where(street_class == 2, 15.0, np.where(street_class == 1, 10.0, 8.0)),
            "depth_ft": sewer.main_depth_ft,
            "install_year": kept(year, rng.random(n) >= 0.06),
            "street_class": words(("local", "collector", "arterial"), street_class),
            # A brook runs beside the ninth street.
            "near_water": np.abs(sewer.main_street - 9) <= 1,
        }
    )
    manholes = pl.DataFrame(
        {
            "manhole_id": numbered("H", np.arange(1, sewer.manhole_col.size + 1), 5),
            "x": sewer.manhole_col * BLOCK_PITCH_X_FT,
            "y": street_y_ft(sewer.manhole_street),
            "depth_ft": sewer.manhole_depth_ft,
        }
    )
    connections = pl.DataFrame(
        {
            "lot_id": lot_ids(np.arange(lots.n)),
            "main_id": numbered("M", sewer.lot_main + 1, 5),
            "manhole_id": kept(numbered("H", sewer.lot_manhole + 1, 5), sewer.ties_into_manhole),
            "station_ft": kept(sewer.lot_station_ft, rng.random(lots.n) >= 0.1),
        }
    ).filter(pl.Series(rng.random(lots.n) >= 0.03))
    return {"mains": mains, "manholes": manholes, "connections": connections}


#: Method, unit, cost per unit low/likely/high at 0-6 ft under a lawn [US dollars of 2025]; examples in the
#: range of consumer cost guides (low authority), to be replaced by the user's own figures.
_COSTS = (
    ("open_cut", "per foot", 90.0, 150.0, 250.0),
    ("bursting", "per foot", 80.0, 130.0, 200.0),
    ("lining", "per foot", 90.0, 140.0, 250.0),
    ("spot_repair", "each", 1500.0, 2600.0, 4000.0),
    ("cleaning", "each", 150.0, 300.0, 600.0),
)
_DEPTH_BANDS = (("0-6 ft", 1.0), ("6-10 ft", 1.35), ("over 10 ft", 1.9))
_SURFACES = (("lawn", 1.0), ("concrete", 1.25), ("street", 1.6))
_NEEDS_DIGGING = ("open_cut", "spot_repair", "bursting")


def unit_costs_table() -> pl.DataFrame:
    """Invented unit costs by method, diameter, depth and surface."""
    rows = []
    for method, unit, low, likely, high in _COSTS:
        for diameter in (4.0, 6.0):
            for band, deeper in _DEPTH_BANDS:
                for surface, dearer in _SURFACES:
                    factor = (deeper * dearer if method in _NEEDS_DIGGING else 1.0) * (
                        1.15 if diameter > 4 else 1.0
                    )
                    costs = [round(factor * cost, -1) for cost in (low, likely, high)]
                    rows.append((method, diameter, band, surface, unit, *costs, 2025))
    names = [
        "method",
        "diameter_in",
        "depth_band",
        "surface",
        "unit",
        "low_usd",
        "likely_usd",
        "high_usd",
        "base_year",
    ]
    return pl.DataFrame(rows, schema=names, orient="row")

"""Places within a build: hot spots, area hazards, local statistics and the surface for display."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from models.local_statistics import benjamini_hochberg, excess_deviate, nearest, upper_tail
from models.looks import FloatArray
from models.risk_surface import risk_surface
from pipeline.published import contract
from pipeline.published.write import empty
from pipeline.settings import Settings
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import SCORE_LEVEL
from pipeline.steps.places_areas import areas_and_effects
from pipeline.steps.places_looks import LotLooks, every_look, lot_looks
from pipeline.steps.places_outlines import hull, in_degrees, in_feet
from pipeline.steps.places_scan import (
    CORE_SHARE,
    LABEL_FIRM,
    LABEL_UNPROVEN,
    LEAST_FAILURES,
    LEAST_LOOKS,
    FoundZone,
    ScanResult,
    Surge,
    inspection_surges,
    scan_looks,
    warnings_of,
)
from pipeline.warehouse import Warehouse, sql_text

Frames = dict[str, pl.DataFrame]
TAIL = (1 - SCORE_LEVEL) / 2
#: Looks around a lot that its own Gi* takes in.
NEAREST_LOOKS = 30
#: Expected failures that the kernel of the surface takes in where looks are as dense as on average, the least
#: at which it says anything, and the most cells.
SURFACE_EXPECTED, SURFACE_LEAST = 8.0, 3.0
MOST_CELLS = 40_000
#: Lots around a zone's centre that tell its degrees.
DEGREE_LOTS = 200


def make_places(
    warehouse: Warehouse, fit: OutcomeFit, exposure: Exposure, lots: pl.DataFrame, settings: Settings
) -> Frames:
    """Make the published tables about places.

    Parameters
    ----------
    warehouse : Warehouse
        For who ran the cameras.
    fit : OutcomeFit
        Of the default outcome, without any local term.
    exposure : Exposure
    lots : DataFrame
        Placed lots: `lot_id, x_ft, y_ft, lon, lat, block, subdivision`.
    settings : Settings

    Returns
    -------
    dict of str to DataFrame
        Tables without rows where there is no fit, and a search that says why.
    """
    if not fit.is_ok:
        return {"hot_spot_scans": _not_searched(fit.fitted.reason)}
    # A stream beside those of the outcomes (0) and of the scores (1).
    scan_rng, area_rng, surge_rng = np.random.default_rng([settings.seed, 2]).spawn(3)
    looks = lot_looks(fit, exposure, lots)
    operators = warehouse.frame(sql_text("places/look_operators"))
    surge = inspection_surges(lots, looks.lots["lot_id"], surge_rng)
    frames: dict[str, list[pl.DataFrame]] = {}
    searches = _searches(looks, settings)
    purposes = warehouse.frame(sql_text("places/look_purposes"))
    selected = purposes.filter(pl.col("purpose").is_in(settings.selected_purposes))
    every = every_look(fit, exposure, lots, selected.select("inspection_id", "purpose"))
    if every is not None:
        searches["every_reason"] = every
    for period, chosen in searches.items():
        result = scan_looks(chosen, settings, scan_rng)
        made = {
            "hot_spot_scans": _scan_row(period, result, settings),
            "hot_spots": _spots(period, result, lots, operators, surge, exposure.as_of.year, settings),
            "hot_spot_lots": _spot_lots(period, result, lots, settings),
        }
        for name, frame in made.items():
            frames.setdefault(name, []).append(frame)
    tables = {name: pl.concat(parts, how="diagonal_relaxed") for name, parts in frames.items()}
    tables["area_hazards"], tables["local_effects"] = areas_and_effects(looks, lots, settings, area_rng)
    tables["lot_expectations"] = _expectations(looks, purposes)
    tables["risk_surface"] = _surface(looks)
    return tables


def _searches(looks: LotLooks, settings: Settings) -> dict[str, LotLooks]:
    searches = {"all": looks}
    if settings.hot_spot_recent_years > 0:
        searches["recent"] = looks.only(pl.col("years_ago") <= settings.hot_spot_recent_years)
    return searches


def _not_searched(reason: str) -> pl.DataFrame:
    return pl.DataFrame(
        {
            **{column.name: [None] for column in contract.HOT_SPOT_SCANS.columns},
            "period": ["all"],
            "status": [contract.STATUS_NOT_FITTED],
            "sentence": [f"Not searched for hot spots: {reason}"],
        }
    )


def _scan_row(period: str, result: ScanResult, settings: Settings) -> pl.DataFrame:
    lots = result.looks.lots
    n, observed = lots.height, int(lots["is_bad"].sum())
    return pl.DataFrame(
        {
            "period": period,
            "recent_years": settings.hot_spot_recent_years if period == "recent" else None,
            "n_lots": n,
            "n_observed": observed,
            "expected": float(lots["expected"].sum()),
            "n_without_place": result.n_without_place,
            "n_draws": settings.hot_spot_draws if result.is_enough else 0,
            "block_variance": result.block_variance,
            "subdivision_variance": result.subdivision_variance,
            "least_p_value": result.least_p_value,
            "status": contract.STATUS_OK if result.is_enough else contract.STATUS_TOO_FEW,
            "sentence": _scan_words(period, result, n, observed, settings),
        },
        schema_overrides={"recent_years": pl.Float64},
    )


def _scan_words(period: str, result: ScanResult, n: int, observed: int, settings: Settings) -> str:
    which = {
        "recent": f" of the last {settings.hot_spot_recent_years:g} years",
        "every_reason": ", looks made because of a failure among them,",
    }.get(period, "")
    counted = f"{n:,} inspected lots{which} with a location, {observed:,} with a repair-grade finding"
    if result.n_without_place:
        counted += f" ({result.n_without_place:,} more have no location)"
    if not result.is_enough:
        return (
            f"Too few records: {counted}; a search needs {LEAST_LOOKS} lots, {LEAST_FAILURES} with a finding and as many "
            "without."
        )
    told = [zone for zone in result.zones if _is_told(zone, settings)]
    firm = sum(zone.is_firm for zone in told)
    if not told:
        return (
            f"{counted}. No hot spot: chance alone makes a zone as bad somewhere in more than one of twenty such towns. "
            "That is no proof that there is none."
        )
    return (
        f"{counted}. {len(told)} zone{'s' if len(told) > 1 else ''} with more failures than material, age "
        f"and depth explain; {firm} of them firm: more than areas differ anyway."
    )


def _is_told(found: FoundZone, settings: Settings) -> bool:
    """Whether a zone holds lots enough not to tell of single houses."""
    return len(found.rows) >= settings.min_area_inspections


def _spots(
    period: str,
    result: ScanResult,
    lots: pl.DataFrame,
    operators: pl.DataFrame,
    surge: Surge,
    now: float | None,
    settings: Settings,
) -> pl.DataFrame:
    rows = []
    for number, found in enumerate((zone for zone in result.zones if _is_told(zone, settings)), start=1):
        inside = _lots_inside(found, lots)
        row = {"period": period, "zone": number} | _numbers(found, result.looks, inside)
        row |= _outlines(found, result.looks, lots, inside)
        row["warning"] = warnings_of(found, result.looks, operators, surge, now)
        row["sentence"] = _spot_words(row)
        rows.append(row)
    if not rows:
        return empty(contract.HOT_SPOTS)
    return pl.DataFrame(rows, infer_schema_length=None).select(contract.HOT_SPOTS.names)


def _lots_inside(found: FoundZone, lots: pl.DataFrame) -> pl.DataFrame:
    """All lots within the zone's circle, inspected or not."""
    reach = pl.lit(found.zone.radius)
    away = ((pl.col("x_ft") - found.zone.x) ** 2 + (pl.col("y_ft") - found.zone.y) ** 2).sqrt()
    return lots.filter(away <= reach * (1 + 1e-9))


def _numbers(found: FoundZone, looks: LotLooks, inside: pl.DataFrame) -> dict[str, Any]:
    expected = looks.draws[:, found.rows].sum(axis=1)
    point = float(looks.lots["expected"].to_numpy()[found.rows].sum())
    lower, upper = np.quantile(expected, [TAIL, 1 - TAIL])
    label = LABEL_FIRM if found.is_firm else LABEL_UNPROVEN
    seen = looks.lots[found.rows]
    # Cells reach a little past the circle through their middles.
    n_lots = max(pl.concat([inside["lot_id"], seen["lot_id"]]).n_unique(), 1)
    return {
        "label": label,
        "meaning": contract.HOT_SPOT_LABELS[label],
        "x_ft": found.zone.x,
        "y_ft": found.zone.y,
        "radius_ft": found.zone.radius,
        "subdivisions": ", ".join(_commonest_first(seen["subdivision"])),
        "n_lots": n_lots,
        "n_inspected": len(found.rows),
        "coverage_share": len(found.rows) / n_lots,
        "n_observed": int(seen["is_bad"].sum()),
        "expected": point,
        "expected_lower": min(float(lower), point),
        "expected_upper": max(float(upper), point),
        "ratio": float(seen["is_bad"].sum()) / point,
        "log_ratio": found.zone.log_ratio,
        "p_value": found.p_value,
        "p_value_method": found.method,
        "p_value_blocks": found.p_value_blocks,
        "p_value_blocks_method": found.method_blocks,
        "n_core": int((found.core_share >= CORE_SHARE).sum()),
    }


def _commonest_first(names: pl.Series) -> list[str]:
    counted = names.drop_nulls().to_frame("name").group_by("name").len("n")
    found: list[str] = counted.sort("n", "name", descending=[True, False])["name"].to_list()
    return found


def _outlines(
    found: FoundZone, looks: LotLooks, lots: pl.DataFrame, inside: pl.DataFrame
) -> dict[str, str | float | None]:
    seen = looks.lots[found.rows]
    x = np.concatenate((inside["x_ft"].to_numpy(), seen["x_ft"].to_numpy()))
    y = np.concatenate((inside["y_ft"].to_numpy(), seen["y_ft"].to_numpy()))
    shape = hull(x, y)
    core = seen.filter(pl.Series(found.core_share >= CORE_SHARE))
    around = (
        lots.filter(pl.col("lon").is_not_null())
        .sort((pl.col("x_ft") - found.zone.x) ** 2 + (pl.col("y_ft") - found.zone.y) ** 2, nulls_last=True)
        .head(DEGREE_LOTS)
    )
    columns = [around[name].fill_null(float("nan")).to_numpy() for name in ("x_ft", "y_ft", "lon", "lat")]
    degrees = in_degrees(shape, *columns)
    middle = in_degrees(hull(np.array([found.zone.x]), np.array([found.zone.y])).centroid, *columns)
    lon, lat = _point(middle)
    return {
        "outline_wkt": in_feet(shape),
        "outline_degrees_wkt": degrees,
        "core_wkt": in_feet(hull(core["x_ft"].to_numpy(), core["y_ft"].to_numpy())) if core.height else None,
        "lon": lon,
        "lat": lat,
    }


def _point(wkt: str | None) -> tuple[float | None, float | None]:
    if wkt is None:
        return None, None
    lon, lat = wkt.removeprefix("POINT (").removesuffix(")").split()
    return float(lon), float(lat)


def _spot_words(row: dict[str, Any]) -> str:
    text = (
        f"{row['n_observed']} of {row['n_inspected']} inspected lots failed where material, age and depth lead to expect "
        f"{row['expected']:.1f}: {row['ratio']:.1f} times as many. "
    )
    if row["label"] == LABEL_FIRM:
        text += "More than areas differ anyway."
    else:
        text += "Blocks and subdivisions that merely differ as they do over the town could make such a zone."
    return f"{text} {row['warning']}".strip()


def _spot_lots(period: str, result: ScanResult, lots: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    parts = [empty(contract.HOT_SPOT_LOTS)]
    for number, found in enumerate((zone for zone in result.zones if _is_told(zone, settings)), start=1):
        seen = result.looks.lots[found.rows].select("lot_id", membership_share=pl.Series(found.core_share))
        others = _lots_inside(found, lots).join(result.looks.lots, on="lot_id", how="anti")
        both = pl.concat(
            [
                seen.with_columns(
                    is_inspected=pl.lit(True), is_core=pl.col("membership_share") >= CORE_SHARE
                ),
                others.select(
                    "lot_id",
                    membership_share=pl.lit(None, dtype=pl.Float64),
                    is_inspected=pl.lit(False),
                    is_core=pl.lit(None, dtype=pl.Boolean),
                ),
            ]
        )
        named = both.with_columns(period=pl.lit(period), zone=pl.lit(number, dtype=pl.Int64))
        parts.append(named.select(contract.HOT_SPOT_LOTS.names))
    return pl.concat(parts)


def _expectations(looks: LotLooks, purposes: pl.DataFrame) -> pl.DataFrame:
    point = looks.lots["expected"].to_numpy()
    lower, upper = np.quantile(looks.draws, [TAIL, 1 - TAIL], axis=0)
    z, q_value = _lot_excess(looks)
    made = looks.lots.join(purposes, on="inspection_id", how="left", maintain_order="left")
    return pl.DataFrame(
        {
            "lot_id": looks.lots["lot_id"],
            "purpose": made["purpose"],
            "look_year": made["look_year"],
            "is_bad": looks.lots["is_bad"],
            "expected": point,
            "expected_lower": np.minimum(lower, point),
            "expected_upper": np.maximum(upper, point),
            "gi_star_z": z,
            "gi_star_q_value": q_value,
        }
    )


def _lot_excess(looks: LotLooks) -> tuple[FloatArray, FloatArray]:
    z = np.full(looks.lots.height, np.nan)
    placed = (
        looks.lots.select(pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null()).to_series().to_numpy()
    )
    if placed.sum() > NEAREST_LOOKS:
        lots = looks.lots.filter(pl.Series(placed))
        near = nearest(lots["x_ft"].to_numpy(), lots["y_ft"].to_numpy(), NEAREST_LOOKS)
        z[placed] = excess_deviate(lots["is_bad"].to_numpy().astype(float), lots["expected"].to_numpy(), near)
    return z, benjamini_hochberg(upper_tail(z)).q_value


def _surface(looks: LotLooks) -> pl.DataFrame:
    placed = looks.lots.filter(pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null())
    if placed.height < LEAST_LOOKS:
        return empty(contract.RISK_SURFACE)
    x, y, expected = (placed[name].to_numpy() for name in ("x_ft", "y_ft", "expected"))
    bandwidth = _bandwidth(x, y, expected)
    size = max(bandwidth / 2, float(np.sqrt(np.ptp(x) * np.ptp(y) / MOST_CELLS)), 1.0)
    surface = risk_surface(
        x,
        y,
        placed["is_bad"].to_numpy(),
        expected,
        bandwidth=bandwidth,
        size=size,
        least_expected=SURFACE_LEAST,
    )
    across, along = np.meshgrid(surface.x, surface.y)
    table = pl.DataFrame(
        {
            "x_ft": across.ravel(),
            "y_ft": along.ravel(),
            "size_ft": size,
            "relative_risk": surface.relative_risk.ravel(),
            "expected": surface.expected.ravel(),
        }
    )
    return table.filter(pl.col("relative_risk").is_finite())


def _bandwidth(x: FloatArray, y: FloatArray, expected: FloatArray) -> float:
    """Standard deviation of a kernel that takes in so many expected failures where most looks are."""
    near = nearest(x, y, NEAREST_LOOKS)
    first = np.arange(0, near.nnz, near.nnz // len(x))
    farthest = np.maximum.reduceat(
        np.hypot(
            x[near.indices] - np.repeat(x, np.diff(near.indptr)),
            y[near.indices] - np.repeat(y, np.diff(near.indptr)),
        ),
        first,
    )
    # Expected failures to a square foot around a typical look.
    density = np.median((near @ expected + expected) / (np.pi * np.maximum(farthest, 1.0) ** 2))
    return float(np.sqrt(SURFACE_EXPECTED / (2 * np.pi * max(density, 1e-12))))

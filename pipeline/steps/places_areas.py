"""Blocks, subdivisions and grid cells: observed, expected, and the hazard multiplier of each.

Multipliers are drawn towards the town by an amount that the records choose, so that two bad houses do not
condemn a street. Whether they foretell lots that were left out is tested and told. Scores have what areas have in
common from their own fit: see `pipeline.steps.validate_areas`.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import polars as pl

from models.area_gain import AreaModel, Gain, held_out_gain
from models.area_hazards import AreaHazards, gamma_hazards
from models.area_neighbours import neighbour_hazards
from models.compiled import n_threads
from models.local_statistics import (
    Weights,
    benjamini_hochberg,
    getis_ord,
    local_moran,
    nearest,
    row_standardised,
    upper_tail,
)
from models.looks import FloatArray, IntArray
from pipeline.published import contract
from pipeline.settings import Settings
from pipeline.steps.fit_scores import SCORE_LEVEL
from pipeline.steps.places_looks import LotLooks, numbered
from pipeline.steps.places_outlines import cell_names
from pipeline.steps.places_scan import cell_side

KINDS = ("block", "subdivision", "cell")
#: Neighbours of an area: those whose middles are nearest.
NEIGHBOURS = 6
FOLDS = 5
#: Of a larger town so many looks, of whole areas, tell whether multipliers help: the errors are small by then.
MOST_JUDGED = 100_000
#: Areas with looks that make a comparison of areas worth while; judgement.
LEAST_AREAS = 5
METHODS = {"towards_town": "drawn towards the town", "towards_neighbours": "drawn towards their neighbours"}
TAIL = (1 - SCORE_LEVEL) / 2


@dataclass(frozen=True, slots=True)
class _Areas:
    """Areas of one kind with their looks."""

    kind: str
    names: list[str]
    of_look: IntArray
    looks: LotLooks
    x_ft: FloatArray
    y_ft: FloatArray
    n_lots: IntArray
    near: Weights


def areas_and_effects(
    looks: LotLooks, lots: pl.DataFrame, settings: Settings, rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make the published `area_hazards` and `local_effects`.

    Parameters
    ----------
    looks : LotLooks
        All lots with a judged, unselected look.
    lots : DataFrame
        All placed lots.
    settings : Settings
    rng : numpy.random.Generator

    Returns
    -------
    tuple of DataFrame
    """

    def made(kind: str, stream: np.random.Generator) -> tuple[pl.DataFrame, pl.DataFrame] | None:
        areas = _areas(kind, looks, lots)
        return None if areas is None else _one_kind(areas, settings, stream)

    # Each kind has its own stream of draws, so that which is worked first does not matter.
    with ThreadPoolExecutor(n_threads()) as threads:
        pairs = [pair for pair in threads.map(made, KINDS, rng.spawn(len(KINDS))) if pair is not None]
    if not pairs:
        return pl.DataFrame(schema=_schema(contract.AREA_HAZARDS)), pl.DataFrame(
            schema=_schema(contract.LOCAL_EFFECTS)
        )
    tables, effects = zip(*pairs, strict=True)
    return pl.concat(tables, how="vertical_relaxed"), pl.concat(effects, how="vertical_relaxed")


def _schema(table: contract.PublishedTable) -> dict[str, pl.DataType]:
    types = {"text": pl.String(), "integer": pl.Int64(), "number": pl.Float64(), "flag": pl.Boolean()}
    return {column.name: types[column.kind] for column in table.columns}


def _areas(kind: str, looks: LotLooks, lots: pl.DataFrame) -> _Areas | None:
    if kind == "cell":
        placed = lots.filter(pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null())
        if placed.is_empty():
            return None
        x, y = placed["x_ft"].to_numpy(), placed["y_ft"].to_numpy()
        lots = placed.with_columns(cell=cell_names(x, y, cell_side(x, y)))
        named = looks.lots.join(lots.select("lot_id", "cell"), on="lot_id", how="left", maintain_order="left")
        looks = replace(looks, lots=named)
    known = looks.only(pl.col(kind).is_not_null())
    middles = (
        lots.filter(pl.col(kind).is_not_null())
        .group_by(kind)
        .agg(pl.col("x_ft", "y_ft").mean(), n_lots=pl.len())
        .sort(kind)
    )
    number, names = numbered(pl.concat([middles[kind], known.lots[kind]]))
    if known.lots[kind].n_unique() < LEAST_AREAS:
        return None
    x, y = (middles[name].fill_null(float("nan")).to_numpy() for name in ("x_ft", "y_ft"))
    return _Areas(
        kind=kind,
        names=names,
        of_look=number[middles.height :],
        looks=known,
        x_ft=x,
        y_ft=y,
        n_lots=middles["n_lots"].cast(pl.Int64).to_numpy(),
        near=_near(x, y),
    )


def _near(x: FloatArray, y: FloatArray) -> Weights:
    """Nearest areas; none where places are not on record."""
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return nearest(x[:0], y[:0], 0)
    return nearest(x, y, NEIGHBOURS)


def _one_kind(
    areas: _Areas, settings: Settings, rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    n_areas = len(areas.names)
    chance = areas.looks.lots["expected"].to_numpy()
    events = areas.looks.lots["is_bad"].to_numpy().astype(float)
    bounds = areas.looks.bounds
    fits = {
        "towards_town": gamma_hazards(
            chance, events, areas.of_look, n_areas=n_areas, level=SCORE_LEVEL, bounds=bounds
        )
    }
    (fold_rng,) = rng.spawn(1)
    models: dict[str, AreaModel] = {"towards_town": partial(gamma_hazards, n_areas=n_areas)}
    if areas.near.shape[0] == n_areas:
        together = neighbour_hazards(
            chance, events, areas.of_look, areas.near, level=SCORE_LEVEL, bounds=bounds
        )
        fits["towards_neighbours"] = together
        # The amount of drawing together is that of all looks: to look for it anew in each part adds nothing.
        models["towards_neighbours"] = partial(
            neighbour_hazards,
            weights=areas.near,
            prior=(together.neighbour_share, together.variance),
        )
    gains = {}
    part = _judged_part(areas.of_look, n_areas, fold_rng)
    judged = areas.of_look[part]
    for name, model in models.items():
        for held_out, fold in _folds(judged, n_areas, fold_rng).items():
            gains[name, held_out] = held_out_gain(
                chance[part], events[part], judged, fold, model, bounds.at(part)
            )
    table = _table(areas, chance, events, fits, settings)
    return table, _effects(areas.kind, fits, gains)


def _judged_part(of_look: IntArray, n_areas: int, rng: np.random.Generator) -> np.ndarray:
    """Looks of areas taken at random until they are enough; all of them in a smaller town."""
    if len(of_look) <= MOST_JUDGED:
        return np.ones(len(of_look), dtype=np.bool_)
    order = rng.permutation(n_areas)
    enough = np.cumsum(np.bincount(of_look, minlength=n_areas)[order]) <= MOST_JUDGED
    kept = np.zeros(n_areas, dtype=np.bool_)
    kept[order[enough]] = True
    return np.asarray(kept[of_look])


def _folds(of_look: IntArray, n_areas: int, rng: np.random.Generator) -> dict[str, IntArray]:
    """Deal lots, and whole areas, into parts that are left out in turn."""
    lots = rng.permutation(len(of_look)) % FOLDS
    return {"lots": lots, "areas": (rng.permutation(n_areas) % FOLDS)[of_look]}


def _effects(kind: str, fits: dict[str, AreaHazards], gains: dict[tuple[str, str], Gain]) -> pl.DataFrame:
    best = max(fits, key=lambda name: gains[name, "lots"].mean)
    rows = []
    for name, fit in fits.items():
        known, unknown = gains[name, "lots"], gains[name, "areas"]
        helps = known.is_helpful and unknown.mean > -unknown.standard_error
        rows.append(
            {
                "area_kind": kind,
                "method": name,
                "variance": fit.variance,
                "neighbour_share": fit.neighbour_share,
                "log_likelihood_gain": fit.log_likelihood_gain,
                "gain_known_areas": known.mean,
                "gain_known_areas_error": known.standard_error,
                "gain_unknown_areas": unknown.mean,
                "gain_unknown_areas_error": unknown.standard_error,
                "is_used": helps and name == best,
                "sentence": _effect_words(kind, name, fit, known, unknown, helps=helps),
            }
        )
    return pl.DataFrame(rows)


def _effect_words(kind: str, method: str, fit: AreaHazards, gain: Gain, unknown: Gain, *, helps: bool) -> str:
    words = f"{kind.capitalize()}s {METHODS[method]}"
    if fit.variance == 0:
        return f"{words}: no difference between {kind}s beyond chance was found."
    found = (
        f"{words}: hazards differ by about {np.sqrt(fit.variance):.0%} from one to the next; lots left out are foretold "
        f"{'better' if gain.mean > 0 else 'no better'} with it ({gain.mean:+.4f} nats per look, error {gain.standard_error:.4f})."
    )
    if helps:
        return found
    if gain.is_helpful:
        return f"{found} But areas left out whole are foretold worse ({unknown.mean:+.4f}, error {unknown.standard_error:.4f})."
    return f"{found} That is no reliable help."


def _table(
    areas: _Areas, chance: FloatArray, events: FloatArray, fits: dict[str, AreaHazards], settings: Settings
) -> pl.DataFrame:
    n = len(areas.names)
    n_seen, observed, expected, variance = (
        np.bincount(areas.of_look, weight, minlength=n).astype(float)
        for weight in (np.ones_like(chance), events, chance, chance * (1 - chance))
    )
    by_draw = np.stack([np.bincount(areas.of_look, draw, minlength=n) for draw in areas.looks.draws])
    lower, upper = np.quantile(by_draw, [TAIL, 1 - TAIL], axis=0)
    frame = pl.DataFrame(
        {
            "area_kind": areas.kind,
            "area": areas.names,
            "x_ft": areas.x_ft,
            "y_ft": areas.y_ft,
            "n_lots": areas.n_lots,
            "n_inspected": n_seen.astype(np.int64),
            "n_observed": observed.astype(np.int64),
            "expected": expected,
            "expected_lower": np.minimum(lower, expected),
            "expected_upper": np.maximum(upper, expected),
            **_multipliers("multiplier", fits["towards_town"]),
            **_multipliers("neighbour_multiplier", fits.get("towards_neighbours")),
            **_local_statistics(areas, observed - expected, variance),
        }
    ).with_columns(pl.col(pl.Float64).fill_nan(None))
    return _with_status(frame, settings).select(contract.AREA_HAZARDS.names)


def _multipliers(name: str, fit: AreaHazards | None) -> dict[str, object]:
    if fit is None:
        return {f"{name}{end}": np.nan for end in ("", "_lower", "_upper", "_notable_probability")}
    return {
        name: fit.mean,
        f"{name}_lower": np.minimum(fit.lower, fit.mean),
        f"{name}_upper": np.maximum(fit.upper, fit.mean),
        f"{name}_notable_probability": fit.probability_notable,
    }


def _local_statistics(areas: _Areas, excess: FloatArray, variance: FloatArray) -> dict[str, object]:
    """Getis-Ord Gi* and local Moran of standardised excess, among areas that have looks."""
    n = len(areas.names)
    found = {
        name: np.full(n, np.nan) for name in ("gi_star_z", "gi_star_q_value", "moran_z", "moran_q_value")
    }
    seen = variance > 0
    if areas.near.shape[0] == n and seen.sum() >= LEAST_AREAS:
        value = excess[seen] / np.sqrt(variance[seen])
        near = nearest(areas.x_ft[seen], areas.y_ft[seen], NEIGHBOURS)
        z = getis_ord(value, near)
        moran = local_moran(value, row_standardised(near))
        found["gi_star_z"][seen] = z
        found["gi_star_q_value"][seen] = benjamini_hochberg(upper_tail(z)).q_value
        found["moran_z"][seen] = moran.z
        found["moran_q_value"][seen] = benjamini_hochberg(moran.p_value).q_value
    return dict(found)


def _with_status(frame: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    few = (pl.col("n_inspected") < settings.min_area_inspections) | (
        pl.max_horizontal("n_observed", "expected") < settings.min_area_events
    )
    ok = frame.with_columns(
        coverage_share=pl.col("n_inspected") / pl.col("n_lots"),
        status=pl.when(few).then(pl.lit(contract.STATUS_TOO_FEW)).otherwise(pl.lit(contract.STATUS_OK)),
        sentence=pl.when(few)
        .then(
            pl.format(
                "Too few records: {} of {} lots inspected; a multiplier needs {} inspections, and {} failures seen or "
                "expected.",
                "n_inspected",
                "n_lots",
                pl.lit(settings.min_area_inspections),
                pl.lit(settings.min_area_events),
            )
        )
        .otherwise(
            pl.format(
                "{} of {} lots inspected: {} failed, {} expected from material, age and depth. Hazard {} times the "
                "town's (range {} to {}).",
                "n_inspected",
                "n_lots",
                "n_observed",
                pl.col("expected").round(1),
                pl.col("multiplier").round(2),
                pl.col("multiplier_lower").round(2),
                pl.col("multiplier_upper").round(2),
            )
        ),
    )
    # Of a handful of looks a count would tell what was found in single houses.
    numbers = [
        name
        for name in ok.columns
        if name.startswith(("n_observed", "expected", "multiplier", "neighbour", "gi_", "moran"))
    ]
    return ok.with_columns(
        pl.when(pl.col("status") == contract.STATUS_OK).then(pl.col(name)).alias(name) for name in numbers
    )

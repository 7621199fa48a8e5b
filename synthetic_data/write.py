"""Write an invented town to a folder: its records, one inspector's workbook, and the truth beside them."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data import known, mess, tables, truth
from synthetic_data.areas import plant
from synthetic_data.findings import note_down
from synthetic_data.inspections import Sights, inspect
from synthetic_data.lives import Setting, live
from synthetic_data.names import TOWN_NAME
from synthetic_data.sewer import lay_sewer
from synthetic_data.tables import Town
from synthetic_data.town import draw_stretches, lay_out
from synthetic_data.truth import HOT_SPOT_HAZARDS
from synthetic_data.works import works_table

#: A smaller town has no room for its planted areas.
FEWEST_LOTS = 500
LAST_DAY = "2026-06-30"


@dataclass(frozen=True, slots=True)
class TownSummary:
    """What was written where.

    Attributes
    ----------
    folder : Path
        The town's folder.
    town_name : str
        Its invented name.
    seed : int
        Seed of all draws; the same seed and number of lots give the same town.
    n_rows : dict of str to int
        Rows per table of records.
    files : tuple of Path
        Every file written.
    """

    folder: Path
    town_name: str
    seed: int
    n_lots: int
    n_rows: dict[str, int]
    files: tuple[Path, ...]


def draw_town(
    n_lots: int, seed: int, progress: Callable[[str], None], hot_spot_hazards: Sequence[float]
) -> tuple[Town, Sights]:
    """Draw a whole town in memory; see `generate` for the parameters."""
    # One stream per part, so that a change in one part does not move the others.
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(7)]
    progress("Laying out streets, lots and sewers")
    lots = lay_out(n_lots, streams[0])
    sewer = lay_sewer(lots, streams[1])
    stretches = draw_stretches(lots, sewer.main_depth_ft[sewer.lot_main], streams[2])
    main_material = stretches.first_material[stretches.first + stretches.count - 1]
    areas = plant(lots, main_material, streams[3], hot_spot_hazards)
    setting = Setting(lots=lots, stretches=stretches, areas=areas)
    progress("Letting the pipes age")
    lives = live(setting, streams[4])
    progress("Sending in the cameras")
    looks, sights = inspect(setting, lives, streams[5])
    notes = note_down(setting, lives, looks, sights, streams[6])
    return Town(setting=setting, sewer=sewer, lives=lives, looks=looks, notes=notes), sights


def generate(
    folder: Path,
    *,
    n_lots: int,
    seed: int,
    progress: Callable[[str], None] | None = None,
    parquet: bool = False,
    hot_spot_hazards: Sequence[float] = HOT_SPOT_HAZARDS,
) -> TownSummary:
    """Draw an invented town and write it to a folder.

    Parameters
    ----------
    folder : Path
        Made if absent; files of the same names are overwritten.
    n_lots : int
        Number of lots, `FEWEST_LOTS` or more.
    seed : int
        Seed of all draws.
    progress : callable or None
        Told in a few words what is being done.
    parquet : bool
        Write the tables of records as Parquet instead of CSV.
    hot_spot_hazards : sequence of float
        What each of the three planted hot spots multiplies its lots' hazards by; ones plant none.

    Returns
    -------
    TownSummary
        What was written where.

    Raises
    ------
    ValueError
        If `n_lots` is below `FEWEST_LOTS`.
    """
    if n_lots < FEWEST_LOTS:
        raise ValueError(f"A town needs at least {FEWEST_LOTS} lots, not {n_lots}: ask for more.")
    tell = progress or (lambda _: None)
    town, sights = draw_town(n_lots, seed, tell, hot_spot_hazards)
    # Streams of the records lie beside those of the town.
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    files: list[Path] = []
    n_rows: dict[str, int] = {}
    operator = tables.draw_operators(town.looks.n, rng)
    lots = tables.lots_table(town, tables.addresses(town.setting, rng), rng)

    def put(name: str, frame: pl.DataFrame) -> None:
        """Write one table of records."""
        tell(f"Writing {name}: {frame.height:,} rows")
        path = folder / f"{name}.{'parquet' if parquet else 'csv'}"
        frame.write_parquet(path) if parquet else frame.write_csv(path)
        files.append(path)
        n_rows[name] = frame.height

    put("lots", lots)
    put("segments", tables.segments_table(town, rng))
    put("inspections", tables.inspections_table(town, operator, rng))
    put("findings", tables.findings_table(town))
    put("works", works_table(town, rng))
    for name, frame in tables.sewer_tables(town, rng).items():
        put(name, frame)
    put("unit_costs", tables.unit_costs_table())

    tell("Writing one inspector's workbook")
    own = np.flatnonzero(operator == 1)
    key = mess.write_jobs(folder / "jobs.xlsx", town, lots, own, rng)
    files.append(folder / "jobs.xlsx")
    tell("Writing the truth")
    files += _write_truth(folder / "truth", town, sights, lots=lots, jobs_key=key, seed=seed)
    files.append(_write_description(folder / "town.json", n_lots=n_lots, seed=seed))
    return TownSummary(
        folder=folder, town_name=TOWN_NAME, seed=seed, n_lots=n_lots, n_rows=n_rows, files=tuple(files)
    )


def _write_truth(
    folder: Path, town: Town, sights: Sights, *, lots: pl.DataFrame, jobs_key: pl.DataFrame, seed: int
) -> list[Path]:
    """Write everything that the records only hint at."""
    setting = town.setting
    frames = {
        "lives": known.lives_table(setting, town.lives),
        "failure_by_age": known.failure_by_age(setting, town.lives),
        "looks": known.sights_table(town, sights),
        "hot_spots": known.planted_table(setting),
        "hot_spot_blocks": known.planted_blocks_table(setting, lots["block"]),
        "subdivisions": known.frailty_table(setting, lots["subdivision"]),
        "detection": known.detection_table(seed),
        "jobs_key": jobs_key,
    }
    paths = []
    for name, frame in frames.items():
        paths.append(folder / f"{name}.parquet")
        frame.write_parquet(paths[-1])
    return paths


def _write_description(path: Path, *, n_lots: int, seed: int) -> Path:
    """Say what this folder is."""
    description = {
        "town_name": TOWN_NAME,
        "synthetic": True,
        "about": "An invented town: no street, lot, pipe, inspection or cost in these files is real.",
        "n_lots": n_lots,
        "seed": seed,
        "last_day": LAST_DAY,
        "grid_unit": "ft",
        "detection": {name: [round(rate, 6) for rate in rates] for name, rates in truth.detection().items()},
    }
    path.write_text(json.dumps(description, indent=2) + "\n", encoding="utf-8")
    return path

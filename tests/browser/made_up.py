"""A published generation of made-up numbers, for the states that a tidy demo town does not show.

It has a refused curve, undetermined stretches, an uninspected house, a foreign line in a pipe, an address
with markup in it, missing lengths and a block with too few records. No number in it means anything.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import shapely

from pipeline.published import contract, write

OUTCOMES = ("any", "structural", "roots_joints", "grade")
MATERIALS = {"vitrified_clay": 45.0, "cast_iron": 55.0, "pvc": 160.0, "lead": 60.0}
N_BLOCKS = 48
LOTS_PER_BLOCK = 8

NASTY_ADDRESS = "1 <b>Bold</b> & Sons Row"


def frames(*, n_blocks: int = N_BLOCKS, seed: int = 7) -> dict[str, pl.DataFrame]:
    """Return one frame for each table of the contract."""
    rng = np.random.default_rng(seed)
    tables = {name: write.empty(table) for name, table in contract.TABLES.items()}
    tables |= _ages(rng)
    tables |= _places(rng, n_blocks)
    tables |= _lots(rng, n_blocks)
    tables |= _sewers(tables["lots"])
    tables |= _records()
    tables["run"] = _run(n_blocks)
    return tables


def publish(workspace: Path, tables: dict[str, pl.DataFrame] | None = None) -> dict[str, pl.DataFrame]:
    """Publish the made-up generation in a workspace, and return what was published."""
    tables = frames() if tables is None else tables
    whole = {name: _complete(name, frame) for name, frame in tables.items()}
    write.publish(workspace / "published", whole, {"made_up": True})
    return whole


def _complete(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Fill columns that this file leaves out with NULL."""
    missing = [c for c in contract.TABLES[name].names if c not in frame.columns]
    return frame.with_columns(pl.lit(None).alias(c) for c in missing)


def _run(n_blocks: int) -> pl.DataFrame:
    n_lots = n_blocks * LOTS_PER_BLOCK
    return pl.DataFrame(
        {
            "run_id": ["made-up"], "built_at": [datetime(2026, 6, 30, 12)], "contract_version": [1],
            "town_name": ["Mockford"], "is_synthetic": [True], "seed": [7], "n_draws": [200],
            "default_outcome": ["any"], "failure_definition": ["Failed means: a repair-grade structural, root, joint or grade finding."],
            "as_of_year": [2026.5], "as_of_source": ["the latest inspection"], "horizon_years": [10.0],
            "curve_level": [0.95], "score_level": [0.9], "n_lots": [n_lots], "n_segments": [2 * n_lots],
            "n_inspections": [220], "n_lots_inspected": [200], "n_lives": [2 * n_lots], "n_looks": [420],
            "n_looks_selected": [37], "n_segments_by_like_pipe": [5], "n_undated_segments": [2],
            "min_lives": [30], "min_events": [5], "min_area_inspections": [10], "min_area_events": [3], "settings_toml": [""],
        }
    )  # fmt: skip


def _ages(rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    age = np.arange(0, 101)
    groups, curves, fitted_groups, fitted, counts = [], [], [], [], []
    for outcome in OUTCOMES:
        for material, scale in MATERIALS.items():
            is_thin = material == "lead"
            n = 9 if is_thin else int(rng.integers(150, 900))
            bad = 2 if is_thin else n // 3
            sentence = (
                "Only 9 pipes were looked at and 2 seen failed; at least 30 and 5 are needed."
                if is_thin
                else f"{n} looks at {n - 20} pipes."
            )
            key = {"outcome": outcome, "material": material}
            status = "too_few_records" if is_thin else "ok"
            groups.append(
                {
                    **key, "n_lives": n if is_thin else n - 20, "n_looks": n, "n_bad": bad, "n_band_looks": n - 20,
                    "last_determined_age_years": None if is_thin else 85.0,
                    "median_age_years": None if is_thin or scale > 100 else round(scale),
                    "band_method": "likelihood ratio", "smoothing_years": 15.0, "status": status, "sentence": sentence,
                }
            )  # fmt: skip
            fitted_groups.append(
                {
                    **key, "n_looks": n, "n_bad": bad, "oldest_look_years": 80.0, "status": status,
                    "sentence": sentence,
                }
            )  # fmt: skip
            if not is_thin:
                curves.append(_stepped(key, age, scale))
                fitted.append(_fitted(key, age, scale))
            low = np.arange(0, 90, 10)
            looks = rng.integers(3, 60, low.size)
            share = 1 - np.exp(-(((low + 5) / scale) ** 2.5))
            counts.append(
                pl.DataFrame(
                    {
                        "age_from_years": low.astype(float), "age_to_years": low + 10.0, "n_looks": looks,
                        "n_bad": np.round(looks * share).astype(int), "bad_share": share,
                    }
                ).with_columns(outcome=pl.lit(outcome), material=pl.lit(material))
            )  # fmt: skip
    outcomes = pl.DataFrame(
        {
            "outcome": OUTCOMES, "meaning": ["repair-grade findings of this family"] * 4, "n_looks": [900] * 4,
            "n_bad": [300] * 4, "n_line_looks": [10] * 4, "sensitivity": [0.8, 1, 1, 1], "specificity": [0.9, 1, 1, 1],
            "sensitivity_lower": [0.7, None, None, None], "sensitivity_upper": [0.88, None, None, None],
            "specificity_lower": [0.85, None, None, None], "specificity_upper": [0.94, None, None, None],
            "sensitivity_given": [0.85, 1, 1, 1], "sensitivity_given_looks": [40, None, None, None],
            "specificity_given": [0.95, 1, 1, 1], "specificity_given_looks": [40, None, None, None],
            "n_repeat_lives": [120] * 4, "n_bad_then_good": [9] * 4, "n_good_then_bad": [4] * 4,
            "camera_sentence": ["The camera calls 80 % of failed pipe failed (70 % to 88 %)."] + ["Taken as given."] * 3,
            "family": ["weibull"] * 4, "status": ["ok"] * 4, "sentence": ["900 looks stand behind this."] * 4,
        },
        strict=False,
    )  # fmt: skip
    return {
        "outcomes": outcomes,
        "curve_groups": pl.DataFrame(groups),
        "curves": pl.concat(curves),
        "fitted_groups": pl.DataFrame(fitted_groups),
        "fitted_curves": pl.concat(fitted),
        "look_counts": pl.concat(counts),
        "look_groups": _groups(pl.concat(counts)),
        "look_histories": _histories(_groups(pl.concat(counts))),
    }


def _groups(counts: pl.DataFrame) -> pl.DataFrame:
    """Split each band between two eras and two purposes: the sums stay those of `look_counts`."""
    keys = {"era": ("before_1940", "1940_1957"), "purpose": ("pre_sale", "routine")}
    whole = counts.pivot(
        "outcome", index=["material", "age_from_years", "age_to_years"], values=["n_looks", "n_bad"]
    )
    half = whole.with_columns(pl.col("^n_.*$") // 2)
    rest = whole.with_columns(pl.col(c) - half[c] for c in whole.columns if c.startswith("n_"))
    fair = pl.concat(
        part.with_columns(
            era=pl.lit(era), purpose=pl.lit(purpose), subdivision=pl.lit("Mock Acres 1"), look_year=pl.lit(year),
            is_selected=pl.lit(False), portfolio=pl.lit(None, pl.String),
        )
        for part, era, purpose, year in zip((half, rest), keys["era"], keys["purpose"], (2015, 2024), strict=True)
    )  # fmt: skip
    # After a backup three of four looks are bad, and portfolio M2 has some of its own.
    backups = half.with_columns(
        (pl.col(f"n_looks_{outcome}") * 3 // 4).alias(f"n_bad_{outcome}") for outcome in OUTCOMES
    ).with_columns(
        era=pl.lit("before_1940"), purpose=pl.lit("backup"), subdivision=pl.lit("Mock Acres 2"), look_year=pl.lit(2015),
        is_selected=pl.lit(True), portfolio=pl.lit("M2"),
    )  # fmt: skip
    return pl.concat([fair, backups], how="diagonal_relaxed")


def _histories(groups: pl.DataFrame) -> pl.DataFrame:
    """The looks of `look_groups`, each at a pipe of its own, at the middle of its age band."""
    kept = ["material", "era", "subdivision", "portfolio", "purpose", "is_selected", "look_year"]
    return pl.concat(
        groups.select(
            *kept, age_years=pl.col("age_from_years") + 5, history=pl.lit(None, pl.Int64), position=pl.lit(1),
            n_looks=pl.col(f"n_bad_{outcome}") if is_bad else pl.col(f"n_looks_{outcome}") - pl.col(f"n_bad_{outcome}"),
            **{f"is_bad_{code}": pl.lit(is_bad if code == outcome else None, pl.Boolean) for code in OUTCOMES},
        ).filter(pl.col("n_looks") > 0)
        for outcome in OUTCOMES
        for is_bad in (False, True)
    )  # fmt: skip


def _stepped(key: dict[str, str], age: np.ndarray, scale: float) -> pl.DataFrame:
    true = 1 - np.exp(-((age / scale) ** 2.5))
    step = true[(age // 6) * 6]
    after = true[np.minimum((age // 6) * 6 + 6, 100)]
    known = ((age < 20) | (age > 30)) & (age <= 85)
    return pl.DataFrame(
        {
            "age_years": age.astype(float), "undetermined_from": step,
            "undetermined_to": np.where(known, step, np.where(age > 85, 1.0, after + 0.05)),
            "failure_probability_lower": np.clip(step - 0.08, 0, 1),
            "failure_probability_upper": np.clip(step + 0.08, 0, 1), "is_determined": known,
            "smoothed_probability": np.where(age <= 85, true, np.nan),
        }
    ).with_columns(
        failure_probability=pl.when("is_determined").then("undetermined_from"),
        **{name: pl.lit(value) for name, value in key.items()},
    )  # fmt: skip


def _fitted(key: dict[str, str], age: np.ndarray, scale: float) -> pl.DataFrame:
    true = 1 - np.exp(-((age / scale) ** 2.5))
    return pl.DataFrame(
        {
            "age_years": age.astype(float), "failure_probability": true,
            "failure_probability_lower": np.clip(true - 0.05, 0, 1),
            "failure_probability_upper": np.clip(true + 0.05, 0, 1), "is_extension": age > 80,
        }
    ).with_columns(**{name: pl.lit(value) for name, value in key.items()})  # fmt: skip


def _box(frame: pl.DataFrame, side_ft: float) -> pl.DataFrame:
    return frame.with_columns(
        x_ft=pl.col("x_min_ft") + side_ft / 2,
        y_ft=pl.col("y_min_ft") + side_ft / 2,
        x_max_ft=pl.col("x_min_ft") + side_ft,
        y_max_ft=pl.col("y_min_ft") + side_ft,
    )


def _places(rng: np.random.Generator, n_blocks: int) -> dict[str, pl.DataFrame]:
    i = np.arange(n_blocks)
    wide = int(np.ceil(np.sqrt(n_blocks * 1.5)))
    inspected = rng.integers(0, LOTS_PER_BLOCK * 3, n_blocks)
    expected = inspected * 0.35
    observed = np.minimum(rng.poisson(expected), inspected)
    enough = inspected >= 10
    blocks = pl.DataFrame(
        {
            "block": [f"B{k:03d}" for k in i], "subdivision": [f"Mock Acres {k % 4 + 1}" for k in i],
            "x_min_ft": (i % wide) * 400.0, "y_min_ft": (i // wide) * 400.0, "n_lots": [LOTS_PER_BLOCK * 3] * n_blocks,
            "n_inspected": inspected, "coverage_share": inspected / (LOTS_PER_BLOCK * 3), "n_observed": observed,
            "observed_share": observed / np.maximum(inspected, 1), "expected": expected,
            "expected_lower": np.floor(expected * 0.5), "expected_upper": np.ceil(expected * 1.6),
            "ratio": np.where(enough, observed / np.maximum(expected, 0.1), np.nan),
            "mean_failure_probability": np.full(n_blocks, 0.3),
            "status": np.where(enough, "ok", "too_few_records"), "sentence": ["made up"] * n_blocks,
        }
    )  # fmt: skip
    subdivisions = (
        blocks.group_by("subdivision", maintain_order=True)
        .agg(
            pl.col("x_min_ft").min(), pl.col("y_min_ft").min(), pl.col("n_lots").sum(), pl.col("n_inspected").sum(),
            pl.col("n_observed").sum(), pl.col("expected").sum(),
        )
        .with_columns(
            coverage_share=pl.col("n_inspected") / pl.col("n_lots"), n_scored=pl.col("n_lots"),
            year_built_from=1925, year_built_to=1968, expected_lower=pl.col("expected") * 0.7,
            expected_upper=pl.col("expected") * 1.3, ratio=pl.col("n_observed") / pl.col("expected"),
            expected_failed_now=pl.lit(37.4), expected_failed_now_lower=pl.lit(28.0),
            expected_failed_now_upper=pl.lit(48.0), threshold_probability=pl.lit(0.3),
            above_threshold_share=pl.lit(0.42), status=pl.lit("ok"), sentence=pl.lit("made up"),
        )
    )  # fmt: skip
    k = np.arange(0, 81)
    counts = pl.concat(
        pl.DataFrame({"k": k, "probability_at_least": 1 / (1 + np.exp((k - 37.4) / 4))}).with_columns(
            subdivision=pl.lit(name)
        )
        for name in subdivisions["subdivision"]
    )
    zones = pl.DataFrame(
        {
            "period": ["all", "all"], "zone": [1, 2], "label": ["firm", "unproven"], "meaning": ["made up"] * 2,
            "outline_wkt": ["POLYGON ((0 0, 760 0, 760 760, 0 760, 0 0))", "POLYGON ((1200 800, 1960 800, 1960 1560, 1200 1560, 1200 800))"],
            "subdivisions": ["Mock Acres 1", "Mock Acres 1, Mock Acres 2"], "n_lots": [96, 96], "n_inspected": [60, 50], "n_observed": [40, 25],
            "expected": [20.0, 14.0], "ratio": [2.0, 1.8], "p_value": [0.002, 0.03], "p_value_blocks": [0.01, 0.3],
            "sentence": ["made up"] * 2, "warning": ["", ""],
        }
    )  # fmt: skip
    scan = pl.DataFrame(
        {"period": ["all"], "n_lots": [200], "status": ["ok"], "sentence": ["A made-up search."]}
    )
    return {
        "hot_spot_scans": scan,
        "hot_spots": zones,
        "blocks": _box(blocks, 360.0).with_columns(outline_wkt=pl.lit(None, pl.String)),
        "subdivisions": _box(subdivisions, 2400.0),
        "subdivision_counts": counts,
    }


def _lots(rng: np.random.Generator, n_blocks: int) -> dict[str, pl.DataFrame]:
    n = n_blocks * LOTS_PER_BLOCK
    i = np.arange(n)
    seen = i % 2 == 0
    now = rng.beta(2, 5, n)
    lots = pl.DataFrame(
        {
            "lot_id": [f"L{k:05d}" for k in i],
            "address": [NASTY_ADDRESS, *(f"{k} Mock {'Lane' if k % 3 else 'Road'}" for k in i[1:])],
            "year_built": 1920 + i % 60, "subdivision": [f"Mock Acres {k % 4 + 1}" for k in i // LOTS_PER_BLOCK],
            "block": [f"B{k:03d}" for k in i // LOTS_PER_BLOCK], **_lot_places(i, n_blocks),
            "portfolio": [f"M{k // LOTS_PER_BLOCK % 4 + 1}" if k % 8 == 0 else None for k in i], "line_summary": ["PVC 12 ft, then vitrified clay"] * n,
            "n_segments": [2] * n, "n_inspections": np.where(seen, 2, 0),
            "evidence_grade": np.where(seen, "own_camera_record", "same_block"),
            "evidence": np.where(seen, "a camera has been in this line", "no camera record here; lines in the same block have been seen"),
            "n_like": [120] * n, "n_like_bad": [40] * n, "status": ["ok"] * n, "sentence": ["made up"] * n,
            **_chance("failure_probability", now), **_chance("failure_within_horizon_probability", now * 0.5),
            **_chance("failure_by_horizon_probability", now + 0.1),
        }
    )  # fmt: skip
    segments = pl.concat(
        pl.DataFrame(
            {
                "lot_id": lots["lot_id"], "sequence": [sequence] * n, "material": [material] * n,
                "material_source": ["recorded"] * n, "is_imputed": i % 5 == 0, "diameter_in": [4.0] * n,
                "depth_ft": [4.5] * n, "length_ft": np.where((i % 7 == 3) & (sequence == 2), np.nan, length),
                "install_year_min": [1950.0] * n, "install_year_max": [1956.0] * n,
                "install_source": ["house_and_material"] * n, "era": ["before_1940" if sequence == 2 else "1940_1957"] * n, **_chance("failure_probability", now * 0.6),
            }
        )
        for sequence, material, length in ((1, "pvc", 12.0), (2, "vitrified_clay", 48.0), (3, "asbestos_cement", 9.0))
    )  # fmt: skip
    looks = _looks(lots.filter(pl.Series(seen)))
    return {
        "lots": lots,
        "lot_segments": segments,
        "lot_expectations": _expectations(looks["lot_inspections"]),
        **looks,
    }


def _expectations(inspections: pl.DataFrame) -> pl.DataFrame:
    """What was expected of the newest look at each lot."""
    newest = inspections.filter(pl.col("look_year") > 2020)
    return newest.select(
        "lot_id", "purpose", "is_bad", look_year=pl.lit(2024), expected=pl.lit(0.35), expected_lower=pl.lit(0.2),
        expected_upper=pl.lit(0.5), gi_star_z=pl.lit(0.1), gi_star_q_value=pl.lit(0.9),
    )  # fmt: skip


def _lot_places(i: np.ndarray, n_blocks: int) -> dict[str, Any]:
    """Two rows of four lots in each block; the first lot of a block has no outline."""
    wide = int(np.ceil(np.sqrt(n_blocks * 1.5)))
    block, place = i // LOTS_PER_BLOCK, i % LOTS_PER_BLOCK
    west, south = (block % wide) * 400.0 + (place % 4) * 90, (block // wide) * 400.0 + (place // 4) * 180
    boxes = shapely.to_wkt(shapely.box(west, south, west + 90, south + 180))
    return {
        "x_ft": west + 45, "y_ft": south + 90,
        "outline_wkt": [None if k == 0 else wkt for k, wkt in zip(place, boxes, strict=True)],
    }  # fmt: skip


def _sewers(lots: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """A main along the middle of each block, into which its lots tie, with a manhole at its western end."""
    # Lots face each other across the main; their tie-ins lie 20 ft apart.
    is_north = pl.col("y_ft") % 400 > 180
    ties = lots.select(
        "lot_id", main_id=pl.lit("M-") + pl.col("block"), manhole_id=pl.lit(None, pl.String),
        x_ft=pl.col("x_ft") + pl.when(is_north).then(10).otherwise(-10),
        y_ft=(pl.col("y_ft") / 400).floor() * 400 + 180,
    )  # fmt: skip
    mains = ties.group_by("main_id", maintain_order=True).agg(
        x_min_ft=pl.col("x_ft").min() - 45, y_min_ft=pl.col("y_ft").min(), x_max_ft=pl.col("x_ft").max() + 45,
        y_max_ft=pl.col("y_ft").max(), n_connections=pl.len(),
    ).with_columns(
        outline_wkt=pl.format("LINESTRING ({} {}, {} {})", "x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft"),
        material=pl.lit("vitrified_clay"), diameter_in=pl.lit(8.0), depth_ft=pl.lit(9.0), install_year=pl.lit(1951),
        street_class=pl.lit("local"),
    )  # fmt: skip
    manholes = mains.select(
        manhole_id=pl.lit("H-") + pl.col("main_id"), x_ft="x_min_ft", y_ft="y_min_ft", depth_ft=pl.lit(9.5),
        n_connections=pl.lit(0),
    )  # fmt: skip
    return {"mains": mains, "manholes": manholes, "tie_ins": ties}


def _chance(name: str, value: np.ndarray) -> dict[str, Any]:
    return {name: value, f"{name}_lower": value * 0.6, f"{name}_upper": np.minimum(value * 1.5, 1)}


def _looks(lots: pl.DataFrame) -> dict[str, pl.DataFrame]:
    inspections = pl.concat(
        lots.select("lot_id").with_columns(
            inspection_id=pl.col("lot_id") + f"-{number}", inspection_date=pl.lit(date(year, 3, 4)),
            look_year=pl.lit(year + 0.2), purpose=pl.lit("routine" if number == 1 else "pre_sale"), is_selected=pl.lit(False),
            verdict=pl.lit(verdict), is_bad=pl.lit(verdict == "repair"),
            rule=pl.lit("offset joint of 1 in: at least 0.75 in is repair-grade"), end_ft=pl.lit(58.0),
            reached_tie_in=pl.lit(True), line_drained=pl.lit(None, pl.Boolean), n_findings=pl.lit(2),
        )
        for number, year, verdict in ((1, 2015, "serviceable"), (2, 2024, "repair"))
    )  # fmt: skip
    after_backup = inspections.filter(lot_id="L00008").tail(1).with_columns(
        inspection_id=pl.lit("L00008-3"), purpose=pl.lit("backup"), is_selected=pl.lit(True),
        look_year=pl.lit(2015.9), inspection_date=pl.lit(date(2015, 11, 20)),
    )  # fmt: skip
    inspections = pl.concat([inspections, after_backup])
    findings = pl.concat(
        inspections.filter(pl.col("look_year") > 2020)
        .select("lot_id", "inspection_id")
        .with_columns(
            number=pl.lit(number), kind=pl.lit(kind), at_ft=pl.lit(at), to_ft=pl.lit(None, pl.Float64),
            water_depth_in=pl.lit(None, pl.Float64), offset_in=pl.lit(1.0),
        )
        for number, kind, at in ((1, "offset_joint", 21.0), (2, "roots", 35.0))
    )  # fmt: skip
    gas = findings.head(1).with_columns(number=pl.lit(3), kind=pl.lit("foreign_line"))
    reasons = pl.concat(
        lots.select("lot_id").with_columns(position=pl.lit(i + 1), reason=pl.lit(reason))
        for i, reason in enumerate(("Clay with mortar joints, laid about 1953.", "A look in 2024 found an offset joint."))
    )  # fmt: skip
    return {
        "lot_inspections": inspections,
        "lot_findings": pl.concat([findings, gas]),
        "lot_reasons": reasons,
    }


def _records() -> dict[str, pl.DataFrame]:
    loads = pl.DataFrame(
        {
            "load_id": [1, 2], "file_name": ["jobs of spring.xlsx", "lots.csv"], "map_name": ["jobs", "lots"],
            "layout": ["jobs", "lots"], "loaded_at": [datetime(2026, 5, 1)] * 2, "n_read": [230, 384],
            "n_accepted": [220, 384], "n_unchanged": [0, 0], "n_duplicate": [3, 0], "n_superseded": [1, 0],
            "n_rejected": [7, 0],
        }
    )  # fmt: skip
    rejects = pl.DataFrame(
        {
            "load_id": [1] * 7, "file_name": ["jobs of spring.xlsx"] * 7, "source_row": range(11, 18),
            "table_name": ["jobs"] * 7, "column_name": ["material"] * 4 + ["date"] * 3,
            "value": ["CIP"] * 3 + [None, "2031-01-01", "31/31/2020", "<script>alert(1)</script>"],
            "reason_code": ["ambiguous_material"] * 3 + ["unknown_material", "date_in_future", "not_a_date", "not_a_date"],
            "reason": ["Say whether CIP means cast iron or cured in place."] * 4 + ["Correct the date."] * 3,
        }
    )  # fmt: skip
    counts = (
        rejects.group_by("file_name", "reason_code", maintain_order=True)
        .agg(n_rejects=pl.len())
        .with_columns(meaning=pl.lit("as the vocabulary says"))
    )
    contradictions = pl.DataFrame(
        {
            "kind": ["heaped_ages", "pipe_older_than_house"], "meaning": ["more ages end in 0 or 5 than chance allows", "the pipe is older than the house"],
            "table_name": ["inspections", "segments"], "lot_id": [None, "L00004"], "inspection_id": [None, None],
            "detail": ["31 % of ages end in 0 or 5", "laid 1910, house of 1924"], "n": [71, 1],
        },
        schema_overrides={"inspection_id": pl.String},
    )  # fmt: skip
    record_counts = pl.DataFrame(
        {"table_name": ["lots", "inspections"], "n_rows": [384, 220], "n_superseded": [0, 1]}
    )
    changes = pl.DataFrame(
        {
            "position": [1, 2, 3], "topic": ["records", "records", "curves"],
            "item": ["lots on record", "inspections on record", "half of cast_iron failed by"],
            "unit": ["", "", "years"], "before": [384.0, 210.0, 55.0], "after": [384.0, 220.0, 52.0],
        }
    ).with_columns(run_before=pl.lit("older-run"), built_before=pl.lit(datetime(2026, 5, 30)))  # fmt: skip
    changed_lots = pl.DataFrame(
        {"lot_id": ["L00004"], "address": ["4 Mock Lane"], "failure_probability_before": [0.2], "failure_probability": [0.7]}
    )  # fmt: skip
    return {
        "changes": changes,
        "changed_lots": changed_lots,
        "loads": loads,
        "rejects": rejects,
        "reject_counts": counts,
        "findings_on_records": contradictions,
        "record_counts": record_counts,
    }

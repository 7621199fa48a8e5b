"""What a simulation of lives needs of a fit, published once: laws by parameter draw, and pipes that follow them.

A pipe's law has three parts, each with its draws: what it is made of and when it was laid, where it lies (depth,
soil, tree, and length and bore where fits take them in), and its area. A renewed pipe keeps the last two and takes
the first of its new material. Parts are published instead of laws because there are few of them, however large the
town.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from models.looks import FloatArray, IntArray
from models.series import series_chances
from pipeline.assumed import NEW_MATERIALS
from pipeline.settings import Settings
from pipeline.steps.fit_candidates import ROW_KEYS, SIZES, candidates
from pipeline.steps.fit_design import AGE_STEP_YEARS, life_looks, line_looks
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import lines_to_score

NEW_ERA = "1980_on"
#: Covariates that speak of the place, by the names of their terms.
SITE_TERMS = ("depth", "expansive", "tree", *SIZES)
#: Lots whose segments' draws are alive at once.
LOTS_AT_ONCE = 50_000
#: Rows of draws that are compared at once.
ROWS_AT_ONCE = 20_000
PIPE, SITE, AREA = "pipe", "site", "area"
NO_AREA = ""

Frames = dict[str, pl.DataFrame]


def budget_laws(fit: OutcomeFit, exposure: Exposure, settings: Settings) -> Frames:
    """Make the published `life_law_parts`, `pipe_entries` and `pipe_states`.

    Parameters
    ----------
    fit : OutcomeFit
        A fit that is ok.
    exposure : Exposure
        All lives and looks.
    settings : Settings
        Seed.

    Returns
    -------
    dict of str to DataFrame
    """
    rows = _parts_of_rows(fit)
    told, draws = _failed_now(fit, exposure)
    current = _current(exposure).join(told, on="life_id", how="left").sort("life")
    entries = (
        candidates(current, fit.design.shares)
        .join(fit.design.rows, on=list(ROW_KEYS), nulls_equal=True)
        .join(rows.select("row", "pipe", "site", "area"), on="row")
        .join(current.select("life", "lot_id", "position", "state"), on="life")
        .sort("lot_id", "position", "row", "install_from")
        .select(
            "lot_id",
            sequence=pl.col("position"),
            entry=pl.int_range(1, pl.len() + 1).over("lot_id", "position"),
            state="state",
            pipe="pipe",
            site="site",
            area="area_right" if "area" in ROW_KEYS else "area",
            prior_probability="probability",
            age_from_years=-_as_fitted(pl.col("install_to")),
            age_to_years=-_as_fitted(pl.col("install_from")),
        )
    )
    states = pl.DataFrame(
        {
            "state": np.arange(len(draws)),
            "failed_now": pl.Series(draws, dtype=pl.Array(pl.Float32, draws.shape[1])),
        }
    ).with_columns(pl.col("failed_now").arr.to_list())
    rng = np.random.default_rng([settings.seed, 5])
    return {
        "life_law_parts": _parts(fit, rows, rng),
        "pipe_entries": entries,
        "pipe_states": states,
    }


def _as_fitted(years: pl.Expr) -> pl.Expr:
    """Round years as the fit does."""
    return (years / AGE_STEP_YEARS).round() * AGE_STEP_YEARS


def _current(exposure: Exposure) -> pl.DataFrame:
    """Lives in the ground, numbered along each line as `lot_segments` numbers them."""
    current = exposure.lives.filter(pl.col("ended_year").is_null()).sort("lot_id", "sequence", "life_id")
    return current.with_row_index("life").with_columns(
        position=pl.int_range(1, pl.len() + 1).over("lot_id"), line=pl.col("lot_id").rle_id().cast(pl.Int64)
    )


def _parts_of_rows(fit: OutcomeFit) -> pl.DataFrame:
    """Codes of the parts of each covariate row."""
    rows = fit.design.rows
    site = {
        name: fit.design.X[:, fit.design.X_names.index(name)]
        for name in SITE_TERMS
        if name in fit.design.X_names
    }
    words = [pl.lit(NO_AREA)]
    if site:
        rows = rows.with_columns(**{f"at_{name}": pl.Series(value) for name, value in site.items()})
        words = [pl.format(f"{name} {{}}", pl.col(f"at_{name}").round(4)) for name in site]
    area = pl.lit(NO_AREA)
    if fit.design.areas:
        area = (
            pl.when(pl.Series(fit.design.group) >= 0).then(pl.col("area").fill_null(NO_AREA)).otherwise(area)
        )
    return rows.with_columns(
        pipe=pl.format("{}, {}", "material", "era"), site=pl.concat_str(words, separator=", "), area=area
    )


def _parts(fit: OutcomeFit, rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Draws of every part."""
    terms = _Terms(fit, rng)
    known = rows.select("material", "era").unique()
    new = pl.DataFrame({"material": NEW_MATERIALS}).with_columns(era=pl.lit(NEW_ERA))
    pipes = pl.concat([known, new]).unique().sort("material", "era")
    found = [terms.of_pipe(material, era) for material, era in pipes.iter_rows()]
    names = [f"at_{name}" for name in SITE_TERMS if f"at_{name}" in rows.columns]
    for row in rows.select("site", *names).unique(subset="site").sort("site").iter_rows(named=True):
        found.append(terms.of_site(row["site"], {name.removeprefix("at_"): row[name] for name in names}))
    found += terms.of_areas(fit.design.areas)
    parts = pl.DataFrame(found, schema=_PARTS_SCHEMA, orient="row")
    return parts.with_columns(family=pl.lit(fit.fitted.law))


_NUMBERS = pl.List(pl.Float32)
_PARTS_SCHEMA: dict[str, Any] = {
    "part": pl.String,
    "code": pl.String,
    "is_on_record": pl.Boolean,
    "log_hazard": _NUMBERS,
    "log_shape": _NUMBERS,
    "start_log_odds": _NUMBERS,
}

Row = tuple[str, str, bool, list[float], list[float] | None, list[float] | None]


class _Terms:
    """Draws of the terms of a fit by name."""

    def __init__(self, fit: OutcomeFit, rng: np.random.Generator) -> None:
        self.draws = dict(zip(fit.fitted.names, fit.draws.T, strict=False))
        self.effects = fit.draws[:, len(fit.fitted.names) :]
        self.n_draws = len(fit.draws)
        self.prior_sd = dict(zip(fit.fitted.names, fit.fitted.prior_sd, strict=True))
        self.materials = set(fit.design.rows["material"].unique())
        self.has_start = fit.design.W is not None
        self.rng = rng

    def of_pipe(self, material: str, era: str) -> Row:
        """Law of a material and era; one that is not on record differs from the average by what materials do."""
        is_known = material in self.materials
        made = [self._sum(part, material, era, is_known=is_known) for part in ("hazard", "shape")]
        start = self._sum("start", material, era, is_known=is_known).tolist() if self.has_start else None
        return PIPE, f"{material}, {era}", is_known, made[0].tolist(), made[1].tolist(), start

    def _sum(self, part: str, material: str, era: str, *, is_known: bool) -> FloatArray:
        total = np.zeros(self.n_draws)
        for name in ("all", material, f"{material}, {era}"):
            total = total + self.draws.get(f"{part}: {name}", 0.0)
        if not is_known:
            others = [
                self.prior_sd[f"{part}: {m}"] for m in self.materials if f"{part}: {m}" in self.prior_sd
            ]
            total = total + self.rng.normal(0.0, max(others, default=0.0), self.n_draws)
        return np.asarray(total, dtype=np.float64)

    def of_site(self, code: str, values: dict[str, float]) -> Row:
        """What depth, soil, tree and sizes add to the log hazard."""
        shift = sum(
            (value * self.draws[f"hazard: {name}"] for name, value in values.items()), np.zeros(self.n_draws)
        )
        return SITE, code, True, shift.tolist(), None, None

    def of_areas(self, areas: Sequence[str]) -> list[Row]:
        """Log hazard of each area; that of no area is nought."""
        none: Row = (AREA, NO_AREA, True, [0.0] * self.n_draws, None, None)
        return [
            none,
            *((AREA, area, True, self.effects[:, i].tolist(), None, None) for i, area in enumerate(areas)),
        ]


def _failed_now(fit: OutcomeFit, exposure: Exposure) -> tuple[pl.DataFrame, FloatArray]:
    """State of each life that a look tells of, and the distinct states' draws of having failed by now.

    Of the others the law says all there is: giving each of them its draws would swell a town's tables.
    """
    lives, looks, lines, _ = lines_to_score(exposure, fit.outcome)
    told = pl.concat([looks.select("life"), lines.select("life")]).unique()
    lives = lives.join(lives.join(told, on="life", how="semi").select("line").unique(), on="line", how="semi")
    lives = lives.sort("life").with_columns(line=pl.col("lot_id").rle_id().cast(pl.Int64))
    looks = looks.with_columns(sensitivity=pl.lit(fit.fitted.detection.sensitivity))
    parts = [_chances(fit, these, looks, lines) for these in _in_runs(lives)]
    like, draws = _joined(parts)
    return lives.select("life_id", state=pl.Series(like)), draws


def _in_runs(lives: pl.DataFrame) -> list[pl.DataFrame]:
    """Lives line by line, as many as may be worked at once."""
    run = lives["line"] // LOTS_AT_ONCE
    return lives.with_columns(run=run).partition_by("run", maintain_order=True, include_key=False)


def _chances(
    fit: OutcomeFit, lives: pl.DataFrame, looks: pl.DataFrame, lines: pl.DataFrame
) -> tuple[IntArray, FloatArray]:
    """Chance of having failed by now of some whole lines' lives: distinct rows, and which of them each life has."""
    number = lives.select("life", pl.int_range(pl.len(), dtype=pl.UInt32).alias("number"))

    def numbered(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.join(number, on="life").drop("life").rename({"number": "life"})

    these = numbered(lives).sort("life")
    chances = series_chances(
        fit.fitted,
        fit.design.X,
        fit.design.Z,
        life_looks(fit.design, these, numbered(looks)),
        (these["line"] - these["line"][0]).to_numpy(),
        W=fit.design.W,
        group=fit.design.group if fit.design.areas else None,
        now=0.0,
        horizon=0.0,
        draws=fit.draws,
        line_looks=line_looks(numbered(lines)),
        keep_lives=np.arange(these.height),
    )
    return _distinct(np.ascontiguousarray(chances.life_draws_now.T))


def _distinct(draws: FloatArray) -> tuple[IntArray, FloatArray]:
    """Distinct rows and which of them each row is."""
    as_bytes = draws.view(np.dtype((np.void, draws.dtype.itemsize * draws.shape[1])))[:, 0]
    # Sorted by their places, not themselves: to copy the draws of a large town's pipes would take gigabytes.
    order = np.argsort(as_bytes, kind="stable")
    is_new = np.ones(len(order), dtype=np.bool_)
    for a in range(1, len(order), ROWS_AT_ONCE):
        here = slice(a, a + ROWS_AT_ONCE)
        is_new[here] = as_bytes[order[here]] != as_bytes[order[a - 1 : a - 1 + len(is_new[here])]]
    like = np.empty(len(order), dtype=np.int64)
    like[order] = np.cumsum(is_new) - 1
    return like, draws[order[is_new]]


def _joined(parts: list[tuple[IntArray, FloatArray]]) -> tuple[IntArray, FloatArray]:
    if not parts:
        return np.empty(0, dtype=np.int64), np.empty((0, 1), dtype=np.float32)
    offsets = np.cumsum([0, *(len(draws) for _, draws in parts[:-1])])
    keys = np.concatenate([like + offset for (like, _), offset in zip(parts, offsets, strict=True)])
    every = np.concatenate([draws for _, draws in parts])
    parts.clear()
    again, draws = _distinct(every)
    return again[keys], draws

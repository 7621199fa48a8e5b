"""From lives to the covariate rows and candidate arrays that `models.lives` takes.

Each distinct combination of material, era, depth, soil, tree, area and, where they are let in, length and bore is one
row; a life points to its row, or, where its material is not on record, to one row per material it may have, with prior chances. Years are
given relative to "now" (one number per life), so that files which keep only ages are treated alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.lives import Detection, FittedLives, LifeLooks, LifeRegression, LineLooks, Ridge
from models.looks import FloatArray, IntArray
from pipeline.steps.fit_candidates import ROW_KEYS, SIZES, UNKNOWN, candidates
from pipeline.vocabulary import Outcome

#: Ages are rounded to this, so that lives share the work; a quarter year is far inside the width of any
#: install range that records give [years].
AGE_STEP_YEARS = 0.25
#: Fewer areas than this among the looked-at lives cannot tell how much areas differ.
LEAST_AREAS = 12
#: A soil, tree or depth term needs this many lives on either side (or distinct values) to be tried.
LEAST_SPREAD_LIVES = 20

#: Weak priors: of average pipe between a thousandth and all has failed by 40 years, and wear-out is neither
#: ruled out nor assumed (shape about 1 to 6). They matter only where there is hardly a record.
WEAR = ((-1.5, 2.0), (0.7, 0.5))
#: A belly comes from the bedding: most are there from the first day (common practice); what comes later
#: comes slowly.
SETTLING = ((-4.6, 2.0), (0.7, 0.5))
#: Mean and standard deviation of the log cumulative hazard at 40 years and of log shape.
PRIORS = {
    Outcome.STRUCTURAL.value: WEAR,
    Outcome.ROOTS_JOINTS.value: WEAR,
    Outcome.GRADE.value: SETTLING,
    Outcome.ANY.value: WEAR,
}
#: Outcomes of which some pipe is bad from the day of laying.
FROM_THE_START = (Outcome.GRADE.value, Outcome.ANY.value)
#: Log odds of that: about one pipe in twenty, between one in a hundred and one in four.
PRIOR_START = (-3.0, 1.5)
#: Of log hazard, per foot of depth, for soil or tree, and for a lone material, era or size.
PRIOR_SD_PER_FT = 0.2
PRIOR_SD_FLAG = 1.0
PRIOR_SD_LONE_TERM = 0.8
#: How far materials lie apart in log shape and in log odds of being bad from the start. Few records say so
#: by themselves, and looking for it in thin ones wanders; judgement: shapes within a factor of about three.
PRIOR_SD_SHAPE = 0.5
PRIOR_SD_START = 0.7
#: What is bad from the start beside bellies, such as pipe broken in the trench: log odds, judgement.
PRIOR_SD_BESIDE_BELLIES = 0.3


@dataclass(frozen=True, slots=True)
class Design:
    """Covariate rows and the priors of their terms.

    Attributes
    ----------
    rows : DataFrame
        `row` and ROW_KEYS, one line per row of X and Z.
    X, Z : ndarray, shape (n_rows, p) and (n_rows, q)
        Covariates of log hazard and of log shape.
    W : ndarray, shape (n_rows, r), or None
        Covariates of the log odds of being bad from the start; None where no pipe is taken to be.
    X_names, Z_names, W_names : tuple of str
        Names of their columns.
    ridges : tuple of Ridge
        Priors.
    shares : DataFrame
        `era, area, material, share`: what an unrecorded material of that era and area may be.
    mean_depth_ft : float
        Depth at which the depth term is zero.
    areas : tuple of str
        Areas whose lives share a hazard multiplier, in the order of their effects; none where too few.
    group : ndarray of int, shape (n_rows,)
        Position in `areas` of each row, -1 where it has none.
    """

    rows: pl.DataFrame
    X: FloatArray
    Z: FloatArray
    W: FloatArray | None
    X_names: tuple[str, ...]
    Z_names: tuple[str, ...]
    W_names: tuple[str, ...]
    ridges: tuple[Ridge, ...]
    shares: pl.DataFrame
    mean_depth_ft: float
    areas: tuple[str, ...]
    group: IntArray

    def start_of(self, rows: IntArray) -> FloatArray | None:
        """Rows of W, or None."""
        return None if self.W is None else self.W[rows]


def fit_design(
    design: Design,
    looks: LifeLooks,
    lines: LineLooks | None,
    *,
    detection: Detection,
    near: FittedLives | None = None,
    near_rounds: int = 0,
    law: str = "weibull",
) -> FittedLives:
    """Fit the regression on looks with a design's rows, names and priors.

    Parameters
    ----------
    design : Design
        Covariate rows and priors.
    looks, lines
        From `life_looks` and `line_looks`.
    detection : Detection
        How far a look is to be believed.
    near : FittedLives, optional
        A fit of this design to begin at, whose widths of priors are kept.
    near_rounds : int
        Rounds of choosing widths anew after all.
    law : str
        Law of life.
    """
    regression = LifeRegression(ridges=design.ridges, detection=detection, law=law)
    return regression.fit(
        design.X,
        design.Z,
        looks,
        lines,
        X_names=design.X_names,
        Z_names=design.Z_names,
        W=design.W,
        W_names=design.W_names or None,
        group=design.group if design.areas else None,
        near=near,
        near_rounds=near_rounds,
    )


def with_covariates(lives: pl.DataFrame) -> pl.DataFrame:
    """Add the binned covariates to lives: depth to the foot, soil and tree as 0, 1 or NULL, and the area.

    The area is the subdivision; where no lot has one, the block. Sizes are empty: see `fit_sizes.with_sizes`.
    """
    soil = pl.col("soil")
    has_subdivisions = lives["subdivision"].count() > 0
    return lives.with_columns(
        depth_bin_ft=pl.col("depth_ft").round(0),
        expansive=pl.when(soil == "expansive_clay")
        .then(1.0)
        .when(soil.is_null() | (soil == UNKNOWN))
        .then(None)
        .otherwise(0.0),
        tree=pl.col("large_tree_near").cast(pl.Float64),
        **{column: pl.lit(None, dtype=pl.Float64) for column in SIZES.values()},
        area=pl.col("subdivision" if has_subdivisions else "block").cast(pl.String),
    )


def make_design(lives: pl.DataFrame, looked: pl.DataFrame, shares: pl.DataFrame, outcome: str) -> Design:
    """Make rows and terms from all lives that will be fitted or scored.

    Parameters
    ----------
    lives : DataFrame
        Every life, with covariates.
    looked : DataFrame
        The lives behind the fit; they decide which terms have enough spread.
    shares : DataFrame
        From `material_shares`.
    outcome : str
        Outcome code; decides the priors.

    Returns
    -------
    Design
    """
    keys = list(ROW_KEYS)
    rows = (
        candidates(lives.with_row_index("life"), shares)
        .select(keys)
        .unique()
        .sort(keys, nulls_last=True)
        .with_row_index("row")
    )
    mean_depth = looked["depth_bin_ft"].mean()
    centre = float(mean_depth) if isinstance(mean_depth, float) else 0.0
    hazard_prior, shape_prior = PRIORS[outcome]
    names: list[str] = ["all"]
    columns: list[FloatArray] = [np.ones(rows.height)]
    ridges = [
        Ridge(terms=("hazard: all",), mean=hazard_prior[0], sd=hazard_prior[1]),
        Ridge(terms=("shape: all",), mean=shape_prior[0], sd=shape_prior[1]),
    ]
    materials = rows["material"].unique().sort().to_list()
    by_material = [(rows["material"] == material).to_numpy().astype(float) for material in materials]
    # Bellies differ by material in how many are laid, not in how the ground settles later.
    has_terms = outcome != Outcome.GRADE.value
    if len(materials) > 1 and has_terms:
        names += materials
        columns += by_material
        ridges += [_pooled("hazard", materials), _pooled("shape", materials)]
    eras = _eras_within_materials(looked) if has_terms else []
    for material, era in eras:
        names.append(f"{material}, {era}")
        columns.append(((rows["material"] == material) & (rows["era"] == era)).to_numpy().astype(float))
    if eras:
        ridges.append(_pooled("hazard", [f"{material}, {era}" for material, era in eras]))
    for name, column, ridge in _plain_terms(rows, looked, centre) if has_terms else ():
        names.append(name)
        columns.append(column)
        ridges.append(ridge)
    if has_terms and (sizes := _size_terms(rows, looked)):
        names += sizes
        columns += sizes.values()
        ridges.append(_pooled("hazard", tuple(sizes)))
    per_material = materials if len(materials) > 1 else []
    by_row = np.column_stack([np.ones(rows.height), *(by_material if per_material else [])])
    has_start = outcome in FROM_THE_START
    if has_start:
        ridges.append(Ridge(terms=("start: all",), mean=PRIOR_START[0], sd=PRIOR_START[1]))
        ridges += [_pooled("start", per_material)] if per_material else []
    # How pipe was bedded is no matter of what an area does to its ageing.
    areas = _areas(rows, looked) if has_terms else ()
    return Design(
        rows=rows,
        X=np.column_stack(columns),
        Z=by_row if has_terms else by_row[:, :1],
        W=by_row if has_start else None,
        X_names=tuple(names),
        Z_names=("all", *(per_material if has_terms else [])),
        W_names=("all", *per_material) if has_start else (),
        ridges=tuple(ridges),
        shares=shares,
        mean_depth_ft=centre,
        areas=areas,
        group=_positions(rows["area"], areas),
    )


def start_from(design: Design, bellies: FittedLives) -> Design:
    """Expect to be bad from the start what has a belly, more or less.

    Parameters
    ----------
    design : Design
        Of any failure.
    bellies : FittedLives
        Fit of bellies to the same records; its start terms become the priors of the design's.

    Returns
    -------
    Design

    Notes
    -----
    Looks at young pipe are few, and what they show of any failure is as well told by a steep curve with much
    from the start as by a flat one with little. Looks at the grade of pipe of every age tell how much.
    """
    known = {
        name: (float(mean), float(np.hypot(error, PRIOR_SD_BESIDE_BELLIES)))
        for name, mean, error in zip(bellies.names, bellies.coef, bellies.standard_error, strict=True)
        if name.startswith("start: ")
    }
    kept = tuple(ridge for ridge in design.ridges if not any(term in known for term in ridge.terms))
    own = tuple(
        Ridge(terms=(name,), mean=known[name][0], sd=known[name][1])
        for name in (f"start: {term}" for term in design.W_names)
        if name in known
    )
    return replace(design, ridges=kept + own)


def _areas(rows: pl.DataFrame, looked: pl.DataFrame) -> tuple[str, ...]:
    """All areas, those without a look too: their effect is then known as far as areas are alike."""
    if looked["area"].drop_nulls().n_unique() < LEAST_AREAS:
        return ()
    return tuple(rows["area"].drop_nulls().unique().sort().to_list())


def _positions(values: pl.Series, names: tuple[str, ...]) -> IntArray:
    known = pl.DataFrame({"area": names}, schema={"area": pl.String}).with_row_index("position")
    found = values.to_frame("area").join(known, on="area", how="left", maintain_order="left")
    return found["position"].cast(pl.Int64).fill_null(-1).to_numpy()


def _pooled(part: str, names: Sequence[str]) -> Ridge:
    """Draw the terms together: those of hazard by an amount the data choose, unless there is one alone."""
    fixed = {"shape": PRIOR_SD_SHAPE, "start": PRIOR_SD_START}.get(part)
    if fixed is None and len(names) == 1:
        fixed = PRIOR_SD_LONE_TERM
    return Ridge(terms=tuple(f"{part}: {name}" for name in names), sd=fixed)


def _eras_within_materials(looked: pl.DataFrame) -> list[tuple[str, str]]:
    known = looked.filter((pl.col("material") != UNKNOWN) & (pl.col("era") != UNKNOWN))
    pairs = known.select("material", "era").unique()
    several = pairs.filter(pl.len().over("material") > 1).sort("material", "era")
    return list(several.iter_rows())


def _plain_terms(
    rows: pl.DataFrame, looked: pl.DataFrame, mean_depth_ft: float
) -> list[tuple[str, FloatArray, Ridge]]:
    terms: list[tuple[str, FloatArray, Ridge]] = []
    if looked["depth_bin_ft"].n_unique() > 2 and looked["depth_bin_ft"].count() >= LEAST_SPREAD_LIVES:
        depth = (rows["depth_bin_ft"].fill_null(mean_depth_ft) - mean_depth_ft).to_numpy()
        terms.append(("depth", depth, Ridge(terms=("hazard: depth",), sd=PRIOR_SD_PER_FT)))
    for name in ("expansive", "tree"):
        known = looked[name].drop_nulls()
        n_with = int((known == 1.0).sum())
        if min(n_with, len(known) - n_with) >= LEAST_SPREAD_LIVES:
            # A flag that is not on record counts as its average.
            column = rows[name].fill_null(n_with / len(known)).to_numpy()
            terms.append((name, column, Ridge(terms=(f"hazard: {name}",), sd=PRIOR_SD_FLAG)))
    return terms


def _size_terms(rows: pl.DataFrame, looked: pl.DataFrame) -> dict[str, FloatArray]:
    """Length and bore against their averages; one that is not on record counts as average.

    That it is not on record is no term: mostly pipe that was dug out lacks it, so it would tell of the failure.
    """
    terms = {}
    for name, column in SIZES.items():
        known = looked[column].drop_nulls()
        if known.n_unique() > 1 and len(known) >= LEAST_SPREAD_LIVES:
            terms[name] = (rows[column] - known.mean()).fill_null(0.0).to_numpy()
    return terms


def life_looks(design: Design, lives: pl.DataFrame, looks: pl.DataFrame) -> LifeLooks:
    """Make the arrays of lives and their looks, in years relative to now.

    Parameters
    ----------
    design : Design
        Whose rows the lives point to.
    lives : DataFrame
        What `candidates` takes, and `weight` where a row stands for more or less than one life.
    looks : DataFrame
        `life, look_at` (years from now), `is_bad`, `sensitivity`.

    Returns
    -------
    LifeLooks
    """
    found = candidates(lives, design.shares).join(design.rows, on=list(ROW_KEYS), nulls_equal=True)
    found = found.sort("life", "row", "install_from")
    ordered = looks.sort("life", "look_at", "is_bad")
    ranges = found.group_by("life").agg(pl.col("install_from").min(), pl.col("install_to").max()).sort("life")
    return LifeLooks(
        candidate_life=found["life"].to_numpy().astype(np.int64),
        candidate_row=found["row"].to_numpy().astype(np.int64),
        candidate_probability=found["probability"].to_numpy(),
        candidate_install_min=rounded(found["install_from"].to_numpy()),
        candidate_install_max=rounded(found["install_to"].to_numpy()),
        install_min=rounded(ranges["install_from"].to_numpy()),
        install_max=rounded(ranges["install_to"].to_numpy()),
        look_life=ordered["life"].to_numpy().astype(np.int64),
        look_year=rounded(ordered["look_at"].to_numpy()),
        look_bad=ordered["is_bad"].to_numpy().astype(bool),
        look_sensitivity=ordered["sensitivity"].to_numpy(),
        weight=lives.sort("life")["weight"].to_numpy()
        if "weight" in lives.columns
        else np.ones(ranges.height),
    )


def line_looks(looks: pl.DataFrame) -> LineLooks | None:
    """Make the arrays of line looks, or None where there are none.

    Parameters
    ----------
    looks : DataFrame
        `inspection_id, look_at, is_bad, life`: one line per member.
    """
    if looks.is_empty():
        return None
    lines = looks.select("inspection_id", "look_at", "is_bad").unique().sort("inspection_id")
    numbered = lines.with_row_index("line")
    members = looks.join(numbered.select("inspection_id", "line"), on="inspection_id").sort("line", "life")
    return LineLooks(
        line_year=rounded(lines["look_at"].to_numpy()),
        line_bad=lines["is_bad"].to_numpy().astype(bool),
        member_line=members["line"].to_numpy().astype(np.int64),
        member_life=members["life"].to_numpy().astype(np.int64),
    )


def rounded(years: FloatArray) -> FloatArray:
    """Round years to the step in which lives share the work."""
    steps: FloatArray = np.round(years / AGE_STEP_YEARS) * AGE_STEP_YEARS
    return steps

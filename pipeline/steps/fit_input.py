"""The exposure tables as the fits take them: frames with ages and with years counted from "now"."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.settings import Settings
from pipeline.steps.fit_design import with_covariates
from pipeline.steps.fit_installs import middle_installs, narrow_installs
from pipeline.vocabulary import Correction, Outcome
from pipeline.warehouse import Warehouse, sql_text

#: Column of exposure.looks that holds an outcome.
OUTCOME_COLUMNS = {
    Outcome.STRUCTURAL.value: "structural",
    Outcome.ROOTS_JOINTS.value: "roots_joints",
    Outcome.GRADE.value: "grade",
    Outcome.ANY.value: "any_outcome",
}
#: The same where the look speaks of the whole segment: what fits and curves count.
WHOLE_COLUMNS = {
    Outcome.STRUCTURAL.value: "structural_whole",
    Outcome.ROOTS_JOINTS.value: "roots_joints_whole",
    Outcome.GRADE.value: "grade_whole",
    Outcome.ANY.value: "any_whole",
}
ENDED = "ended"
AGE_ONLY = "age_only"


@dataclass(frozen=True, slots=True)
class AsOf:
    """The day that "now" means.

    Attributes
    ----------
    year : float or None
        Decimal year; None where the records keep ages only.
    source : str
        Where it comes from, in words.
    """

    year: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Exposure:
    """Lives and looks.

    Attributes
    ----------
    lives : DataFrame
        exposure.lives with a usable install range (see `fit_installs`), its covariates, `is_cut_short` (its length is
        what a camera reached that did not get through), `now` [decimal year,
        or age where only ages are kept], `install_from`, `install_to`, `latest` [years from now] and
        `age_now` (of the middle).
    looks : DataFrame
        exposure.looks at those lives, with `look_at` [years from now] and `age` [years, at the middle of the
        install range].
    line_looks : DataFrame
        One line per inspection and member life: `inspection_id, lot_id, life_id, look_at, is_selected, is_bad`.
    as_of : AsOf
        What "now" is.
    n_without_years : int
        Lives left out because nothing bounds their install year.
    """

    lives: pl.DataFrame
    looks: pl.DataFrame
    line_looks: pl.DataFrame
    as_of: AsOf
    n_without_years: int


def find_as_of(warehouse: Warehouse, settings: Settings) -> AsOf:
    """Return the day that scores hold for: the setting, else that of the newest record."""
    if settings.as_of is not None:
        return AsOf(decimal_year(settings.as_of), f"{settings.as_of.isoformat()}, from the settings")
    newest = warehouse.frame(sql_text("published/newest_day"))["newest_day"][0]
    if newest is None:
        return AsOf(None, "each line's newest look, because the records keep ages and no dates")
    return AsOf(decimal_year(newest), f"{newest.isoformat()}, the day of the newest record")


def decimal_year(day: date) -> float:
    """Return a day as a decimal year, as `decimal_year` of the exposure SQL does."""
    return day.year + (day.timetuple().tm_yday - 1) / 365.25


def read_exposure(warehouse: Warehouse, settings: Settings) -> Exposure:
    """Read the exposure tables and count their years from now."""
    as_of = find_as_of(warehouse, settings)
    everything = warehouse.frame("SELECT * FROM exposure.lives ORDER BY life_id")
    if Correction.INSTALL_YEARS in settings.corrections:
        everything = narrow_installs(everything, warehouse.frame("SELECT lot_id, year_built FROM core.lots"))
    else:
        everything = middle_installs(everything)
    looks = warehouse.frame("SELECT * FROM exposure.looks ORDER BY inspection_id, life_id")
    if Correction.ENDED_LIVES not in settings.corrections:
        looks = looks.filter(pl.col("basis") != ENDED)
    lines = warehouse.frame(sql_text("published/line_members"))
    dated = everything.filter(
        pl.col("install_year_min").is_not_null() & pl.col("install_year_max").is_not_null()
    )
    cut_short = warehouse.frame(sql_text("published/lots_cut_short"))["lot_id"].to_list()
    dated = with_covariates(dated).with_columns(is_cut_short=pl.col("lot_id").is_in(cut_short))
    lives = _place_in_time(dated, looks, lines, as_of)
    life_years = lives.select("life_id", "now", middle=pl.col("now") - pl.col("age_now"))
    looks = looks.join(life_years, on="life_id").with_columns(
        look_at=pl.col("look_year") - pl.col("now"),
        age=pl.col("look_year") - pl.col("middle"),
    )
    lines = lines.join(life_years, on="life_id").select(
        "inspection_id",
        "lot_id",
        "life_id",
        "is_selected",
        look_at=pl.col("look_year") - pl.col("now"),
        is_bad=pl.col("any_outcome") == 1,
    )
    return Exposure(
        lives,
        looks.drop("now", "middle"),
        lines,
        as_of,
        n_without_years=everything.height - dated.height,
    )


def _place_in_time(
    lives: pl.DataFrame, looks: pl.DataFrame, lines: pl.DataFrame, as_of: AsOf
) -> pl.DataFrame:
    newest = (
        pl.concat([looks.select("lot_id", "look_year"), lines.select("lot_id", "look_year")])
        .group_by("lot_id")
        .agg(newest=pl.col("look_year").max())
    )
    # Ages have no calendar: such a line is scored at its newest look.
    with_now = lives.join(newest, on="lot_id", how="left").with_columns(
        now=pl.when(pl.col("install_source") == AGE_ONLY)
        .then(pl.col("newest").fill_null(0.0))
        .otherwise(pl.coalesce(pl.lit(as_of.year, dtype=pl.Float64), "newest", "install_year_max"))
    )
    return (
        with_now.drop("newest")
        .with_columns(
            install_from=pl.col("install_year_min") - pl.col("now"),
            install_to=pl.col("install_year_max") - pl.col("now"),
            latest=pl.col("latest_year") - pl.col("now"),
        )
        .with_columns(age_now=-(pl.col("install_from") + pl.col("install_to")) / 2)
        .sort("life_id")
    )


def outcome_looks(exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Return the unselected looks at which an outcome was judged.

    Returns
    -------
    DataFrame
        `life_id, lot_id, inspection_id, look_at, age, basis, is_bad, is_known`; is_known: bad because works
        tell so, not a camera.

    Notes
    -----
    Which looks speak of a whole segment, and what becomes of repaired pipe, is decided in looks.sql: the
    columns "…_whole". Single lines are scored by all that was seen of them.
    """
    column = WHOLE_COLUMNS[outcome]
    seen = exposure.looks.filter(~pl.col("is_selected") & pl.col(column).is_not_null())
    return seen.select(
        "life_id",
        "lot_id",
        "inspection_id",
        "look_at",
        "age",
        "basis",
        is_bad=pl.col(column) == 1,
        is_known=pl.col("is_after_repair") | (pl.col("basis") == ENDED),
    )


def outcome_line_looks(exposure: Exposure, outcome: str) -> pl.DataFrame:
    """Return the unselected line looks of an outcome: overall verdicts speak of any failure only."""
    if outcome != Outcome.ANY.value:
        return exposure.line_looks.clear()
    return exposure.line_looks.filter(~pl.col("is_selected"))

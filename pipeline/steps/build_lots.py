"""Published tables about single lots: the score, its evidence, and its reasons in plain words."""

from __future__ import annotations

import polars as pl

from pipeline.percent import estimates_in_words
from pipeline.published import contract
from pipeline.published.lot_sets import MADE_OF_LOTS
from pipeline.settings import Settings
from pipeline.steps.build_reasons import NEAR_LINES, distance_to_seen, others_on_block, reasons
from pipeline.steps.fit_input import ENDED, Exposure
from pipeline.steps.fit_regression import OutcomeFit
from pipeline.steps.fit_scores import WITHOUT_OWN, Scores, lot_chances
from pipeline.steps.fit_sizes import size_words
from pipeline.steps.fit_terms import era_words
from pipeline.vocabulary import Material

#: Judged lots of the same block that make "the same block" an argument; judgement.
SAME_BLOCK_LOTS = 3
#: A recorded range of install years wider than this counts as estimated [years].
WIDEST_KNOWN_YEARS = 5.0
ERAS = ("before_1940", "1940_1957", "1958_1979", "1980_on")
CHANCE_COLUMNS = tuple(
    f"{name}{end}"
    for name in (
        "failure_probability",
        "failure_within_horizon_probability",
        "failure_by_horizon_probability",
    )
    for end in ("", "_lower", "_upper")
)


def years_of_lines(in_use: pl.DataFrame, exposure: Exposure) -> pl.DataFrame:
    """Count the segments of each line whose install year neither the pipe nor its house tells.

    Parameters
    ----------
    in_use : DataFrame
        `life_id, lot_id, material, install_year_min, install_year_max, is_without_year` of every life not yet
        ended, as the records alone give them.
    exposure : Exposure
        The same lives with the install ranges that are used; without those that nothing bounds.

    Returns
    -------
    DataFrame
        `lot_id, n_in_line, n_untold, n_like_pipe` of the lines with such segments: all segments in use; those of
        which nothing tells when they were laid, so that the line has no age and no chance; and those for which
        the years of like pipe stand in.
    """
    used = exposure.lives.select("life_id", used_from="install_year_min", used_to="install_year_max")
    is_as_before = (pl.col("used_from") == pl.col("install_year_min")) & (
        pl.col("used_to") == pl.col("install_year_max")
    )
    is_unknown = pl.col("material") == Material.UNKNOWN.value
    is_untold = pl.col("used_from").is_null() | (pl.col("is_without_year") & is_unknown & is_as_before)
    return (
        in_use.join(used, on="life_id", how="left")
        .with_columns(is_untold=is_untold.fill_null(True))
        .group_by("lot_id")
        .agg(
            n_in_line=pl.len(),
            n_untold=pl.col("is_untold").sum(),
            n_like_pipe=(pl.col("is_without_year") & ~pl.col("is_untold")).sum(),
        )
        .filter((pl.col("n_untold") > 0) | (pl.col("n_like_pipe") > 0))
        .sort("lot_id")
    )


def lot_segments(exposure: Exposure, scores: Scores | None) -> pl.DataFrame:
    """Return the published `lot_segments`: the lives in use, with the install years that were used."""
    chances = (
        scores.lives
        if scores is not None
        else pl.DataFrame(schema={"life_id": pl.Int64, **dict.fromkeys(CHANCE_COLUMNS[:3], pl.Float64)})
    )
    width = pl.col("install_year_max") - pl.col("install_year_min")
    current = exposure.lives.filter(pl.col("ended_year").is_null()).sort("lot_id", "sequence", "life_id")
    return (
        current.with_columns(
            sequence=pl.int_range(1, pl.len() + 1).over("lot_id"),
            is_imputed=(pl.col("material") == "unknown")
            | (pl.col("install_source") == "house_and_material")
            | (width > WIDEST_KNOWN_YEARS),
        )
        .join(chances, on="life_id", how="left", maintain_order="left")
        .select(contract.LOT_SEGMENTS.names)
    )


def lots_and_reasons(
    lots: pl.DataFrame,
    segments: pl.DataFrame,
    inspections: pl.DataFrame,
    newest: pl.DataFrame,
    years: pl.DataFrame,
    fit: OutcomeFit,
    scores: Scores | None,
    settings: Settings,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make the published `lots` and `lot_reasons`.

    Parameters
    ----------
    lots : DataFrame
        Placed lots, with `lon, lat` and the flags of `published/lot_flags.sql`.
    segments : DataFrame
        Published `lot_segments`.
    inspections : DataFrame
        Published `lot_inspections`.
    newest : DataFrame
        From `fit_areas.newest_looks`: what was seen on the block of each lot.
    years : DataFrame
        From `years_of_lines`.
    fit : OutcomeFit
        Whose looks are counted as "like it".
    scores : Scores or None
        None where the fit did not come about.
    settings : Settings
        Least numbers.

    Returns
    -------
    tuple of DataFrame
    """
    known = lots.join(_lines_in_words(segments), on="lot_id", how="left").with_columns(
        pl.col("n_segments").fill_null(0)
    )
    known = known.join(_newest_look(inspections), on="lot_id", how="left")
    known = known.join(years, on="lot_id", how="left")
    known = known.join(_looks_like_it(fit, segments), on="lot_id", how="left")
    known = _with_chances(known, scores).sort("lot_id")
    known = _with_evidence(known.with_columns(distance_to_seen(known)), settings)
    known = _with_status(known, fit, settings)
    known = known.join(others_on_block(known, newest), on="lot_id", how="left")
    own = [name for name in contract.LOTS.names if name not in MADE_OF_LOTS]
    return known.select(own), reasons(known)


def _lines_in_words(segments: pl.DataFrame) -> pl.DataFrame:
    first, last = pl.col("install_year_min").floor(), pl.col("install_year_max").floor()
    # Where only ages are kept the install range is 0 to 0.
    laid = (
        pl.when(last <= 0)
        .then(pl.lit(""))
        .when(last - first <= 1)
        .then(pl.format(" ({})", first.cast(pl.Int64)))
        .otherwise(pl.format(" ({} to {})", first.cast(pl.Int64), last.cast(pl.Int64)))
    )
    size = (
        pl.when(pl.col("diameter_in").is_null())
        .then(pl.lit(""))
        .otherwise(pl.format("{} in ", pl.col("diameter_in").round(1).cast(pl.String).str.strip_suffix(".0")))
    )
    words = pl.concat_str(size, _material_words(), laid.fill_null(""))
    return (
        segments.sort("lot_id", "sequence")
        .with_columns(words=words)
        .group_by("lot_id", maintain_order=True)
        .agg(
            n_segments=pl.len(),
            line_summary=pl.col("words").str.join(" > "),
            has_imputed=pl.col("is_imputed").any(),
        )
    )


def _laid_words() -> pl.Expr:
    """' laid in 1950', ' laid 1950 to 1956', or nothing where only ages are kept."""
    first, last = (pl.col(f"install_year_{end}").floor().cast(pl.Int64) for end in ("min", "max"))
    return (
        pl.when(last <= 0)
        .then(pl.lit(""))
        .when(last - first <= 1)
        .then(pl.format(" laid in {}", first))
        .otherwise(pl.format(" laid {} to {}", first, last))
        .fill_null("")
    )


def _material_words() -> pl.Expr:
    labels = {member.value: member.label for member in Material} | {
        Material.UNKNOWN.value: "material not recorded"
    }
    return pl.col("material").replace_strict(labels, default=pl.col("material"), return_dtype=pl.String)


def _newest_look(inspections: pl.DataFrame) -> pl.DataFrame:
    judged = inspections.filter(pl.col("is_bad").is_not_null()).sort(
        "lot_id", "look_year", "inspection_id", descending=[False, True, False]
    )
    return judged.group_by("lot_id", maintain_order=True).agg(
        n_judged=pl.len(),
        last_verdict=pl.col("verdict").first(),
        last_is_bad=pl.col("is_bad").first(),
        last_rule=pl.col("rule").first(),
        last_purpose=pl.col("purpose").first(),
        last_date=pl.col("inspection_date").first(),
        last_reached=pl.col("reached_tie_in").first(),
        last_is_selected=pl.col("is_selected").first(),
        last_year=pl.col("look_year").first(),
    )


def _looks_like_it(fit: OutcomeFit, segments: pl.DataFrame) -> pl.DataFrame:
    """Count looks at lives of the material and era of the segment that decides each line's score."""
    counts = (
        fit.looks.filter(pl.col("basis") != ENDED)
        .join(fit.looked.select("life_id", "material", "era"), on="life_id")
        .group_by("material", "era")
        .agg(n_like=pl.len(), n_like_bad=pl.col("is_bad").sum())
    )
    deciding = (
        segments.sort(
            "lot_id", "failure_probability", "sequence", descending=[False, True, False], nulls_last=True
        )
        .unique("lot_id", keep="first", maintain_order=True)
        .select(
            "lot_id",
            "material",
            "era",
            "install_year_min",
            "install_year_max",
            deciding=_material_words(),
            size=size_words(fit),
        )
    )
    era = pl.col("era").replace_strict(
        {code: f" laid {era_words(code)}" for code in ERAS}, default="", return_dtype=pl.String
    )
    return deciding.join(counts, on=["material", "era"], how="left").select(
        "lot_id",
        pl.col("n_like", "n_like_bad").fill_null(0),
        like_words=pl.concat_str("deciding", era),
        deciding_words=pl.concat_str("deciding", _laid_words(), "size"),
        deciding_from="install_year_min",
    )


def _with_chances(lots: pl.DataFrame, scores: Scores | None) -> pl.DataFrame:
    if scores is None:
        nothing = [pl.lit(None, dtype=pl.Float64).alias(name) for name in CHANCE_COLUMNS]
        years = [pl.lit(None, dtype=pl.Int64).alias(n) for n in ("n_similar", "similar_from", "similar_to")]
        plain = [pl.lit(None, dtype=pl.Float64).alias(name) for name in list(WITHOUT_OWN)[1:]]
        return lots.with_columns(*nothing, *plain, *years, repaired_year=pl.lit(None, dtype=pl.Float64))
    known = lots.join(lot_chances(scores), on="lot_id", how="left").join(
        scores.repaired, on="lot_id", how="left"
    )
    # A lot scored by similar houses has no looks of its own to leave out.
    return known.join(scores.without_own, on="lot_id", how="left").with_columns(
        pl.coalesce(name, name.replace("_without_own", "").replace("_elsewhere", ""))
        for name in list(WITHOUT_OWN)[1:]
    )


def _with_evidence(lots: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    has_own = pl.col("n_judged").fill_null(0) > 0
    in_block = (has_own.cast(pl.Int64).sum().over("block") - has_own.cast(pl.Int64)).fill_null(0)
    like = pl.coalesce("n_like", "n_similar").fill_null(0)
    grade = (
        pl.when(has_own)
        .then(pl.lit("own_camera_record"))
        .when(pl.col("block").is_not_null() & (in_block >= SAME_BLOCK_LOTS))
        .then(pl.lit("same_block"))
        .when(like >= settings.min_lives)
        .then(pl.lit("same_material_and_era"))
        .otherwise(pl.lit("thin"))
    )
    near = (
        pl.when(pl.col("near_seen_ft").is_not_null())
        .then(
            pl.format(
                "; {} seen lines lie within {} ft",
                pl.lit(NEAR_LINES),
                ((pl.col("near_seen_ft") / 10).ceil() * 10).cast(pl.Int64),
            )
        )
        .otherwise(pl.lit(""))
    )
    words = pl.col("evidence_grade").replace_strict(contract.EVIDENCE_GRADES)
    return lots.with_columns(evidence_grade=grade, n_like=like, n_like_bad=pl.col("n_like_bad")).with_columns(
        evidence=pl.concat_str(words, near)
    )


def _with_status(lots: pl.DataFrame, fit: OutcomeFit, settings: Settings) -> pl.DataFrame:
    if not fit.is_ok:
        return lots.with_columns(
            status=pl.lit(contract.STATUS_NOT_FITTED), sentence=pl.lit(f"No estimate: {fit.fitted.reason}")
        )
    scored = pl.col("failure_probability").is_not_null()
    unknown_year = pl.col("year_built").is_null()
    return lots.with_columns(
        status=pl.when(scored)
        .then(pl.lit(contract.STATUS_OK))
        .otherwise(pl.lit(contract.STATUS_TOO_LITTLE_KNOWN)),
        sentence=pl.when(scored)
        .then(
            pl.format(
                "Estimated chance that a repair-grade finding is there now: {}. "
                "A screening aid, no substitute for a camera in the line.",
                estimates_in_words("failure_probability"),
            )
        )
        .when(pl.col("n_untold") > 0)
        .then(_why_no_age())
        .when(unknown_year)
        .then(pl.lit("No estimate: neither the line nor the year of the building is on record."))
        .otherwise(
            pl.lit(
                "No estimate: the line is not on record, and a camera has seen fewer than "
                f"{settings.min_area_inspections} lines under houses of about this year."
            )
        ),
    )


def _why_no_age() -> pl.Expr:
    n_untold, n_in_line = pl.col("n_untold"), pl.col("n_in_line")
    which = (
        pl.when(n_in_line == 1)
        .then(pl.lit("this line has"))
        .when(n_untold == 1)
        .then(pl.format("one of the {} segments of this line has", n_in_line))
        .otherwise(pl.format("{} of the {} segments of this line have", n_untold, n_in_line))
    )
    return pl.format(
        "No estimate: {} no install year on record, and neither the house nor like pipe tells when it was laid.",
        which,
    )

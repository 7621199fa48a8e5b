"""Every table and column of the published database, once: name, type, unit, meaning.

The writer makes its tables from this, the reader checks the version against it, the dashboards and the
documentation take the meaning of each column from it. Nothing else may be published.

Probabilities and shares run from 0 to 1. A `…_lower` and `…_upper` bound the column they are named for;
their level is in `run.curve_level` (curves, regression terms) or `run.score_level` (lots, blocks,
subdivisions). An estimate that the records cannot carry is NULL, with a `status` other than 'ok' and a
`sentence` that says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.vocabulary import Outcome

#: Raised whenever a published column is added, removed or changes its meaning.
CONTRACT_VERSION = 6

DATABASE_NAME = "underlot.duckdb"
MANIFEST_NAME = "manifest.json"
POINTER_NAME = "current"

#: Newest rejected rows that are published; `reject_counts` has the totals.
MOST_REJECTS = 5_000

#: Possible values of the `status` columns.
STATUS_OK = "ok"
STATUS_TOO_FEW = "too_few_records"
STATUS_TOO_LITTLE_KNOWN = "too_little_known"
STATUS_NOT_FITTED = "not_fitted"

#: `lots.evidence_grade` and what it says, best first.
EVIDENCE_GRADES = {
    "own_camera_record": "a camera has been in this line",
    "same_block": "no camera record here; lines in the same block have been seen",
    "same_material_and_era": "no camera record here; lines of the same material and era have been seen",
    "thin": "hardly any line like it has been seen",
}

Kind = Literal["text", "integer", "number", "flag", "date", "timestamp", "numbers"]

SQL_TYPES: dict[Kind, str] = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "flag": "BOOLEAN",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
    # One number for each parameter draw: single precision is more than draws are worth.
    "numbers": "FLOAT[]",
}


@dataclass(frozen=True, slots=True)
class PublishedColumn:
    """One published column.

    Attributes
    ----------
    name : str
        Name, with its unit as a suffix where it has one.
    kind : Kind
        Storage type.
    unit : str
        Unit in words; '' for text, flags and counts.
    text : str
        Meaning, and what NULL says where it is allowed.
    """

    name: str
    kind: Kind
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class PublishedTable:
    """One published table.

    Attributes
    ----------
    name : str
        Table name in schema main.
    grain : str
        What one row is.
    key : tuple of str
        Columns that identify a row and by which the rows are sorted.
    columns : tuple of PublishedColumn
        All columns, in order.
    """

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[PublishedColumn, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names, in order."""
        return tuple(column.name for column in self.columns)


def _text(name: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "text", "", text)


def _flag(name: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "flag", "", text)


def _count(name: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "integer", "", text)


def _number(name: str, unit: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "number", unit, text)


def _numbers(name: str, unit: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "numbers", unit, text)


def _money(name: str, text: str) -> PublishedColumn:
    return PublishedColumn(name, "number", "US dollars", text)


def _chance(name: str, text: str) -> tuple[PublishedColumn, PublishedColumn, PublishedColumn]:
    """A probability with its bounds."""
    unit = "probability, 0 to 1"
    return (
        _number(name, unit, text),
        _number(f"{name}_lower", unit, f"lower bound of {name}"),
        _number(f"{name}_upper", unit, f"upper bound of {name}"),
    )


OUTCOME = _text("outcome", "family of failure: structural, roots_joints, grade, or any of these")
MATERIAL = _text("material", "pipe material code")
STATUS = _text("status", "'ok', or why there is no number")
SENTENCE = _text("sentence", "what stands behind the estimate, or why there is none, in plain words")
LOT_ID = _text("lot_id", "identifies the lot")
X_FT = _number("x_ft", "ft", "easting of the centre in the map's grid; NULL where no location is recorded")
Y_FT = _number("y_ft", "ft", "northing, likewise")
BOUNDS = (
    _number("x_min_ft", "ft", "western edge in the map's grid"),
    _number("y_min_ft", "ft", "southern edge"),
    _number("x_max_ft", "ft", "eastern edge"),
    _number("y_max_ft", "ft", "northern edge"),
)

RUN = PublishedTable(
    "run",
    "one row: this build",
    ("run_id",),
    (
        _text("run_id", "identifies the build; made from its input, settings and seed"),
        PublishedColumn("built_at", "timestamp", "UTC", "when the build finished"),
        _count("contract_version", "version of this contract"),
        _text("town_name", "name of the town or client, from the settings"),
        _flag("is_synthetic", "the records are invented"),
        _count("seed", "seed of all random draws"),
        _count("n_draws", "parameter draws behind each range"),
        _text("default_outcome", "outcome that scores speak of"),
        _text("failure_definition", "what counts as failed, in one sentence"),
        _number("as_of_year", "decimal year", "the day that 'now' means"),
        _text("as_of_source", "where that day comes from, in words"),
        _number("horizon_years", "years", "holding period of `failure_within_horizon_probability`"),
        _number("curve_level", "share", "level of the ranges of curves and regression terms"),
        _number("score_level", "share", "level of the ranges of lots, blocks and subdivisions"),
        _count("n_lots", "lots on record"),
        _count("n_segments", "segments on record"),
        _count("n_inspections", "inspections on record"),
        _count("n_lots_inspected", "lots with at least one judged look"),
        _count("n_lives", "lives known or inferred"),
        _count("n_looks", "looks at a life, of any purpose"),
        _count("n_looks_selected", "of these, looks made because something was wrong; kept out of curves"),
        _count(
            "n_segments_by_like_pipe",
            "segments in use without a year of their own or of their house; the years of like pipe stand in",
        ),
        _count(
            "n_undated_segments",
            "segments in use of which nothing tells when they were laid; their lines are not scored",
        ),
        _text("settings_toml", "all settings of this build"),
    ),
)

OUTCOMES = PublishedTable(
    "outcomes",
    "one outcome and the regression behind its fitted curves",
    ("outcome",),
    (
        OUTCOME,
        _text("meaning", "what counts"),
        _count("n_looks", "unselected looks at which it could be judged"),
        _count("n_bad", "of these, with a repair-grade finding"),
        _count("n_line_looks", "unselected overall verdicts on lines of several segments, used as such"),
        _number(
            "sensitivity", "probability, 0 to 1", "assumed chance that the camera calls a failed life bad"
        ),
        _number("specificity", "probability, 0 to 1", "assumed chance that it calls a sound life good"),
        _text("family", "family of the fitted ages at failure"),
        STATUS,
        SENTENCE,
    ),
)

CURVE_GROUPS = PublishedTable(
    "curve_groups",
    "outcome and material of a nonparametric curve, drawn or refused",
    ("outcome", "material"),
    (
        OUTCOME,
        MATERIAL,
        _count("n_lives", "lives with at least one unselected look"),
        _count("n_looks", "unselected looks"),
        _count("n_bad", "lives seen failed"),
        _count("n_band_looks", "looks behind the band"),
        _number("last_determined_age_years", "years", "oldest age that the records speak of"),
        _number("median_age_years", "years", "age by which half have failed; NULL where not reached"),
        _text("band_method", "how the band was made"),
        _number(
            "smoothing_years",
            "years",
            "half width over which smoothed_probability is smoothed; NULL if not drawn",
        ),
        STATUS,
        SENTENCE,
    ),
)

CURVES = PublishedTable(
    "curves",
    "outcome, material and whole-year age of a nonparametric curve",
    ("outcome", "material", "age_years"),
    (
        OUTCOME,
        MATERIAL,
        _number("age_years", "years", "age of the pipe"),
        _number(
            "failure_probability", "probability, 0 to 1", "share failed by this age; NULL where undetermined"
        ),
        _number("undetermined_from", "probability, 0 to 1", "least value the records allow here"),
        _number(
            "undetermined_to",
            "probability, 0 to 1",
            "greatest value the records allow here; equals undetermined_from where determined",
        ),
        _number("failure_probability_lower", "probability, 0 to 1", "lower end of the band"),
        _number("failure_probability_upper", "probability, 0 to 1", "upper end of the band"),
        _number(
            "smoothed_probability",
            "probability, 0 to 1",
            "failure_probability smoothed, for the eye; NULL where undetermined",
        ),
        _flag("is_determined", "the records fix the curve at this age"),
    ),
)

FITTED_GROUPS = PublishedTable(
    "fitted_groups",
    "outcome and material of a fitted curve, drawn or refused",
    ("outcome", "material"),
    (
        OUTCOME,
        MATERIAL,
        _count("n_looks", "unselected looks at this material"),
        _count("n_bad", "of these, with a repair-grade finding"),
        _number(
            "oldest_look_years",
            "years",
            "oldest age at which one was seen; beyond it the curve is an extension",
        ),
        STATUS,
        SENTENCE,
    ),
)

FITTED_CURVES = PublishedTable(
    "fitted_curves",
    "outcome, material and age of a fitted curve, averaged over the lives of that material",
    ("outcome", "material", "age_years"),
    (
        OUTCOME,
        MATERIAL,
        _number("age_years", "years", "age of the pipe"),
        *_chance("failure_probability", "fitted share failed by this age"),
        _flag("is_extension", "older than the oldest look at this material"),
    ),
)

LOOK_COUNTS = PublishedTable(
    "look_counts",
    "outcome, material and age band: what the cameras saw",
    ("outcome", "material", "age_from_years"),
    (
        OUTCOME,
        MATERIAL,
        _number("age_from_years", "years", "start of the band, included"),
        _number("age_to_years", "years", "end of the band, not included"),
        _count("n_looks", "unselected looks"),
        _count("n_bad", "of these, with a repair-grade finding"),
        _number("bad_share", "share, 0 to 1", "n_bad / n_looks"),
    ),
)

LOOK_GROUPS = PublishedTable(
    "look_groups",
    "material, era, subdivision, purpose, year of the look and age band: counts of each outcome, to be added up",
    ("material", "era", "subdivision", "purpose", "look_year", "age_from_years"),
    (
        MATERIAL,
        _text("era", "era of the install year"),
        _text("subdivision", "subdivision; NULL where not recorded"),
        _text("purpose", "why the camera went in"),
        _count("look_year", "calendar year of the look; NULL where only ages are kept"),
        _number("age_from_years", "years", "start of the age band, included"),
        _number("age_to_years", "years", "end of the band, not included"),
        *(
            _count(f"{number}_{outcome}", f"{text} ({outcome})")
            for outcome in Outcome.codes()
            for number, text in (("n_looks", "unselected looks"), ("n_bad", "of these, with a repair-grade finding"))
        ),
    ),
)  # fmt: skip

REGRESSION_TERMS = PublishedTable(
    "regression_terms",
    "outcome and term of the regression",
    ("outcome", "term"),
    (
        OUTCOME,
        _text("term", "code of the term"),
        _text("meaning", "what the term says, in plain words"),
        _number("estimate", "see meaning", "estimate"),
        _number("standard_error", "see meaning", "standard error"),
        _number("estimate_lower", "see meaning", "lower bound of estimate"),
        _number("estimate_upper", "see meaning", "upper bound of estimate"),
    ),
)

QUESTION = _text(
    "question", "later_looks (fitted up to a date) or other_subdivisions (left out of the fit in turn)"
)
MODEL = _text("model", "life_regression, trees (no law of ageing assumed), age_only or base_rate")

VALIDATION_QUESTIONS = PublishedTable(
    "validation_questions",
    "outcome and a way of keeping looks from the fit: what was found",
    ("outcome", "question"),
    (
        OUTCOME,
        QUESTION,
        _count("n_fitted", "camera looks behind each fit, on average"),
        _count("n_looks", "camera looks that were foretold"),
        _text("best_model", "model of the least log score; NULL where nothing was foretold"),
        _text(
            "chosen_model",
            "the life regression, unless another is better by more than twice the error of the comparison",
        ),
        STATUS,
        SENTENCE,
    ),
)

VALIDATION_SCORES = PublishedTable(
    "validation_scores",
    "outcome, question, material ('all': every one) and model: how well looks were foretold",
    ("outcome", "question", "material", "model"),
    (
        OUTCOME,
        QUESTION,
        MATERIAL,
        MODEL,
        _count("n_looks", "camera looks foretold"),
        _count("n_bad", "of these, with a repair-grade finding"),
        _number(
            "brier_score",
            "squared probability",
            "mean squared difference of chance and outcome; lower is better",
        ),
        _number(
            "log_score", "nats per look", "mean of -log of the chance given to what happened; lower is better"
        ),
        _number(
            "log_score_error", "nats per look", "standard error of log_score, areas taken as independent"
        ),
        _number(
            "behind_life_regression",
            "nats per look",
            "log_score less that of the life regression on the same looks",
        ),
        _number(
            "behind_life_regression_error", "nats per look", "standard error of that difference, likewise"
        ),
        _number(
            "auc", "probability, 0 to 1", "chance that a bad look was given the higher chance than a good one"
        ),
        _number(
            "calibration_slope",
            "ratio",
            "1 where chances are as extreme as they should be; below 1 too extreme",
        ),
    ),
)

VALIDATION_CALIBRATION = PublishedTable(
    "validation_calibration",
    "outcome, question, material, model and a tenth of the looks by foretold chance",
    ("outcome", "question", "material", "model", "position"),
    (
        OUTCOME,
        QUESTION,
        MATERIAL,
        MODEL,
        _count("position", "order by foretold chance, 1 the least"),
        _count("n_looks", "looks"),
        _count("n_bad", "of these, with a repair-grade finding"),
        _number("predicted_share", "share, 0 to 1", "mean foretold chance"),
        _number("observed_share", "share, 0 to 1", "n_bad / n_looks"),
        _number("observed_share_lower", "share, 0 to 1", "lower end of what chance alone allows around it"),
        _number("observed_share_upper", "share, 0 to 1", "upper end"),
    ),
)

LOTS = PublishedTable(
    "lots",
    "one lot and its score",
    ("lot_id",),
    (
        LOT_ID,
        _text("address", "street address as recorded"),
        X_FT,
        Y_FT,
        _text("outline_wkt", "outline as WKT in the map's grid [ft]; NULL where not recorded"),
        _count("year_built", "year the building was built"),
        _text("subdivision", "subdivision"),
        _text("block", "block"),
        _text("portfolio", "tag of a group of lots"),
        _text("soil", "soil code"),
        _flag("large_tree_near", "a large tree stands near the line"),
        _text("line_summary", "the line from the building on, in words"),
        _count("n_segments", "segments on record; 0 where the line is not described"),
        _count("n_inspections", "inspections of this line"),
        PublishedColumn("last_inspection_date", "date", "", "day of the newest inspection"),
        _text("last_verdict", "verdict of the newest judged look"),
        _text("evidence_grade", "own_camera_record, same_block, same_material_and_era or thin"),
        _text("evidence", "the same in plain words"),
        _count("n_like", "judged looks at lives of the same main material and era"),
        _count("n_like_bad", "of these, with a repair-grade finding"),
        *_chance("failure_probability", "estimated chance that a repair-grade finding is there now"),
        *_chance(
            "failure_within_horizon_probability",
            "estimated chance that one arises within the horizon, if there is none now; NULL where one is almost "
            "surely there now (chance of 0.99 or more)",
        ),
        *_chance("failure_by_horizon_probability", "estimated chance that one is there at the horizon's end"),
        *_chance(
            "failure_probability_without_own",
            "failure_probability of lines like this one here, had nobody looked at this one",
        ),
        _number(
            "near_seen_ft",
            "ft",
            "distance within which ten other lines have been seen; NULL where fewer are placed",
        ),
        _number("lon", "degrees", "longitude of the building; NULL on a grid without a code"),
        _number("lat", "degrees", "latitude of the building, likewise"),
        _flag("has_foreign_line", "another utility's line was seen crossing the pipe: stop work"),
        _flag(
            "tells_own_results",
            "every client whose line was looked at here allows to tell the result with the address",
        ),
        STATUS,
        SENTENCE,
    ),
)

LOT_SEGMENTS = PublishedTable(
    "lot_segments",
    "one segment in use on a lot",
    ("lot_id", "sequence"),
    (
        LOT_ID,
        _count("sequence", "order along the line, 1 next to the building"),
        MATERIAL,
        _text("material_source", "recorded, works or not_recorded"),
        _flag("is_imputed", "material or install year is not on record and was estimated as a distribution"),
        _number("diameter_in", "in", "nominal diameter"),
        _number("depth_ft", "ft", "depth to invert"),
        _number("length_ft", "ft", "length"),
        _number("install_year_min", "year", "earliest year laid"),
        _number("install_year_max", "year", "latest year laid"),
        _text("install_source", "where the install years come from"),
        _text("era", "era of the install year"),
        *_chance("failure_probability", "estimated chance that this segment has a repair-grade finding now"),
    ),
)

LOT_INSPECTIONS = PublishedTable(
    "lot_inspections",
    "one inspection of a lot",
    ("lot_id", "inspection_id"),
    (
        LOT_ID,
        _text("inspection_id", "identifies the inspection"),
        PublishedColumn(
            "inspection_date", "date", "", "day of the camera run; NULL where only ages are kept"
        ),
        _number("look_year", "decimal year", "the same as a number, or the age where only ages are kept"),
        _text("purpose", "why the camera went in"),
        _flag("is_selected", "made because something was wrong; kept out of curves"),
        _text("verdict", "worst verdict of the line at this look; NULL where not judged"),
        _flag("is_bad", "a repair-grade finding was seen; NULL where not judged"),
        _text("rule", "the rule and number that decided, in words"),
        _number("end_ft", "ft", "footage reached"),
        _flag("reached_tie_in", "the camera reached the main or manhole"),
        _flag("line_drained", "the line was drained before bellies were judged"),
        _count("n_findings", "findings on record"),
    ),
)

LOT_FINDINGS = PublishedTable(
    "lot_findings",
    "one finding of an inspection",
    ("lot_id", "inspection_id", "number"),
    (
        LOT_ID,
        _text("inspection_id", "identifies the inspection"),
        _count("number", "order within the inspection"),
        _text("kind", "what was seen"),
        _number("at_ft", "ft", "footage from the access point"),
        _number("to_ft", "ft", "end footage of a stretch"),
        _number("water_depth_in", "in", "greatest water depth"),
        _number("loss_pct", "% of area, 0 to 100", "share of the cross-section lost"),
        _number("offset_in", "in", "step or gap at a joint"),
        _text("note", "free text"),
    ),
)

LOT_REASONS = PublishedTable(
    "lot_reasons",
    "one reason behind a lot's score",
    ("lot_id", "position"),
    (
        LOT_ID,
        _count("position", "order, 1 first"),
        _text(
            "kind",
            "own_look, pipe, place, block, like, limits (of the lot's own looks and records) or no_estimate",
        ),
        _text("reason", "one plain sentence"),
    ),
)

BLOCKS = PublishedTable(
    "blocks",
    "one block: what was seen against what material, age and depth lead to expect",
    ("block",),
    (
        _text("block", "block"),
        _text("subdivision", "subdivision that most of its lots belong to"),
        X_FT,
        Y_FT,
        *BOUNDS,
        _text("outline_wkt", "outline as WKT in the map's grid [ft]"),
        _count("n_lots", "lots"),
        _count("n_inspected", "lots with an unselected, judged look; the newest counts"),
        _number("coverage_share", "share, 0 to 1", "n_inspected / n_lots"),
        _count(
            "n_observed",
            "of these, with a repair-grade finding at that look or an earlier pipe that had failed by then",
        ),
        _number("observed_share", "share, 0 to 1", "n_observed / n_inspected"),
        _number("expected", "lots", "lots expected with one, were this block like any other"),
        _number("expected_lower", "lots", "lower bound of the number that chance alone allows"),
        _number("expected_upper", "lots", "upper bound of the number that chance alone allows"),
        _number("ratio", "ratio", "n_observed / expected"),
        _number("mean_failure_probability", "probability, 0 to 1", "mean score of its lots"),
        STATUS,
        SENTENCE,
    ),
)

SUBDIVISIONS = PublishedTable(
    "subdivisions",
    "one subdivision",
    ("subdivision",),
    (
        _text("subdivision", "subdivision"),
        X_FT,
        Y_FT,
        *BOUNDS,
        _count("year_built_from", "year of its oldest building"),
        _count("year_built_to", "year of its newest building"),
        _count("n_lots", "lots"),
        _count("n_scored", "lots with a score"),
        _count("n_inspected", "lots with an unselected, judged look; the newest counts"),
        _number("coverage_share", "share, 0 to 1", "n_inspected / n_lots"),
        _count(
            "n_observed",
            "of these, with a repair-grade finding at that look or an earlier pipe that had failed by then",
        ),
        _number("expected", "lots", "lots expected with one at those looks, were it like any other"),
        _number("expected_lower", "lots", "lower bound of the number that chance alone allows"),
        _number("expected_upper", "lots", "upper bound of the number that chance alone allows"),
        _number("ratio", "ratio", "n_observed / expected"),
        _number("expected_failed_now", "lots", "scored lots expected to have a repair-grade finding now"),
        _number("expected_failed_now_lower", "lots", "lower bound of that number"),
        _number("expected_failed_now_upper", "lots", "upper bound of that number"),
        _number("threshold_probability", "probability, 0 to 1", "threshold of above_threshold_share"),
        _number(
            "above_threshold_share", "share, 0 to 1", "scored lots whose chance now exceeds the threshold"
        ),
        STATUS,
        SENTENCE,
    ),
)

SUBDIVISION_COUNTS = PublishedTable(
    "subdivision_counts",
    "one subdivision and a number of lots",
    ("subdivision", "k"),
    (
        _text("subdivision", "subdivision"),
        _count("k", "number of lots"),
        _number("probability_at_least", "probability, 0 to 1", "chance that k or more have a finding now"),
    ),
)

CONNECTIONS = PublishedTable(
    "connections",
    "one connection of a lateral to the public sewer, ranked by chance times consequence",
    ("lot_id",),
    (
        LOT_ID,
        _text("main_id", "main it ties into"),
        _text("manhole_id", "manhole it ties into; NULL where it meets the main"),
        _number("station_ft", "ft", "distance along the main"),
        _number("tie_in_x", "see the lots' grid", "easting of the tie-in, in the grid of the records"),
        _number("tie_in_y", "see the lots' grid", "northing of the tie-in, likewise"),
        _number("lon", "degrees", "longitude of the tie-in; NULL on a grid without a code"),
        _number("lat", "degrees", "latitude of the tie-in, likewise"),
        _text("place", "how the point was found: manhole, station, nearest (to the lot), or lot"),
        _number("main_depth_ft", "ft", "depth of the main, or of the manhole, to invert"),
        _text("street_class", "class of the street"),
        _flag("near_water", "water is near the main"),
        _flag("infiltration", "a camera saw ground water coming in since the line was last renewed"),
        _flag("has_foreign_line", "another utility's line was seen crossing the pipe: stop work"),
        _count("sharing_manhole", "laterals that meet in its manhole; 0 where it meets the main"),
        _text("tie_in_material", "material of the last segment"),
        _number("tie_in_install_year_min", "year", "earliest year that segment was laid"),
        _number("tie_in_install_year_max", "year", "latest year that segment was laid"),
        *_chance("tie_in_failure_probability", "chance that the last segment has a repair-grade finding now"),
        *_chance("line_failure_probability", "chance that the whole line has one now"),
        _number(
            "rest_failure_probability",
            "probability, 0 to 1",
            "chance that the rest of the line has one now; NULL where the last segment is the whole line",
        ),
        _number("consequence", "times", "how many times worse than under a shallow local street"),
        _text("consequence_reasons", "weights that apply, in words"),
        _text("not_on_record", "facts that weights ask for and nobody recorded; they weigh 1"),
        _number("risk_points", "points", "chance of the ranked part times consequence"),
        _number("risk_points_lower", "points", "lower bound of risk_points"),
        _number("risk_points_upper", "points", "upper bound of risk_points"),
        _count("risk_rank", "1 for the greatest risk_points"),
        _number(
            "in_list_probability",
            "probability, 0 to 1",
            "share of parameter draws in which it is among the first (places of the list: connection_assumptions)",
        ),
        _count("bundle", "connections with the same number share one mobilisation"),
        _count("spending_order", "order in which money buys most; NULL where the chance is nil"),
        _count("package", "connections of one package are only worth while together"),
        _number("cost_low_usd", "US dollars", "own cost without mobilisation, low"),
        _number("cost_likely_usd", "US dollars", "own cost without mobilisation, likely"),
        _number("cost_high_usd", "US dollars", "own cost without mobilisation, high"),
        _number("mobilisation_low_usd", "US dollars", "setting up its bundle, paid once for all in it, low"),
        _number("mobilisation_likely_usd", "US dollars", "setting up its bundle, likely"),
        _number("mobilisation_high_usd", "US dollars", "setting up its bundle, high"),
        STATUS,
        SENTENCE,
    ),
)

CONNECTION_CURVE = PublishedTable(
    "connection_curve",
    "a sum of money spent on connections in the best order, and what it buys",
    ("n_connections",),
    (
        _count("n_connections", "connections renewed"),
        _number("cost_usd", "US dollars", "likely cost, each mobilisation once"),
        _number("risk_points", "points", "risk taken away"),
        _number("risk_points_lower", "points", "lower bound of risk_points"),
        _number("risk_points_upper", "points", "upper bound of risk_points"),
        _number("share_of_risk", "share, 0 to 1", "of the risk of all ranked connections"),
    ),
)

CONNECTION_ASSUMPTIONS = PublishedTable(
    "connection_assumptions",
    "one assumption behind the ranking of connections",
    ("position",),
    (
        _count("position", "order"),
        _text("name", "what it is"),
        _text("value", "its value, in words"),
        _text("source", "where it comes from"),
    ),
)

LIFE_LAW_PARTS = PublishedTable(
    "life_law_parts",
    "one part of the fitted laws of life, with its parameter draws: what a pipe is, where it lies, its area",
    ("part", "code"),
    (
        _text("part", "'pipe' (material and era), 'site' (depth, soil, tree) or 'area'"),
        _text("code", "which of them"),
        _flag(
            "is_on_record",
            "pipe of this material is on record; else its law is that of average pipe, less sure",
        ),
        _numbers(
            "log_hazard",
            "log",
            "by draw: log cumulative hazard of a pipe at 40 years, or what a site or an area adds to it",
        ),
        _numbers("log_shape", "log", "by draw: log shape of a pipe"),
        _numbers(
            "start_log_odds", "log odds", "by draw: of being bad from the day of laying; NULL where none is"
        ),
    ),
)

PIPE_ENTRIES = PublishedTable(
    "pipe_entries",
    "one thing that a segment in use may be: several where material or year laid are not on record",
    ("lot_id", "sequence", "entry"),
    (
        LOT_ID,
        _count("sequence", "order along the line, as in lot_segments"),
        _count("entry", "order"),
        _count(
            "state",
            "row of pipe_states; NULL where no look tells of it: then its law says how likely it has failed",
        ),
        _text("pipe", "code of its part 'pipe' in life_law_parts"),
        _text("site", "code of its part 'site'"),
        _text("area", "code of its part 'area'"),
        _number(
            "prior_probability", "probability, 0 to 1", "chance of this entry before any look; sums to 1"
        ),
        _number("age_from_years", "years", "least age now; negative where not even laid"),
        _number("age_to_years", "years", "greatest age now"),
    ),
)

PIPE_STATES = PublishedTable(
    "pipe_states",
    "one state that segments are known to be in",
    ("state",),
    (
        _count("state", "identifies the state"),
        _numbers(
            "failed_now",
            "probability, 0 to 1",
            "by draw: chance of a repair-grade finding now, given all looks",
        ),
    ),
)

UNIT_COSTS = PublishedTable(
    "unit_costs",
    "what a method costs, as loaded",
    ("method", "diameter_in", "depth_band", "surface"),
    (
        _text("method", "method of renewal"),
        _number("diameter_in", "in", "nominal diameter; NULL fits any"),
        _text("depth_band", "depth band; NULL fits any"),
        _text("surface", "surface to be restored; NULL fits any"),
        _text("unit", "per foot or each"),
        _money("low_usd", "low"),
        _money("likely_usd", "likely"),
        _money("high_usd", "high"),
        _count("base_year", "year of the prices"),
    ),
)

GROUP = (
    _text("group_kind", "'portfolio' or 'subdivision'"),
    _text("group_name", "which of them"),
)

BUDGETS = PublishedTable(
    "budgets",
    "one policy for a portfolio or a subdivision",
    ("group_kind", "group_name", "policy"),
    (
        *GROUP,
        _text("policy", "code of the policy"),
        _text("policy_label", "what is done, in a few words"),
        _count("position", "order in which policies are shown"),
        _count("n_lots", "lots counted"),
        _count(
            "n_borrowed", "of these, without a line on record: taken to be like the lines of similar houses"
        ),
        _count("n_left_out", "lots of which too little is known to be counted"),
        _number("horizon_years", "years", "years looked ahead"),
        _money("present_value", "mean present value of all that is spent"),
        _money("present_value_p10", "10 % quantile of it"),
        _money("present_value_p50", "50 % quantile of it"),
        _money("present_value_p90", "90 % quantile of it"),
        _money("emergency_present_value", "of the mean, what trouble that cannot wait costs"),
        _number("expected_emergencies", "pipes", "mean number of pipes renewed because of trouble"),
        _number("expected_planned", "pipes", "mean number of pipes renewed as planned"),
        _money(
            "opening_balance_usd", "balance now with which a reserve lasts in the wanted share of futures"
        ),
        _money("first_contribution_usd", "contribution of year 1 to it, growing with prices"),
        STATUS,
        SENTENCE,
    ),
)

BUDGET_YEARS = PublishedTable(
    "budget_years",
    "one year of a policy",
    ("group_kind", "group_name", "policy", "year"),
    (
        *GROUP,
        _text("policy", "code of the policy"),
        _count("year", "year from now, 1 first"),
        _count("calendar_year", "calendar year that it begins in; NULL where only ages are kept"),
        _money("mean_usd", "mean spent, in that year's money"),
        _money("p10_usd", "10 % quantile of it"),
        _money("p50_usd", "50 % quantile of it"),
        _money("p90_usd", "90 % quantile of it"),
        _money("planned_usd", "of the mean: planned renewal"),
        _money("emergency_usd", "of the mean: trouble that cannot wait"),
        _money("camera_usd", "of the mean: cameras"),
        _money("cumulative_p10_usd", "10 % quantile of all spent so far"),
        _money("cumulative_p50_usd", "50 % quantile of all spent so far"),
        _money("cumulative_p90_usd", "90 % quantile of all spent so far"),
    ),
)

BUDGET_LOTS = PublishedTable(
    "budget_lots",
    "one lot's part in a budget: those that cost most, and those where a camera is worth most",
    ("group_kind", "group_name", "lot_id"),
    (
        *GROUP,
        LOT_ID,
        _text("address", "street address as recorded"),
        _money("wait_present_value", "mean present value if everything waits for trouble"),
        _number("share_of_total", "share, 0 to 1", "of the group's"),
        _number("emergency_probability", "probability, 0 to 1", "chance of trouble within the horizon"),
        _money(
            "camera_value",
            "what a camera is worth before deciding to renew now or to leave, its price taken off",
        ),
        _count("camera_rank", "1 for the greatest camera_value; NULL where it is not worth its price"),
    ),
)

BUDGET_ASSUMPTIONS = PublishedTable(
    "budget_assumptions",
    "one assumption behind all budgets",
    ("position",),
    (
        _count("position", "order"),
        _text("name", "what it is"),
        _text("value", "its value, in words"),
        _text("source", "where it comes from"),
    ),
)

CANVASS_AREAS = PublishedTable(
    "canvass_areas",
    "a block, or small blocks of one subdivision together: failures nobody has seen yet, safe to hand on",
    ("area_id",),
    (
        _count("area_id", "number of the area in this build, best first"),
        _count("rank", "1 for the most unseen failures per door; NULL where held back"),
        _text("name", "name of the block, or how many smaller blocks of which subdivision"),
        _text("subdivision", "subdivision"),
        _text("blocks", "blocks that it holds, separated by commas"),
        _count("n_blocks", "blocks that it holds"),
        X_FT,
        Y_FT,
        _number("lon", "degrees", "longitude of the middle of its lots; NULL on a grid without a code"),
        _number("lat", "degrees", "latitude of the middle, likewise"),
        _count("n_lots", "lots"),
        _count("n_doors", "lots that may be contacted"),
        _count("n_seen_about", "lines that a camera has been in, rounded down to fives"),
        _number(
            "expected_unseen", "lots", "expected repair-grade findings in lines that no camera has been in"
        ),
        _number("expected_unseen_lower", "lots", "lower bound of expected_unseen"),
        _number("expected_unseen_upper", "lots", "upper bound of expected_unseen"),
        _number("per_door", "lots per door", "expected_unseen / n_doors"),
        _number("per_door_lower", "lots per door", "lower bound of per_door"),
        _number("per_door_upper", "lots per door", "upper bound of per_door"),
        STATUS,
        SENTENCE,
    ),
)

CANVASS_LOTS = PublishedTable(
    "canvass_lots",
    "one door of an area; inspected or not, so that being listed tells nothing",
    ("lot_id",),
    (LOT_ID, _count("area_id", "area of canvass_areas")),
)

RECORD_COUNTS = PublishedTable(
    "record_counts",
    "one table of the records",
    ("table_name",),
    (
        _text("table_name", "table of the data contract"),
        _count("n_rows", "rows on record"),
        _count("n_superseded", "older rows kept aside"),
    ),
)

LOADS = PublishedTable(
    "loads",
    "one load of one file",
    ("load_id",),
    (
        _count("load_id", "order of loading"),
        _text("file_name", "file"),
        _text("map_name", "column map used"),
        _text("layout", "layout of the file"),
        PublishedColumn("loaded_at", "timestamp", "UTC", "when"),
        _count("n_read", "rows read: accepted + unchanged + duplicate + rejected"),
        _count("n_accepted", "rows taken"),
        _count("n_unchanged", "rows already on record in the same words"),
        _count("n_duplicate", "rows repeated within the file"),
        _count("n_superseded", "older rows replaced by this load"),
        _count("n_rejected", "rows not taken"),
    ),
)

REJECTS = PublishedTable(
    "rejects",
    "one fault of a row that was not taken; the newest 5,000",
    ("load_id", "source_row", "column_name", "reason_code"),
    (
        _count("load_id", "load"),
        _text("file_name", "file"),
        _count("source_row", "row as a spreadsheet numbers it"),
        _text("table_name", "table of the data contract"),
        _text("column_name", "column"),
        _text("value", "value as given"),
        _text("reason_code", "reason code"),
        _text("reason", "what is wrong and what to do"),
    ),
)

REJECT_COUNTS = PublishedTable(
    "reject_counts",
    "file and reason",
    ("file_name", "reason_code"),
    (
        _text("file_name", "file"),
        _text("reason_code", "reason code"),
        _text("meaning", "the reason in words"),
        _count("n_rejects", "faults of this kind, all of them"),
    ),
)

FINDINGS_ON_RECORDS = PublishedTable(
    "findings_on_records",
    "one contradiction found in accepted records",
    ("kind", "table_name", "lot_id", "inspection_id", "detail"),
    (
        _text("kind", "kind of contradiction"),
        _text("meaning", "the kind in words"),
        _text("table_name", "table that holds the records"),
        _text("lot_id", "lot, where one lot is meant"),
        _text("inspection_id", "inspection, where one is meant"),
        _text("detail", "what was found, with its numbers"),
        _count("n", "records concerned"),
    ),
)

CHANGES = PublishedTable(
    "changes",
    "one number of this build beside the same of the build before; no rows where there was none",
    ("position",),
    (
        _count("position", "order of showing"),
        _text("topic", "records, curves, scores or areas"),
        _text("item", "what is counted or estimated, in words"),
        _text("unit", "years, share, or empty for counts"),
        _number("before", "see unit", "in the build before; NULL where it had none"),
        _number("after", "see unit", "in this build"),
        _text("run_before", "run of the build before"),
        PublishedColumn("built_before", "timestamp", "UTC", "when that was built"),
    ),
)

CHANGED_LOTS = PublishedTable(
    "changed_lots",
    "one lot whose chance moved most since the build before; the 50 largest moves",
    ("lot_id",),
    (
        LOT_ID,
        _text("address", "street address as recorded"),
        _number("failure_probability_before", "probability, 0 to 1", "failure_probability of the build before"),
        _number("failure_probability", "probability, 0 to 1", "chance that a repair-grade finding is there now"),
    ),
)  # fmt: skip

#: `hot_spots.label` and what it says.
HOT_SPOT_LABELS = {
    "firm": "more failures than material, age and depth explain, and more than blocks differ anyway",
    "unproven": "more failures than material, age and depth explain, but not more than blocks differ anyway",
}

HOT_SPOT_SCANS = PublishedTable(
    "hot_spot_scans",
    "one search for hot spots, over all looks or recent ones",
    ("period",),
    (
        _text("period", "all, or recent: looks of the last years only"),
        _number("recent_years", "years", "how far back looks were taken; NULL for all"),
        _count("n_lots", "lots with a judged, unselected look and a location"),
        _count("n_observed", "of these, with a repair-grade finding or an earlier pipe that had failed"),
        _number("expected", "lots", "lots expected with one, from material, age and depth"),
        _count("n_without_place", "lots with such a look that were left out, for they have no location"),
        _count("n_draws", "draws of towns without a hot spot behind each p-value"),
        _number("block_variance", "variance", "of hazards between blocks, mean 1: how blocks differ anyway"),
        _number("least_p_value", "probability, 0 to 1", "of the most surprising zone, published or not"),
        STATUS,
        SENTENCE,
    ),
)

HOT_SPOTS = PublishedTable(
    "hot_spots",
    "one zone with more failures than material, age and depth explain",
    ("period", "zone"),
    (
        _text("period", "search that it belongs to"),
        _count("zone", "order, most surprising first"),
        _text("label", "firm, or unproven: blocks that merely differ could make it"),
        _text("meaning", "the label in words"),
        X_FT,
        Y_FT,
        _number("radius_ft", "ft", "distance from the centre to the farthest site of the zone"),
        _number("lon", "degrees", "longitude of the centre; NULL on a grid without a code"),
        _number("lat", "degrees", "latitude of the centre, likewise"),
        _text("outline_wkt", "outline around its lots as WKT in the map's grid [ft]"),
        _text("outline_degrees_wkt", "the same in longitude and latitude; NULL on a grid without a code"),
        _text("core_wkt", "outline around its core as WKT in the map's grid [ft]; NULL where it has none"),
        _text("subdivisions", "subdivisions that it touches, the one with most of its lots first"),
        _count("n_lots", "lots inside, inspected or not"),
        _count("n_inspected", "of these, with a judged, unselected look"),
        _number("coverage_share", "share, 0 to 1", "n_inspected / n_lots"),
        _count("n_observed", "inspected lots with a repair-grade finding"),
        _number("expected", "lots", "lots expected with one, from material, age and depth"),
        _number("expected_lower", "lots", "lower bound of expected, from the uncertainty of the fit"),
        _number("expected_upper", "lots", "upper bound of expected, likewise"),
        _number("ratio", "ratio", "n_observed / expected"),
        _number("log_ratio", "nats", "log likelihood ratio of the scan"),
        _number(
            "p_value", "probability, 0 to 1", "chance of such a zone anywhere, did the baseline explain all"
        ),
        _text("p_value_method", "rank among the draws, or gumbel: tail of a law fitted to them"),
        _number(
            "p_value_blocks",
            "probability, 0 to 1",
            "chance of such a zone anywhere, if blocks differ as they do over the town",
        ),
        _text("p_value_blocks_method", "how that was had; at_least where it is no smaller than this"),
        _count("n_core", "inspected lots that are in the zone in 80 % of re-draws of the failures"),
        _text("warning", "with what it coincides that is not of the pipes; '' for nothing"),
        SENTENCE,
    ),
)

HOT_SPOT_LOTS = PublishedTable(
    "hot_spot_lots",
    "zone and a lot inside it",
    ("period", "zone", "lot_id"),
    (
        _text("period", "search"),
        _count("zone", "zone"),
        LOT_ID,
        _flag("is_inspected", "it has a judged, unselected look"),
        _number("membership_share", "share, 0 to 1", "re-draws in which it is inside; NULL if not inspected"),
        _flag("is_core", "it is in the zone in 80 % of re-draws; NULL if not inspected"),
    ),
)

LOT_EXPECTATIONS = PublishedTable(
    "lot_expectations",
    "one lot with a judged, unselected look: what was to be expected of it, and of the lots around",
    ("lot_id",),
    (
        LOT_ID,
        *_chance("expected", "chance of a repair-grade finding at that look, from material, age and depth"),
        _number(
            "gi_star_z",
            "normal deviate",
            "excess of failures among it and the nearest 30 looks (Gi* with the model's moments); NULL without a location",
        ),
        _number("gi_star_q_value", "probability, 0 to 1", "one-sided, adjusted for false discoveries"),
    ),
)

AREA_HAZARDS = PublishedTable(
    "area_hazards",
    "one block, subdivision or grid cell: observed, expected, and its hazards against the town's",
    ("area_kind", "area"),
    (
        _text("area_kind", "block, subdivision or cell"),
        _text("area", "block, subdivision, or column and row of the cell"),
        X_FT,
        Y_FT,
        _count("n_lots", "lots"),
        _count("n_inspected", "lots with a judged, unselected look"),
        _number("coverage_share", "share, 0 to 1", "n_inspected / n_lots"),
        _count("n_observed", "of these, with a repair-grade finding; NULL where too few were inspected"),
        _number("expected", "lots", "lots expected with one, from material, age and depth"),
        _number("expected_lower", "lots", "lower bound of expected, from the uncertainty of the fit"),
        _number("expected_upper", "lots", "upper bound of expected, likewise"),
        _number("multiplier", "ratio", "hazard against the town's, drawn towards the town"),
        _number("multiplier_lower", "ratio", "lower bound of multiplier"),
        _number("multiplier_upper", "ratio", "upper bound of multiplier"),
        _number("multiplier_notable_probability", "probability, 0 to 1", "chance that it is above 1.25"),
        _number("neighbour_multiplier", "ratio", "hazard against the town's, drawn towards its neighbours"),
        _number("neighbour_multiplier_lower", "ratio", "lower bound of neighbour_multiplier"),
        _number("neighbour_multiplier_upper", "ratio", "upper bound of neighbour_multiplier"),
        _number(
            "neighbour_multiplier_notable_probability", "probability, 0 to 1", "chance that it is above 1.25"
        ),
        _number("gi_star_z", "normal deviate", "Getis-Ord Gi* of standardised excess"),
        _number("gi_star_q_value", "probability, 0 to 1", "one-sided, adjusted for false discoveries"),
        _number("moran_z", "normal deviate", "local Moran of standardised excess"),
        _number("moran_q_value", "probability, 0 to 1", "two-sided, adjusted for false discoveries"),
        STATUS,
        SENTENCE,
    ),
)

LOCAL_EFFECTS = PublishedTable(
    "local_effects",
    "kind of area and way of drawing multipliers together: whether they foretell lots left out",
    ("area_kind", "method"),
    (
        _text("area_kind", "block, subdivision or cell"),
        _text("method", "towards_town (gamma) or towards_neighbours (conditional autoregression)"),
        _number("variance", "variance", "between areas: of the multiplier (gamma) or of its logarithm"),
        _number("neighbour_share", "share, 0 to 1", "how far areas are drawn towards their neighbours"),
        _number("log_likelihood_gain", "nats", "log marginal likelihood above that of no difference"),
        _number(
            "gain_known_areas", "nats per look", "log score won on lots left out of areas that are known"
        ),
        _number("gain_known_areas_error", "nats per look", "its standard error"),
        _number("gain_unknown_areas", "nats per look", "log score won on areas left out whole"),
        _number("gain_unknown_areas_error", "nats per look", "its standard error"),
        _flag("is_used", "it helps, and is the best of its kind of area; False: switched off"),
        SENTENCE,
    ),
)

RISK_SURFACE = PublishedTable(
    "risk_surface",
    "one cell of a smoothed map of observed over expected, for display only",
    ("x_ft", "y_ft"),
    (
        X_FT,
        Y_FT,
        _number("size_ft", "ft", "side of the cell"),
        _number("relative_risk", "ratio", "smoothed observed over smoothed expected"),
        _number("expected", "lots", "expected failures that the smoothing takes in there"),
    ),
)

TABLES: dict[str, PublishedTable] = {
    table.name: table
    for table in (
        RUN,
        OUTCOMES,
        CURVE_GROUPS,
        CURVES,
        FITTED_GROUPS,
        FITTED_CURVES,
        LOOK_COUNTS,
        LOOK_GROUPS,
        REGRESSION_TERMS,
        VALIDATION_QUESTIONS,
        VALIDATION_SCORES,
        VALIDATION_CALIBRATION,
        LOTS,
        LOT_SEGMENTS,
        LOT_INSPECTIONS,
        LOT_FINDINGS,
        LOT_REASONS,
        BLOCKS,
        SUBDIVISIONS,
        SUBDIVISION_COUNTS,
        HOT_SPOT_SCANS,
        HOT_SPOTS,
        HOT_SPOT_LOTS,
        LOT_EXPECTATIONS,
        AREA_HAZARDS,
        LOCAL_EFFECTS,
        RISK_SURFACE,
        CONNECTIONS,
        CONNECTION_CURVE,
        CONNECTION_ASSUMPTIONS,
        CANVASS_AREAS,
        CANVASS_LOTS,
        LIFE_LAW_PARTS,
        PIPE_ENTRIES,
        PIPE_STATES,
        UNIT_COSTS,
        BUDGETS,
        BUDGET_YEARS,
        BUDGET_LOTS,
        BUDGET_ASSUMPTIONS,
        RECORD_COUNTS,
        LOADS,
        REJECTS,
        REJECT_COUNTS,
        FINDINGS_ON_RECORDS,
        CHANGES,
        CHANGED_LOTS,
    )
}

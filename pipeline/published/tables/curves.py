"""Curves of failure by age, what the cameras saw, and the regression's terms."""

from __future__ import annotations

from pipeline.published.table_types import (
    MATERIAL,
    N_BAD,
    OUTCOME,
    SENTENCE,
    STATUS,
    PublishedTable,
    chance,
    count,
    flag,
    number,
    text,
)
from pipeline.vocabulary import Outcome

OUTCOMES = PublishedTable(
    "outcomes",
    "one outcome and the regression behind its fitted curves",
    ("outcome",),
    (
        OUTCOME,
        text("meaning", "what counts"),
        count("n_looks", "unselected looks at which it could be judged"),
        N_BAD,
        count("n_line_looks", "unselected overall verdicts on lines of several segments, used as such"),
        *chance(
            "sensitivity",
            "chance that the camera calls a failed life bad: as given (no bounds), or what the records made of that",
        ),
        number("sensitivity_given", "probability, 0 to 1", "the same as the settings have it"),
        number(
            "sensitivity_given_looks", "looks", "looks that this is worth; NULL where it is taken as given"
        ),
        *chance("specificity", "chance that the camera calls a sound life good, likewise"),
        number("specificity_given", "probability, 0 to 1", "the same as the settings have it"),
        number(
            "specificity_given_looks", "looks", "looks that this is worth; NULL where it is taken as given"
        ),
        count("n_repeat_lives", "lives looked at more than once while the same pipe lay there unrepaired"),
        count("n_bad_then_good", "of these, lives called failed and at a later look sound"),
        count("n_good_then_bad", "of these, lives called sound and within two years failed"),
        text("camera_sentence", "what is said beforehand of the camera, and what the records made of it"),
        text("family", "law of life of the regression: weibull, log-logistic or gompertz"),
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
        count("n_lives", "lives with at least one unselected look"),
        count("n_looks", "unselected looks"),
        count("n_bad", "lives seen failed"),
        count("n_band_looks", "looks behind the band"),
        number("last_determined_age_years", "years", "oldest age that the records speak of"),
        number("median_age_years", "years", "age by which half have failed; NULL where not reached"),
        text("band_method", "how the band was made"),
        number(
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
        number("age_years", "years", "age of the pipe"),
        number(
            "failure_probability", "probability, 0 to 1", "share failed by this age; NULL where undetermined"
        ),
        number("undetermined_from", "probability, 0 to 1", "least value the records allow here"),
        number(
            "undetermined_to",
            "probability, 0 to 1",
            "greatest value the records allow here; equals undetermined_from where determined",
        ),
        number("failure_probability_lower", "probability, 0 to 1", "lower end of the band"),
        number("failure_probability_upper", "probability, 0 to 1", "upper end of the band"),
        number(
            "smoothed_probability",
            "probability, 0 to 1",
            "failure_probability smoothed, for the eye; NULL where undetermined",
        ),
        flag("is_determined", "the records fix the curve at this age"),
    ),
)

FITTED_GROUPS = PublishedTable(
    "fitted_groups",
    "outcome and material of a fitted curve, drawn or refused",
    ("outcome", "material"),
    (
        OUTCOME,
        MATERIAL,
        count("n_looks", "unselected looks at this material"),
        N_BAD,
        number(
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
        number("age_years", "years", "age of the pipe"),
        *chance("failure_probability", "fitted share failed by this age"),
        flag("is_extension", "older than the oldest look at this material"),
    ),
)

LOOK_COUNTS = PublishedTable(
    "look_counts",
    "outcome, material and age band: what the cameras saw",
    ("outcome", "material", "age_from_years"),
    (
        OUTCOME,
        MATERIAL,
        number("age_from_years", "years", "start of the band, included"),
        number("age_to_years", "years", "end of the band, not included"),
        count("n_looks", "unselected looks"),
        N_BAD,
        number("bad_share", "share, 0 to 1", "n_bad / n_looks"),
    ),
)

_LOOK_COLUMNS = (
    text("era", "era of the install year"),
    text("subdivision", "subdivision; NULL where not recorded"),
    text("portfolio", "portfolio of the lot; NULL where it has none"),
    text("purpose", "why the camera went in"),
    flag("is_selected", "made because something was already wrong: in no curve of the build"),
    count("look_year", "calendar year of the look; NULL where only ages are kept"),
)
_OF_LOOKS = tuple(column.name for column in _LOOK_COLUMNS)

LOOK_GROUPS = PublishedTable(
    "look_groups",
    "material, era, area, purpose, year of the look and age band: counts of each outcome, to be added up",
    ("material", *_OF_LOOKS, "age_from_years"),
    (
        MATERIAL,
        *_LOOK_COLUMNS,
        number("age_from_years", "years", "start of the age band, included"),
        number("age_to_years", "years", "end of the band, not included"),
        *(
            column
            for outcome in Outcome.codes()
            for column in (
                count(f"n_looks_{outcome}", f"looks ({outcome})"),
                count(f"n_bad_{outcome}", f"of these, with a repair-grade finding ({outcome})"),
            )
        ),
    ),
)

LOOK_HISTORIES = PublishedTable(
    "look_histories",
    "looks at pipe whose year is known well enough for a stepped curve, alike ones together: what the curve of any "
    "choice of looks is drawn from",
    (
        "material", *_OF_LOOKS, "age_years", "history", "position",
        *(f"is_bad_{outcome}" for outcome in Outcome.codes()),
    ),
    (
        MATERIAL,
        *_LOOK_COLUMNS,
        number("age_years", "years", "age of the pipe at the look, in whole years"),
        count("history", "tells apart pipes looked at more than once; NULL where looked at once"),
        count("position", "order of the look among those at this pipe, 1 the first; looks of one day share one"),
        count("n_looks", "looks of which all this holds: each at a pipe of its own, or all at the pipe of a history"),
        *(
            flag(f"is_bad_{outcome}", f"a repair-grade finding ({outcome}); NULL where not judged")
            for outcome in Outcome.codes()
        ),
    ),
)  # fmt: skip

REGRESSION_TERMS = PublishedTable(
    "regression_terms",
    "outcome and term of the regression",
    ("outcome", "term"),
    (
        OUTCOME,
        text("term", "code of the term"),
        text("meaning", "what the term says, in plain words"),
        number("estimate", "see meaning", "estimate"),
        number("standard_error", "see meaning", "standard error"),
        number("estimate_lower", "see meaning", "lower bound of estimate"),
        number("estimate_upper", "see meaning", "upper bound of estimate"),
    ),
)

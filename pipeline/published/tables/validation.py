"""How well looks that were kept from the fit were foretold."""

from __future__ import annotations

from pipeline.published.table_types import (
    MATERIAL,
    N_BAD,
    OUTCOME,
    SENTENCE,
    STATUS,
    PublishedTable,
    count,
    flag,
    number,
    text,
    with_range,
)

QUESTION = text(
    "question",
    "later_looks (fitted up to a date), other_subdivisions (left out of the fit in turn) or, where no subdivision or "
    "block is on record, other_lots",
)

MODEL = text(
    "model",
    "life_regression (under the chosen law of life), trees (no law of ageing assumed), age_only, base_rate, or the "
    "law of life of another life regression",
)

LAWS_TRIED = PublishedTable(
    "laws_tried",
    "outcome and law of life: how well fits under it foretold looks that were kept from them",
    ("outcome", "law"),
    (
        OUTCOME,
        text("law", "weibull, log-logistic or gompertz"),
        flag("is_chosen", "scores, curves and budgets rest on it"),
        count("n_looks", "camera looks foretold, under both questions together; NULL where none was"),
        number(
            "log_score", "nats per look", "mean of -log of the chance given to what happened; lower is better"
        ),
        number("log_score_error", "nats per look", "standard error of log_score, areas taken as independent"),
        number("behind_weibull", "nats per look", "log_score less that of the Weibull on the same looks"),
        number("behind_weibull_error", "nats per look", "standard error of that difference, likewise"),
        number(
            "log_marginal_likelihood",
            "nats",
            "of the looks that were fitted, summed over the parts of a question and averaged over the questions "
            "(Laplace's approximation); higher is better",
        ),
        STATUS,
        SENTENCE,
    ),
)

VALIDATION_QUESTIONS = PublishedTable(
    "validation_questions",
    "outcome and a way of keeping looks from the fit: what was found",
    ("outcome", "question"),
    (
        OUTCOME,
        QUESTION,
        count("n_fitted", "camera looks behind each fit, on average"),
        count("n_looks", "camera looks that were foretold"),
        text("best_model", "model of the least log score; NULL where nothing was foretold"),
        text(
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
        count("n_looks", "camera looks foretold"),
        N_BAD,
        number(
            "brier_score",
            "squared probability",
            "mean squared difference of chance and outcome; lower is better",
        ),
        number(
            "log_score", "nats per look", "mean of -log of the chance given to what happened; lower is better"
        ),
        number("log_score_error", "nats per look", "standard error of log_score, areas taken as independent"),
        number(
            "behind_life_regression",
            "nats per look",
            "log_score less that of the life regression on the same looks",
        ),
        number(
            "behind_life_regression_error", "nats per look", "standard error of that difference, likewise"
        ),
        number(
            "auc", "probability, 0 to 1", "chance that a bad look was given the higher chance than a good one"
        ),
        number(
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
        count("position", "order by foretold chance, 1 the least"),
        count("n_looks", "looks"),
        N_BAD,
        number("predicted_share", "share, 0 to 1", "mean foretold chance"),
        *with_range(
            "observed_share",
            "share, 0 to 1",
            "n_bad / n_looks",
            bounds_of="what chance alone allows around it",
        ),
    ),
)

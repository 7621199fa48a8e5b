"""Length and bore: they enter fits where looks left out are foretold better with them, and where a record tells them."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.law_choice import is_borne_out
from pipeline.progress import silent
from pipeline.settings import Settings
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome, fitted_curves, fitted_groups
from pipeline.steps.fit_sizes import size_words, with_sizes
from pipeline.steps.fit_terms import regression_terms
from pipeline.steps.validate_sizes import SizesInFits, judge_sizes, told_of_sizes

SHAPE, SCALE_YEARS, TYPICAL_FT = 2.5, 50.0, 40.0


def town(records, *, per_foot: bool, n: int = 1000):
    """Lines whose every foot fails by itself, or whose length tells nothing; a tenth have no length on record."""
    rng = np.random.default_rng(5)
    length = TYPICAL_FT * np.exp(rng.normal(0.0, 0.8, n)).round(2)
    age = rng.integers(10, 90, n)
    # Independent feet are a series: the hazard of the line is that of a foot times its feet.
    hazard = (age / SCALE_YEARS) ** SHAPE * (length / TYPICAL_FT if per_foot else 1.0)
    is_bad = rng.uniform(size=n) < -np.expm1(-hazard)
    is_told = rng.uniform(size=n) > 0.1
    bore = rng.choice([4.0, 6.0], n)
    lots = [f"L{i}" for i in range(n)]
    seen = records(
        lots=[{"lot_id": lot, "year_built": 2020 - int(a)} for lot, a in zip(lots, age, strict=True)],
        segments=[
            {
                "lot_id": lot,
                "sequence": 1,
                "from_ft": 0.0,
                "to_ft": float(feet) if told else None,
                "material": "vitrified_clay",
                "diameter_in": float(inches),
                "install_year": 2020 - int(a),
            }
            for lot, feet, told, inches, a in zip(lots, length, is_told, bore, age, strict=True)
        ],
        inspections=[
            {
                "inspection_id": lot,
                "lot_id": lot,
                "inspection_date": date(2020, 7, 1),
                "overall_verdict": "repair" if bad else "serviceable",
                "purpose": "routine",
            }
            for lot, bad in zip(lots, is_bad, strict=True)
        ],
    )
    return read_exposure(seen._warehouse, Settings(n_draws=200))


def fit(exposure):
    return fit_outcome(exposure, "any", Settings(n_draws=200), np.random.default_rng(1))


def test_where_every_foot_fails_by_itself_length_is_taken_in_and_doubles_the_hazard(records):
    found = judge_sizes(town(records, per_foot=True), "any", Settings(), silent)
    assert found.is_used
    assert "scores, curves and budgets take them in" in found.sentence
    fitted = fit(found.exposure)
    # No line is lost for want of a length.
    assert fitted.fitted.n_lives == 1000
    terms = {row["term"]: row for row in regression_terms(fitted).iter_rows(named=True)}
    length, bore = terms["hazard: length"], terms["hazard: diameter"]
    # Twice the feet, twice the hazard; bores were drawn without regard to failure. Three errors leave out one in 400.
    assert abs(length["estimate"] - np.log(2)) < 3 * length["standard_error"] < 0.3
    assert abs(bore["estimate"]) < 3 * bore["standard_error"]
    assert length["meaning"] == "per doubling of its length; above 0 longer pipe fails sooner [log hazard]"
    # The curve is that of pipe as long as what was looked at: a mixture whose chance is the mean over its lengths.
    curve = fitted_curves(fitted, fitted_groups(fitted, Settings())).filter(pl.col("age_years") == 50.0)
    feet = TYPICAL_FT * np.exp(np.random.default_rng(6).normal(0.0, 0.8, 100_000))
    truth = float(-np.expm1(-feet / TYPICAL_FT).mean())
    assert curve["failure_probability_lower"][0] < truth < curve["failure_probability_upper"][0]


def test_where_length_tells_nothing_it_stays_out(records):
    exposure = town(records, per_foot=False)
    found = judge_sizes(exposure, "any", Settings(), silent)
    assert not found.is_used
    assert found.exposure is exposure
    assert found.sentence.endswith("they are left out.")
    assert not [name for name in fit(found.exposure).fitted.names if "length" in name]


def test_a_segment_is_said_to_be_longer_or_narrower_than_most_where_that_counts(records):
    exposure = town(records, per_foot=True, n=300)
    segments = pl.DataFrame(
        {
            "lot_id": ["A", "B", "C", "D"],
            "length_ft": [400.0, 5.0, 40.0, None],
            "diameter_in": [3.0, 5.0, 5.0, 12.0],
        }
    )
    words = segments.select(words=size_words(fit(with_sizes(exposure))))["words"].to_list()
    assert words == [", longer and narrower than most", ", shorter than most", "", ", wider than most"]
    plain = segments.with_columns(words=size_words(fit(exposure)))
    assert set(plain["words"]) == {""}


def test_doublings_are_counted_and_a_length_of_a_camera_that_was_stopped_is_left_out(records):
    look = {"inspection_date": date(2000, 1, 1), "purpose": "routine", "overall_verdict": "repair"}
    clay = {"material": "vitrified_clay", "install_year": 1950}
    described = [
        ("whole", 40.0, {"reached_tie_in": True}),
        ("double", 80.0, {}),
        ("stopped", 20.0, {"reached_tie_in": False}),
        ("given up", 20.0, {"abandoned_reason": "roots"}),
    ]
    seen = records(
        jobs=[
            {
                **look,
                **more,
                "inspection_id": lot,
                "lot_id": lot,
                "end_ft": feet,
                "segments": [{**clay, "from_ft": 0.0, "to_ft": feet}],
            }
            for lot, feet, more in described
        ],
        segments=[
            {**clay, "lot_id": lot, "sequence": 1, "from_ft": 0.0, "to_ft": 64.0, "diameter_in": inches}
            for lot, inches in (("measured", 4.0), ("measured too", 8.0))
        ],
        lots=[{"lot_id": "measured"}, {"lot_id": "measured too"}],
        inspections=[
            {**look, "inspection_id": "m", "lot_id": "measured", "end_ft": 20.0, "reached_tie_in": False}
        ],
    )
    exposure = read_exposure(seen._warehouse, Settings())
    assert exposure.lives["length_doublings"].null_count() == exposure.lives.height
    lives = with_sizes(exposure).lives
    length = dict(lives.select("lot_id", "length_doublings").iter_rows())
    assert length["double"] - length["whole"] == 1.0
    assert length["stopped"] is None
    assert length["given up"] is None
    # Logarithms to base 2: 64 ft are six doublings of a foot.
    assert length["measured"] == length["measured too"] == 6.0
    bore = dict(lives.select("lot_id", "diameter_doublings").iter_rows())
    assert bore["measured too"] - bore["measured"] == 1.0
    assert bore["whole"] is None


@pytest.mark.parametrize(
    ("by", "error", "evidence", "expected"),
    [
        (0.010, 0.003, 30.0, True),
        (0.010, 0.003, 2.9, False),
        (0.002, 0.003, 30.0, False),
        (-0.010, 0.003, 30.0, False),
        (0.010, float("nan"), 30.0, False),
    ],
    ids=["both", "not borne out", "within its error", "worse", "one group"],
)
def test_both_witnesses_must_speak_for_sizes(by, error, evidence, expected):
    assert is_borne_out(by, error, evidence) is expected


def test_what_was_found_stands_beside_the_chosen_law():
    laws = pl.DataFrame({"is_chosen": [True, False], "sentence": ["It is.", "It is not."]})
    told = told_of_sizes(laws, SizesInFits(None, False, "Tried."))
    assert told["sentence"].to_list() == ["It is. Tried.", "It is not."]
    assert told_of_sizes(laws, SizesInFits(None, False, "")).equals(laws)

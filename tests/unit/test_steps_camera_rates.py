"""What is published of the camera: contradictory looks counted by hand, and the sentence."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.lives import Detection, LifeLooks, LifeRegression, Ridge, single_candidates
from pipeline.settings import DetectionRates, Settings
from pipeline.steps.camera_rates import camera_columns, contradictions, fit_believing, rate_beliefs
from pipeline.vocabulary import Outcome


def looks_at(*lives: list[tuple[float, bool]], known: tuple[int, ...] = ()) -> pl.DataFrame:
    rows = [
        {
            "life_id": life,
            "inspection_id": f"{life}-{n}",
            "look_at": at,
            "is_bad": bad,
            "is_known": life in known,
        }
        for life, looks in enumerate(lives)
        for n, (at, bad) in enumerate(looks)
    ]
    return pl.DataFrame(rows)


def test_contradictory_looks_are_counted_by_life() -> None:
    looks = looks_at(
        [(-9.0, True), (-5.0, False)],  # bad, then good
        [(-9.0, True), (-8.0, False), (-7.0, True)],  # bad, then good; and good, then bad within a year
        [(-9.0, False), (-5.0, True)],  # good, then bad after four years: it may have failed
        [(-9.0, False), (-8.5, True)],  # good, then bad within half a year
        [(-3.0, True)],  # one look
        [(-9.0, False), (-3.0, False)],  # nothing contradicts
        [(-9.0, True), (-3.0, False)],  # works tell so, no camera
        known=(6,),
    )
    assert contradictions(looks) == {"n_repeat_lives": 5, "n_bad_then_good": 2, "n_good_then_bad": 2}


def test_rates_taken_as_given_are_published_without_bounds() -> None:
    rates = {name: DetectionRates(0.8, 0.95) for name in Outcome.codes()}
    beliefs = rate_beliefs(Settings(detection=rates), "any")
    assert all(belief.is_certain for belief in beliefs)
    life, row, probability = single_candidates([0, 0])
    seen = LifeLooks(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.zeros(2),
        install_max=np.zeros(2),
        look_life=np.array([0, 1]),
        look_year=np.array([30.0, 60.0]),
        look_bad=np.array([False, True]),
    )
    ridges = (Ridge(terms=("hazard: x0",), sd=1.0), Ridge(terms=("shape: z0",), sd=0.5))

    def never() -> None:
        pytest.fail("nothing is to be learnt")

    fitted = fit_believing(
        lambda detection, _: LifeRegression(ridges=ridges, detection=detection).fit([[1.0]], [[1.0]], seen),
        beliefs,
        never,  # type: ignore[arg-type]
    )
    assert fitted.detection == Detection(sensitivity=0.8, specificity=0.95)
    found = camera_columns(fitted, looks_at([(-9.0, True), (-5.0, False)]))
    assert (found["sensitivity"], found["sensitivity_lower"], found["sensitivity_given_looks"]) == (
        0.8,
        None,
        None,
    )
    assert found["camera_sentence"] == (
        "The camera's errors are taken as the settings give them; contradictory looks do not change them. Pipes looked "
        "at more than once with no works in between: 1; called failed and later sound: 1; called sound and failed "
        "within 2 years: 0."
    )

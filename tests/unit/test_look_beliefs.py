"""What looks that tell of places are expected to show: worked by hand on a few lots."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.looks import Detection
from pipeline.steps import fit_areas
from pipeline.steps.fit_input import ENDED
from pipeline.steps.look_beliefs import believed_looks

CAMERA = Detection(sensitivity=0.8, specificity=0.95)


def lives():
    """Lot A: a segment dug out once, and another; lot B: two segments."""
    return pl.DataFrame(
        {
            "life_id": [1, 2, 3, 4, 5],
            "lot_id": ["A", "A", "A", "B", "B"],
            "sequence": [1, 1, 2, 1, 2],
            "life_number": [1, 2, 1, 1, 1],
            "material": ["vitrified_clay"] * 5,
            "install_from": [-70.0, -10.0, -70.0, -70.0, -70.0],
            "install_to": [-70.0, -10.0, -70.0, -70.0, -70.0],
        }
    )


def chosen():
    return pl.DataFrame(
        {
            "lot_id": ["A", "A", "A", "B", "B"],
            "inspection_id": ["I1", "I1", "I1", "I2", "I2"],
            "life_id": [1, 2, 3, 4, 5],
            "look_at": [-2.0] * 5,
            "is_bad": [True, False, False, True, True],
            "basis": [ENDED, "findings", "findings", "overall", "overall"],
            "is_line": [False, False, False, True, True],
        }
    )


def fit():
    """Looks of one cell: 100 pipes dug out, and 100 standing of which 65 were called bad."""
    n_ended, n_standing, n_bad = 100, 100, 65
    looks = pl.DataFrame(
        {
            "life_id": [1] * (n_ended + n_standing),
            "age": [68.0] * (n_ended + n_standing),
            "is_bad": [True] * (n_ended + n_bad) + [False] * (n_standing - n_bad),
            "is_known": [True] * n_ended + [False] * n_standing,
        }
    )
    return SimpleNamespace(looks=looks, fitted=SimpleNamespace(detection=CAMERA))


def exposure():
    return SimpleNamespace(lives=lives())


def test_what_follows_a_pipe_that_was_dug_out_adds_nothing():
    found = believed_looks(fit(), exposure(), chosen())
    assert found["counts"].to_list() == [True, False, True, True, True]
    # Standing failed: (65 - .05 · 100) / .75 = 80; dug out 100 of 180; believed .556 + .444 · .8.
    share = 100 / 180
    assert found["sensitivity"][0] == pytest.approx(share + (1 - share) * 0.8, abs=1e-9)
    # Young pipe has a cell without looks: the camera's own.
    assert found["sensitivity"][1] == pytest.approx(0.8)


def test_each_pipe_of_a_line_may_be_overlooked_by_itself(monkeypatch):
    failed = np.array([0.9, 0.3, 0.5, 0.7, 0.6])
    monkeypatch.setattr(fit_areas, "_possible_lives", lambda *_: pl.DataFrame())
    monkeypatch.setattr(fit_areas, "_failure_probability", lambda *_args, **_more: failed)
    parts = fit_areas.expected_parts(fit(), exposure(), chosen())
    share = 100 / 180
    believed = share + (1 - share) * 0.8
    called = 0.05 + (believed - 0.05) * failed
    assert parts.lots["lot_id"].to_list() == ["A", "B"]
    assert parts.expected(None) == pytest.approx(
        [1 - (1 - called[0]) * (1 - called[2]), 1 - (1 - called[3]) * (1 - called[4])]
    )
    highest = 1 - (1 - believed) ** 2
    assert parts.bounds().highest == pytest.approx([highest, highest])

"""Dug-out pipes and missed ones in one sensitivity; checked by hand arithmetic and by drawing."""

from __future__ import annotations

import numpy as np
import pytest

from models.bias import dug_out_share, known_failure_sensitivity
from models.errors import ModelInputError
from models.looks import Detection, FloatArray

CAMERA = Detection(sensitivity=0.8, specificity=0.93)


def sensitivity_of(
    n_ended: list[int], n_standing: list[int], n_bad: list[int], group: list[int], *, pooled: float = 20.0
) -> FloatArray:
    share = dug_out_share(n_ended, n_standing, n_bad, group, CAMERA, pooled=pooled)
    return known_failure_sensitivity(share, CAMERA)


def test_by_hand_without_pooling() -> None:
    # 1000 pipes, 600 failed, 150 of them dug out: 850 standing, 450 failed. The camera calls
    # 0.8 · 450 + 0.07 · 400 = 388 bad. Share dug out 150 / 600 = 0.25, so 0.25 + 0.75 · 0.8 = 0.85.
    found = sensitivity_of([150], [850], [388], [0], pooled=0.0)
    assert found == pytest.approx([0.85], abs=1e-12)


def test_nothing_dug_out_leaves_the_camera_alone() -> None:
    assert sensitivity_of([0, 0], [50, 0], [20, 0], [0, 1]) == pytest.approx([0.8, 0.8])


def test_a_thin_cell_is_drawn_to_its_group_and_a_thin_group_to_all() -> None:
    found = sensitivity_of([300, 1, 0], [700, 0, 1], [585, 0, 1], [0, 0, 1], pooled=20.0)
    assert 0.8 < found[2] < found[0] + 0.02
    assert abs(found[1] - found[0]) < 0.02


def test_the_share_failed_is_found_again_with_it() -> None:
    rng = np.random.default_rng(3)
    n, F, q = 200_000, 0.55, 0.3
    failed = rng.random(n) < F
    ended = failed & (rng.random(n) < q)
    bad = np.where(failed, rng.random(n) < 0.8, rng.random(n) < 0.07) & ~ended
    (Se,) = sensitivity_of([ended.sum()], [(~ended).sum()], [bad.sum()], [0])
    estimate = ((ended | bad).mean() - 0.07) / (Se - 0.07)
    # Standard error about sqrt(.25 / 200000) / .8 = 0.0014; four of them.
    assert estimate == pytest.approx(F, abs=0.006)
    naive = (ended.sum() + (bad.sum() - 0.07 * (~ended).sum()) / 0.73) / n
    assert naive == pytest.approx(F, abs=0.006)


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ModelInputError, match="negative"):
        sensitivity_of([-1], [1], [1], [0])
    with pytest.raises(ModelInputError, match="same length"):
        sensitivity_of([1, 2], [1], [1], [0])

"""Means and ranges over draws: against numpy's own quantiles, and without touching the draws."""

from __future__ import annotations

import numpy as np
import pytest

from models.drawn_chances import chance_ranges, chance_ranges_if_none_now


@pytest.mark.parametrize("kept", ["by draw", "by line"])
def test_ranges_are_numpys_and_draws_stay_as_they_were(kept):
    """Authority: numpy.quantile. Draws of different things belong together: their order must not change."""
    drawn = np.random.default_rng(3).random((200, 2_500), dtype=np.float32)
    now = drawn if kept == "by draw" else np.ascontiguousarray(drawn.T).T
    later, before = np.minimum(now + np.float32(0.1), 1), now.copy()
    mean, lower, upper = chance_ranges(now, 0.9)
    np.testing.assert_allclose(mean, before.mean(axis=0, dtype=np.float64), atol=1e-6)
    np.testing.assert_allclose([lower, upper], np.quantile(before, [0.05, 0.95], axis=0), atol=1e-6)
    chance_ranges_if_none_now(now, later, 0.9)
    np.testing.assert_array_equal(now, before)

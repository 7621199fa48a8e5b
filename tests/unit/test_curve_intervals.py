"""Ages behind the stepped curves are the intervals of the exposure tables, in whole years of the pipe's own age."""

from __future__ import annotations

import math

import polars as pl

from pipeline.steps.fit_curves import whole_year_intervals


def test_years_of_looks_become_whole_ages() -> None:
    """Laid in the middle of 1950 (1950.5): good in 2000.0 at 49.5, bad in 2005.2 at 54.7, that is 50 and 55."""
    lives = pl.DataFrame(
        {
            "life_id": [1, 2, 3, 4],
            "material": ["pvc", "pvc", "lead", "lead"],
            "now": [2026.0] * 4,
            "age_now": [75.5, 75.5, 75.5, 74.0],
            "install_from": [-76.0, -76.0, -76.0, -77.0],
            "install_to": [-75.0, -75.0, -75.0, -71.0],
        }
    )
    intervals = pl.DataFrame(
        {
            "life_id": [1, 2, 3, 4, 5],
            "good_year": [2000.0, None, 1950.1, 2000.0, 2000.0],
            "bad_year": [2005.2, 2005.2, None, None, None],
        }
    )
    # 3: seen good before the middle of its install year, an age of nought; 4: a range of six years is too wide;
    # 5: nothing bounds its install year
    assert whole_year_intervals(lives, intervals).rows() == [
        (1, "pvc", 50.0, 55.0),
        (2, "pvc", 0.0, 55.0),
        (3, "lead", 0.0, math.inf),
    ]

"""Who gets a camera or new pipe in which year."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.assumptions import parse_assumptions, shipped_text
from pipeline.steps.budget_policies import Pieces, age_plan, camera_years, reline_plan

ASSUMPTIONS = parse_assumptions(shipped_text())


def pieces(material, age, *, lot=None, failed=None) -> Pieces:
    n = len(age)
    return Pieces(
        material=np.array(material),
        age=np.array(age, dtype=float),
        lot=np.arange(n) if lot is None else np.array(lot),
        failed_share=np.zeros(n) if failed is None else np.array(failed, dtype=float),
    )


def test_pipe_is_replaced_in_the_year_after_which_it_is_too_old() -> None:
    # Clay at 75: 74.5 years old now, it is 75 within year 1 and is renewed at the beginning of year 2; at 70, of year 6.
    plan = age_plan(pieces(["vitrified_clay"] * 3 + ["pvc"], [74.5, 70.0, 40.0, 74.5]), ASSUMPTIONS, 20)
    np.testing.assert_array_equal(plan[:, 0], [2, 6, 0, 17])


def test_what_is_overdue_is_spread_with_the_most_overdue_first() -> None:
    ages = [76, 80, 90, 100, 85, 95, 78, 88, 99, 110]
    plan = age_plan(pieces(["vitrified_clay"] * 10, ages), ASSUMPTIONS, 20)[:, 0]
    assert sorted(plan) == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5]
    assert (np.diff(plan[np.argsort(ages)].astype(int)) <= 0).all()


def test_pipe_of_unknown_age_is_left_alone() -> None:
    plan = age_plan(pieces(["unknown"], [np.nan]), ASSUMPTIONS, 20)
    assert plan[0, 0] == 0
    assert reline_plan(pieces(["unknown"], [np.nan]), ASSUMPTIONS, (), 20)[0, 0] == 0


def test_only_old_pipe_that_a_liner_suits_is_relined() -> None:
    found = pieces(
        ["vitrified_clay", "bituminized_fiber", "cast_iron", "concrete"],
        [60, 60, 39, 41],
        failed=[0.2, 0.9, 0.9, 0.8],
    )
    plan = reline_plan(found, ASSUMPTIONS, ("bituminized_fiber",), 20)[:, 0]
    # Two in ten years: the likelier one at once, the other half-way.
    np.testing.assert_array_equal(plan, [6, 0, 0, 1])


@pytest.mark.parametrize("cycle", [1, 5])
def test_first_cameras_fill_one_cycle_the_likeliest_lots_first(cycle) -> None:
    # Lot 1 has two pipes: 1 - 0.5 · 0.5 = 0.75.
    found = pieces(["pvc"] * 6, [10] * 6, lot=[0, 1, 1, 2, 3, 4], failed=[0.1, 0.5, 0.5, 0.7, 0.2, 0.3])
    first = camera_years(found, 5, cycle)
    order = [1, 2, 4, 3, 0]
    np.testing.assert_array_equal(first[order], [1 + turn * cycle // 5 for turn in range(5)])

"""Upper and lower laterals: hand-worked lines, and pieces of pipe simulated with their true failures."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import ModelInputError
from models.sides import (
    ALL_SCATTERED,
    Located,
    Scatter,
    Sides,
    scatter_of,
    side_chances,
    split_by_looks,
    under_a_verdict,
    upper_shares,
)

NOTHING = float("nan")
ONE_SPOT = Scatter(hazard=np.zeros(1), share=np.zeros(1))
#: Cumulative hazard of a segment that is sound with 0.64.
H = -np.log(0.64)


def one_draw(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float64)[:, None]


def test_a_line_split_by_hand():
    # A series system: the survival of its parts multiplies (Rausand & Høyland 2004, System Reliability Theory,
    # section 4.3; from memory). By hand: 0-20 ft sound with 0.9, 20-60 ft with 0.64; property line at 40 ft.
    # The second is halved: sqrt(0.64) = 0.8 each. Upper 1 - 0.9 * 0.8 = 0.28, lower 1 - 0.8 = 0.2.
    share = upper_shares(np.array([0.0, 20.0]), np.array([20.0, 60.0]), np.array(40.0))
    np.testing.assert_allclose(share, [1.0, 0.5])
    sides = side_chances(
        one_draw(0.9, 0.64).astype(np.float32), np.array([0, 2]), share[:, None], scatter=ALL_SCATTERED
    )
    assert sides.upper[0, 0] == pytest.approx(0.28, abs=1e-6)
    assert sides.lower[0, 0] == pytest.approx(0.20, abs=1e-6)
    assert (1 - sides.upper[0, 0]) * (1 - sides.lower[0, 0]) == pytest.approx(0.9 * 0.64)


def test_shares_at_the_ends():
    # By hand: before, at the start, inside, at the end, behind; and a segment without length on either side.
    share = upper_shares(np.array([10.0] * 5 + [10.0, 10.0]), np.array([20.0] * 5 + [10.0, 10.0]),
                         np.array([5.0, 10.0, 12.5, 20.0, 30.0, 15.0, 5.0]))  # fmt: skip
    np.testing.assert_allclose(share, [0, 0, 0.25, 1, 1, 1, 0])


def located(bad: bool, low: float, high: float, *, saw_all: bool = True, sensitivity: float = 1.0) -> Located:
    return Located(
        first_look=np.array([0, 1]),
        is_bad=np.array([bad]),
        low_ft=np.array([low]),
        high_ft=np.array([high]),
        saw_all=np.array([saw_all]),
        sensitivity=np.array([sensitivity]),
    )


@pytest.mark.parametrize(
    ("found", "upper", "lower"),
    [
        # One look today by a camera that never errs; the pipe is sound with 0.25, the line halves it: 0.5 each.
        # Found above the line and all seen: it is the upper piece, and the lower is sound.
        (located(True, 10.0, 12.0), 1.0, 0.0),
        (located(True, 50.0, 50.0), 0.0, 1.0),
        (located(True, 10.0, 50.0), 1.0, 1.0),
        # No footage, or within the slip of the counter: (1 - 0.5) / (1 - 0.25) = 2 / 3 each, by Bayes' rule.
        (located(True, NOTHING, NOTHING), 2 / 3, 2 / 3),
        (located(True, 39.0, 41.0), 2 / 3, 2 / 3),
        # A collapse above the line stopped the camera: of the lower piece nothing is known: 0.5.
        (located(True, 10.0, 10.0, saw_all=False), 1.0, 0.5),
        # A camera that misses half: a good lower piece may have been missed, 0.5 * 0.5 / (0.5 * 0.5 + 0.5) = 1 / 3.
        (located(True, 10.0, 10.0, sensitivity=0.5), 1.0, 1 / 3),
    ],
)
def test_a_finding_says_which_piece_by_hand(found, upper, lower):
    made = split_by_looks(
        one_draw(0.25, 0.25),
        one_draw(0.5),
        one_draw(40.0),
        found,
        scatter=ALL_SCATTERED,
        specificity=1.0,
        slip_ft=2.0,
    )
    assert made[0][0, 0] == pytest.approx(upper, abs=1e-6)
    assert made[1][0, 0] == pytest.approx(lower, abs=1e-6)


def test_what_is_found_before_says_less_of_now_by_hand():
    # Seen ten years ago, S = 0.25 then and 0.04 now, halved: 0.5 and 0.2 a piece. The upper was bad, the lower sound
    # then; it has failed since with 1 - 0.2 / 0.5 = 0.6.
    made = split_by_looks(
        one_draw(0.25, 0.04), one_draw(0.5), one_draw(40.0), located(True, 10.0, 10.0), scatter=ALL_SCATTERED, specificity=1.0, slip_ft=2.0
    )  # fmt: skip
    assert made[0][0, 0] == pytest.approx(1.0)
    assert made[1][0, 0] == pytest.approx(0.6)


def test_a_verdict_on_the_line_by_hand():
    # Upper sound with 0.6, lower with 0.5, the line with 0.3. A bad verdict that never errs: by Bayes' rule
    # P(upper | line failed) = 0.4 / 0.7, P(lower | line failed) = 0.5 / 0.7.
    sound, first = one_draw(0.6, 0.5).astype(np.float32), np.array([0, 2])
    plain = side_chances(sound, first, one_draw(1.0, 0.0), scatter=ALL_SCATTERED)
    told = under_a_verdict(plain, sound, first, np.ones((1, 1), dtype=np.float32))
    assert told.upper[0, 0] == pytest.approx(4 / 7, abs=1e-6)
    assert told.lower[0, 0] == pytest.approx(5 / 7, abs=1e-6)


def _simulated(n: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Pieces of pipe with their true ages at failure, one look each by an erring camera, and the state today."""
    share, rate = 0.3, 1.2
    # H(t) = 1.2 t^2 on [0, 1]; a piece has its share of it. Seen at 0.6, today is 0.9.
    age = np.sqrt(rng.exponential(size=(2, n)) / (rate * np.array([[share], [1 - share]])))
    failed_then, failed_now = age <= 0.6, age <= 0.9
    false = 0.1 * np.array([[share], [1 - share]])
    called = rng.random((2, n)) < np.where(failed_then, 0.75, false)
    return share, np.exp(-rate * np.array([0.6, 0.9]) ** 2), called, failed_now


def test_pieces_come_true_in_simulation():
    """Authority: known truth of simulated pieces, within 4 standard errors for each thing a camera can say."""
    share, law, called, failed = _simulated(400_000, np.random.default_rng(1))
    any_failed = failed.any(axis=0)
    for is_bad, low, high, chosen in (
        (True, 5.0, 5.0, called[0] & ~called[1]),
        (True, 35.0, 35.0, ~called[0] & called[1]),
        (True, 5.0, 35.0, called.all(axis=0)),
        (True, NOTHING, NOTHING, called.any(axis=0)),
        (False, NOTHING, NOTHING, ~called.any(axis=0)),
    ):
        made = split_by_looks(
            law[:, None], one_draw(share), one_draw(20.0), located(is_bad, low, high, sensitivity=0.75),
            scatter=ALL_SCATTERED, specificity=0.9, slip_ft=2.0,
        )  # fmt: skip
        these = chosen & any_failed
        for piece in (0, 1):
            true, error = failed[piece, these].mean(), 0.5 / np.sqrt(these.sum())
            assert made[piece][0, 0] == pytest.approx(true, abs=4 * error)


def test_impossible_looks_leave_the_length_to_say():
    # Called bad by a camera that never errs although the pipe cannot fail: nothing is left but the length.
    made = split_by_looks(
        one_draw(1.0, 1.0), one_draw(0.3), one_draw(40.0), located(True, 10.0, 10.0), scatter=ALL_SCATTERED, specificity=1.0, slip_ft=2.0
    )  # fmt: skip
    np.testing.assert_allclose([made[0][0, 0], made[1][0, 0]], [0.3, 0.7], atol=1e-6)


def test_arrays_that_do_not_match_are_refused():
    with pytest.raises(ModelInputError, match="must be alike"):
        side_chances(one_draw(0.5), np.array([0, 1]), one_draw(0.5, 0.5), scatter=ALL_SCATTERED)
    with pytest.raises(ModelInputError, match="lines of one or more"):
        side_chances(one_draw(0.5), np.array([0, 0, 1]), one_draw(0.5), scatter=ALL_SCATTERED)
    with pytest.raises(ModelInputError, match="a row for each look"):
        split_by_looks(one_draw(0.5), one_draw(0.5), one_draw(1.0), located(True, 1.0, 1.0), scatter=ALL_SCATTERED, specificity=1.0, slip_ft=2.0)  # fmt: skip
    assert isinstance(
        side_chances(one_draw(0.5), np.array([0, 1]), one_draw(0.5), scatter=ALL_SCATTERED), Sides
    )


def test_one_spot_lies_on_one_side_by_hand():
    # The line of the first test, failing at one spot: the crossing segment fails with 0.36, half of it on either
    # side: upper 1 - 0.9 * (1 - 0.18) = 0.262, lower 0.18. Half and half between the two laws: 0.9 * (1 - 0.19).
    sound, first, share = one_draw(0.9, 0.64), np.array([0, 2]), one_draw(1.0, 0.5)
    spot = side_chances(sound, first, share, scatter=ONE_SPOT)
    assert (spot.upper[0, 0], spot.lower[0, 0]) == (pytest.approx(0.262), pytest.approx(0.18))
    mixed = side_chances(
        sound, first, share, scatter=Scatter(hazard=np.array([0.0, 2 * H]), share=np.array([0.0, 1.0]))
    )
    assert (mixed.upper[0, 0], mixed.lower[0, 0]) == (pytest.approx(1 - 0.9 * 0.81), pytest.approx(0.19))


def test_a_spot_found_clears_the_other_side_by_hand():
    # One spot, a camera that never errs: found above the line, the lower piece is sound, also where the camera
    # stopped there; without a footage it is on either side by length.
    law = one_draw(0.25, 0.25)
    for found, upper, lower in (
        (located(True, 10.0, 10.0, saw_all=False), 1.0, 0.0),
        (located(True, NOTHING, NOTHING), 0.3, 0.7),
    ):
        made = split_by_looks(
            law, one_draw(0.3), one_draw(40.0), found, scatter=ONE_SPOT, specificity=1.0, slip_ft=2.0
        )
        assert (made[0][0, 0], made[1][0, 0]) == (pytest.approx(upper), pytest.approx(lower))


@pytest.mark.parametrize("true", [0.0, 0.3, 1.0])
def test_how_failures_lie_is_read_from_spans(true):
    """Authority: simulated pipes; a Poisson number of places spread evenly, or one place. Within 0.05, three standard
    errors of a fifth of them."""
    rng = np.random.default_rng(2)
    n = 150_000
    survival = rng.uniform(0.1, 0.9, n)
    count = np.where(rng.random(n) < true, rng.poisson(-np.log(survival)), rng.random(n) < 1 - survival)
    places = np.where(np.arange(12) < count[:, None], rng.random((n, 12)), np.nan)
    failed = count > 0
    span = np.nanmax(places[failed], axis=1) - np.nanmin(places[failed], axis=1)
    found = scatter_of(span, survival[failed], least=100)
    assert found.hazard.size == 5
    np.testing.assert_allclose(found.share, true, atol=0.05)


def test_too_few_spans_tell_nothing():
    assert scatter_of(np.zeros(99), np.full(99, 0.5), least=100) is ALL_SCATTERED
    assert scatter_of(np.zeros(100), np.full(100, 0.5), least=100).share.tolist() == [0.0]


def test_pipe_that_hardly_ever_fails_tells_its_share_in_single_precision_too():
    # By the law of the notes: spans of pipe with H = 1e-6 that is all scattered are H / 6 on average.
    hazard = np.full(100, 1e-6)
    alone = scatter_of(hazard / 12, np.exp(-hazard), least=100)
    assert alone.share == pytest.approx(0.5, abs=1e-3)
    single = scatter_of(np.zeros(100), np.ones(100, dtype=np.float32), least=100)
    assert np.isfinite(single.hazard).all()
    assert single.share == pytest.approx(0.0)

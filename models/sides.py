"""Which side of the property line has failed: the upper lateral, towards the building, or the lower, towards the main.

A line is a run of segments, each with its chance to be sound. A segment wholly on one side belongs to it. One that
crosses the property line is two pieces of one pipe, and how likely both have failed depends on how failures lie along
pipe. Where they lie scattered (roots at many joints) the pieces share the cumulative hazard by length, so that one of
share u of the length is sound with chance S^u: a series system of its lengths (Rausand & Høyland 2004, System
Reliability Theory, section 4.3; from memory). Where a segment fails at one spot (a break), that spot is on one side or
the other, with chances u and 1 - u. Segments are a mixture of the two, and how far apart cameras find things in one
segment says in which shares (`scatter_of`). What was found at a footage says which piece it was
(`split_by_looks`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled, compiled_for_threads
from models.errors import ModelInputError
from models.looks import BoolArray, FloatArray, IntArray

Draws = NDArray[Any]
#: Evidence less likely than this says nothing more of which side it was.
SMALLEST_CHANCE = 1e-280


@dataclass(frozen=True, kw_only=True)
class Sides:
    """Chance by draw that each side of each line has failed.

    Attributes
    ----------
    upper, lower : ndarray of float32, shape (n_lines, n_draws)
        Chance that something on that side of the property line has failed.
    """

    upper: Draws
    lower: Draws


@dataclass(frozen=True, kw_only=True)
class Located:
    """Looks at segments that cross the property line, with the footage of what was found.

    Attributes
    ----------
    first_look : ndarray of int, shape (n_segments + 1,)
        Looks of segment i are first_look[i] … first_look[i + 1] - 1, in the order of time.
    is_bad : ndarray of bool, shape (n_looks,)
        Whether the look called the segment bad.
    low_ft, high_ft : ndarray, shape (n_looks,)
        Footage from the building of the nearest and the farthest bad finding; NaN where none was written down.
    saw_all : ndarray of bool, shape (n_looks,)
        Whether the look judged the whole segment: then what it does not name was called good.
    sensitivity : ndarray, shape (n_looks,)
        Chance that a failed pipe is called bad.
    """

    first_look: IntArray
    is_bad: BoolArray
    low_ft: FloatArray
    high_ft: FloatArray
    saw_all: BoolArray
    sensitivity: FloatArray


def upper_shares(from_ft: FloatArray, to_ft: FloatArray, property_ft: FloatArray) -> FloatArray:
    """Share of each segment's length that lies before the property line.

    Parameters
    ----------
    from_ft, to_ft, property_ft : ndarray, broadcast against each other
        Footage from the building [ft].

    Returns
    -------
    ndarray
        0 … 1. A segment without length lies where it starts.
    """
    length = to_ft - from_ft
    whole = np.where(property_ft > from_ft, 1.0, 0.0)
    share = np.divide(property_ft - from_ft, length, out=whole, where=length > 0)
    return np.clip(share, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """Share of segments whose failures lie scattered along them, rather than at one spot, by how much has failed.

    Attributes
    ----------
    hazard : ndarray, shape (n_knots,), rising
        Cumulative hazards of segments.
    share : ndarray, shape (n_knots,)
        The share at each, 0 … 1; linear in between, level beyond.
    """

    hazard: FloatArray
    share: FloatArray


#: All scattered: each stretch of pipe fails by itself.
ALL_SCATTERED = Scatter(hazard=np.zeros(1), share=np.ones(1))


def scatter_of(span: FloatArray, survival: FloatArray, *, least: int) -> Scatter:
    """Read from footages how failures lie along segments.

    Parameters
    ----------
    span : ndarray, shape (n,)
        For each segment found bad and seen whole: the distance from the nearest to the farthest bad finding, as a
        share of its length.
    survival : ndarray, shape (n,)
        Chance of such a segment to be sound at that age.
    least : int
        Segments that a share takes to be told; the hazards are cut into up to five groups of as many or more.

    Returns
    -------
    Scatter
        `ALL_SCATTERED` where there are fewer, which blames both sides rather than one.

    Notes
    -----
    A cut at a place chosen evenly along the segment parts its findings with chance `span`. With failures scattered
    as a Poisson process of mean H = -log S, that chance is, given one at least,
    ∫ (1 - S^u) (1 - S^(1-u)) du / (1 - S) = (1 + S - 2 (1 - S) / H) / (1 - S) = coth(H / 2) - 2 / H; with
    one spot it is 0. The share is the quotient of the two sums in each group of hazards (method of moments).
    """
    n_groups = min(5, len(span) // least)
    if n_groups == 0:
        return ALL_SCATTERED
    # In double precision: near 1, single precision knows no survival but 1 itself.
    hazard = -np.log(np.clip(np.asarray(survival, dtype=np.float64), 1e-9, 1.0 - 1e-9))
    # The same as in the notes, written so that it does not cancel out where H is small.
    small = hazard < 0.01
    wide = np.where(small, 1.0, hazard)
    expected = np.where(small, hazard / 6.0 - hazard**3 / 360.0, 1.0 / np.tanh(wide / 2.0) - 2.0 / wide)
    groups = np.array_split(np.argsort(hazard, kind="stable"), n_groups)
    share = [np.clip(span[these].sum() / expected[these].sum(), 0.0, 1.0) for these in groups]
    return Scatter(hazard=np.array([hazard[these].mean() for these in groups]), share=np.array(share))


@compiled
def _scattered(hazard: FloatArray, share: FloatArray, at: float) -> float:
    """The share for a segment of this cumulative hazard."""
    if at <= hazard[0]:
        return float(share[0])
    for k in range(1, len(hazard)):
        if at <= hazard[k]:
            part = (at - hazard[k - 1]) / (hazard[k] - hazard[k - 1])
            return float(share[k - 1] + part * (share[k] - share[k - 1]))
    return float(share[-1])


def side_chances(
    sound: Draws,
    first: IntArray,
    share: Draws,
    *,
    scatter: Scatter,
    split: IntArray | None = None,
    of_failed: tuple[Draws, Draws] | None = None,
) -> Sides:
    """Chance that the upper and the lower side of each line have failed.

    Parameters
    ----------
    sound : ndarray of float32, shape (n_segments, n_draws)
        Chance of each segment to be sound, given what was seen of it.
    first : ndarray of int, shape (n_lines + 1,)
        Segments of line i are first[i] … first[i + 1] - 1; every line has one.
    share : ndarray of float32, shape (n_segments, n_draws)
        Share of each that lies before the property line, from `upper_shares`; it differs by draw where the place of
        the line is an assumption.
    scatter : Scatter
        How failures lie along segments, from `scatter_of`.
    split : ndarray of int, shape (n_segments,), optional
        Row of `of_failed` that tells of the segment; -1 where only its length does.
    of_failed : pair of ndarray, shape (n_split, n_draws), optional
        From `split_by_looks`: chance that the upper, and the lower, piece has failed if the segment has.

    Returns
    -------
    Sides
        With `ALL_SCATTERED` and without `split`, 1 - (1 - upper) (1 - lower) is the chance of the whole line.

    Raises
    ------
    ModelInputError
        Arrays do not match, or a line has no segment.
    """
    if sound.shape != share.shape:
        raise ModelInputError(f"sound has shape {sound.shape} and share {share.shape}; they must be alike.")
    if len(first) == 0 or first[-1] != len(sound) or (np.diff(first) < 1).any():
        raise ModelInputError("first does not cut the segments into lines of one or more.")
    if split is None or of_failed is None:
        split = np.full(len(sound), -1, dtype=np.int64)
        nothing = np.zeros((0, sound.shape[1]), dtype=np.float32)
        of_failed = (nothing, nothing)
    upper, lower = _multiplied(sound, first, share, scatter.hazard, scatter.share, split, *of_failed)
    return Sides(upper=upper, lower=lower)


@compiled_for_threads
def _multiplied(
    sound: Draws,
    first: IntArray,
    share: Draws,
    scatter_hazard: FloatArray,
    scatter_share: FloatArray,
    split: IntArray,
    if_upper: Draws,
    if_lower: Draws,
) -> tuple[Draws, Draws]:
    """One minus the product of each side's survival, by line and draw."""
    n, n_draws = len(first) - 1, sound.shape[1]
    upper, lower = np.empty((n, n_draws), np.float32), np.empty((n, n_draws), np.float32)
    for i in range(n):
        for d in range(n_draws):
            up, low = 1.0, 1.0
            for k in range(first[i], first[i + 1]):
                s, u = np.float64(sound[k, d]), np.float64(share[k, d])
                if split[k] >= 0:
                    up *= 1.0 - (1.0 - s) * if_upper[split[k], d]
                    low *= 1.0 - (1.0 - s) * if_lower[split[k], d]
                elif u >= 1.0:
                    up *= s
                elif u <= 0.0:
                    low *= s
                else:
                    hazard = -np.log(max(s, 1e-300))
                    scattered = _scattered(scatter_hazard, scatter_share, hazard)
                    one_spot = (1.0 - scattered) * (1.0 - s)
                    # S^u and S^(1-u): an exponential is a third of a power.
                    piece = np.exp(-u * hazard)
                    up *= 1.0 - scattered * (1.0 - piece) - one_spot * u
                    low *= 1.0 - scattered * (1.0 - s / piece) - one_spot * (1.0 - u)
            upper[i, d], lower[i, d] = 1.0 - up, 1.0 - low
    return upper, lower


def under_a_verdict(sides: Sides, sound: Draws, first: IntArray, line_failed: Draws) -> Sides:
    """Spread a bad verdict on whole lines over their sides.

    Parameters
    ----------
    sides : Sides
        Of the same lines, as if the verdict had not been.
    sound, first
        As given to `side_chances` for them.
    line_failed : ndarray, shape (n_lines, n_draws)
        Chance that the line has failed, the verdict taken in.

    Returns
    -------
    Sides

    Notes
    -----
    The verdict says that something had failed, not where. So P(side failed) = P(line failed) P(side | line), the
    latter by Bayes' rule from the chances without the verdict: (1 - S_side) / (1 - S_line). What failed since the
    verdict is shared out in the same proportion.
    """
    line = 1.0 - np.multiply.reduceat(sound.astype(np.float64), first[:-1], axis=0)
    scale = np.divide(line_failed, line, out=np.ones_like(line), where=line > SMALLEST_CHANCE)
    return Sides(
        upper=np.minimum(sides.upper * scale, line_failed).astype(np.float32),
        lower=np.minimum(sides.lower * scale, line_failed).astype(np.float32),
    )


def split_by_looks(
    survival: Draws,
    share: Draws,
    property_ft: Draws,
    looks: Located,
    *,
    scatter: Scatter,
    specificity: float,
    slip_ft: float,
) -> tuple[Draws, Draws]:
    """Chance that each piece of a crossing segment has failed, if the segment has, given where things were found.

    Parameters
    ----------
    survival : ndarray, shape (n_looks + n_segments, n_draws)
        S of the whole segment at each of its looks and, as its last row, now; segment i has rows
        first_look[i] + i … first_look[i + 1] + i.
    share : ndarray, shape (n_segments, n_draws)
        Share of the segment before the property line.
    property_ft : ndarray, shape (n_segments, n_draws)
        Place of the property line [ft from the building].
    looks : Located
        Looks and footages.
    scatter : Scatter
        How failures lie along segments, from `scatter_of`.
    specificity : float
        Chance that a sound segment is called good.
    slip_ft : float
        A finding this near to the property line may lie on either side: counters slip [ft].

    Returns
    -------
    tuple of ndarray of float32, shape (n_segments, n_draws)
        Chances of the upper and of the lower piece; each is at most 1, and together they are at least 1.

    Notes
    -----
    Given the draw, the pieces of a segment whose failures lie scattered fail independently, with survival S^u and
    S^(1-u); of one that fails at one spot, one piece fails. A failed piece is called bad with the
    look's sensitivity; a sound one by mistake with chance (1 - specificity) times its share of the length, since a
    false call is as likely anywhere along the pipe. A bad look whose findings lie on one side called that side, and
    the other good if it saw all; one without a footage says that at least one was called. Bayes' rule over the
    intervals between looks in which either piece may have failed.
    """
    if len(looks.first_look) != len(share) + 1 or len(survival) != len(looks.is_bad) + len(share):
        raise ModelInputError("survival needs a row for each look and one for now, for each segment.")
    return _split(
        survival,
        share,
        property_ft,
        looks.first_look,
        looks.is_bad,
        looks.low_ft,
        looks.high_ft,
        looks.saw_all,
        looks.sensitivity,
        scatter.hazard,
        scatter.share,
        1.0 - specificity,
        slip_ft,
    )


@compiled
def _split(
    survival: Draws,
    share: Draws,
    property_ft: Draws,
    first_look: IntArray,
    is_bad: BoolArray,
    low_ft: FloatArray,
    high_ft: FloatArray,
    saw_all: BoolArray,
    sensitivity: FloatArray,
    scatter_hazard: FloatArray,
    scatter_share: FloatArray,
    false_call: float,
    slip_ft: float,
) -> tuple[Draws, Draws]:
    n, n_draws = share.shape
    upper, lower = np.empty((n, n_draws), np.float32), np.empty((n, n_draws), np.float32)
    for i in range(n):
        a, m = first_look[i], first_look[i + 1] - first_look[i]
        for d in range(n_draws):
            u = np.float64(share[i, d])
            scattered = _scattered(
                scatter_hazard, scatter_share, -np.log(max(survival[a + i + m, d], 1e-300))
            )
            any_failed, up_failed, low_failed = 0.0, 0.0, 0.0
            # Piece failed in interval j: before look j (counted from 0), j = m: since the last look, m + 1: not yet.
            for j in range(m + 2):
                p_up = _mass(survival, a + i, m, j, d, u)
                for k in range(m + 2):
                    p = scattered * p_up * _mass(survival, a + i, m, k, d, 1.0 - u)
                    if j <= m and k > m:
                        p += (1.0 - scattered) * u * _mass(survival, a + i, m, j, d, 1.0)
                    elif k <= m and j > m:
                        p += (1.0 - scattered) * (1.0 - u) * _mass(survival, a + i, m, k, d, 1.0)
                    if p == 0.0 or (j > m and k > m):
                        continue
                    for r in range(m):
                        look = a + r
                        up_called = sensitivity[look] if j <= r else false_call * u
                        low_called = sensitivity[look] if k <= r else false_call * (1.0 - u)
                        p *= _call(
                            is_bad[look],
                            saw_all[look],
                            low_ft[look] < property_ft[i, d] - slip_ft,
                            high_ft[look] > property_ft[i, d] + slip_ft,
                            up_called,
                            low_called,
                        )
                    any_failed += p
                    up_failed += p if j <= m else 0.0
                    low_failed += p if k <= m else 0.0
            if any_failed > SMALLEST_CHANCE:
                upper[i, d], lower[i, d] = up_failed / any_failed, low_failed / any_failed
            else:
                upper[i, d], lower[i, d] = u, 1.0 - u
    return upper, lower


@compiled
def _mass(survival: Draws, row: int, m: int, j: int, d: int, u: float) -> float:
    """Chance that a piece of share u fails in interval j."""
    if u <= 0.0:
        return 1.0 if j > m else 0.0
    before = 1.0 if j == 0 else survival[row + j - 1, d] ** u
    after = 0.0 if j > m else survival[row + j, d] ** u
    return float(max(before - after, 0.0))


@compiled
def _call(
    is_bad: bool, saw_all: bool, is_upper: bool, is_lower: bool, up_called: float, low_called: float
) -> float:
    """Chance of what a look said; a finding near the line, or without a footage, may be of either piece."""
    if not is_bad:
        return (1.0 - up_called) * (1.0 - low_called)
    if is_upper and is_lower:
        return up_called * low_called
    if is_upper:
        return up_called * ((1.0 - low_called) if saw_all else 1.0)
    if is_lower:
        return low_called * ((1.0 - up_called) if saw_all else 1.0)
    return 1.0 - (1.0 - up_called) * (1.0 - low_called)

"""Looks compiled to signed sums of survival chances, identical ones counted once.

The chance of everything seen at a life with failure time T is Σ coef · S(row, age) + constant, and so
is the chance of everything seen together with T > some date. `models.lines` multiplies such
sums for lines of several lives. `models.likelihood` evaluates and differentiates them; `models.series` takes their ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.looks import BoolArray, Detection, FloatArray, IntArray, LifeLooks

WordArray = NDArray[np.uint64]

WIDE_INSTALL_YEARS = 0.5
N_NODES = 5
#: A sum whose terms cancel to this relative size is 0: impossible, not just improbable.
CANCELLED = 1e-13
#: Years are compared after rounding to this many decimals: below a minute, above rounding noise.
YEAR_DECIMALS = 7

_NODE, _NODE_WEIGHT = np.polynomial.legendre.leggauss(N_NODES)
#: Quantiles of the install range and their weights, on [0, 1].
NODE_QUANTILE: FloatArray = (_NODE + 1.0) / 2.0
NODE_WEIGHT: FloatArray = _NODE_WEIGHT / 2.0


@dataclass(frozen=True)
class Sequences:
    """Looks sorted by subject and date, with the chance of what was called under each interval.

    `state_coef[state_start[s] + j]` is c_j = Π_{i<=j} P(r_i | sound) Π_{i>j} P(r_i | failed) of
    subject s: the chance of its looks given that it failed between its look j and look j + 1.
    """

    start: IntArray
    year: FloatArray
    bad: BoolArray
    state_coef: FloatArray

    @property
    def n_subjects(self) -> int:
        """Number of lives or lines."""
        return len(self.start) - 1

    @cached_property
    def state_start(self) -> IntArray:
        """Offset of each subject's c_0 in `state_coef`."""
        return self.start[:-1] + np.arange(self.n_subjects)


def ranges(start: IntArray, count: IntArray) -> IntArray:
    """Concatenate start[i], …, start[i] + count[i] - 1 for all i."""
    total = int(count.sum())
    first = np.repeat(start - np.concatenate(([0], np.cumsum(count)[:-1])), count)
    return first + np.arange(total)


def sequence_looks(
    subject: IntArray,
    year: FloatArray,
    bad: BoolArray,
    n_subjects: int,
    detection: Detection,
    sensitivity: FloatArray | None = None,
) -> Sequences:
    """Sort looks within subjects and work out the chance of the calls for each failure interval.

    `sensitivity`, one per look, takes the place of the detection's where given.
    """
    if sensitivity is None:
        sensitivity = np.full(len(subject), detection.sensitivity)
    order = np.lexsort((~bad, year, subject))
    subject, year, bad, sensitivity = subject[order], year[order], bad[order], sensitivity[order]
    if detection.specificity == 1.0 and (sensitivity == 1.0).all() and len(subject):
        keep = ~(_bad_before(subject, bad) & ~bad)
        subject, year, bad, sensitivity = subject[keep], year[keep], bad[keep], sensitivity[keep]
    start = np.searchsorted(subject, np.arange(n_subjects + 1)).astype(np.int64)
    if_failed = np.where(bad, sensitivity, 1.0 - sensitivity)
    if_sound = np.where(bad, 1.0 - detection.specificity, detection.specificity)
    return Sequences(start, year, bad, _state_coefficients(start, if_failed, if_sound))


def _bad_before(subject: IntArray, bad: BoolArray) -> BoolArray:
    """Whether an earlier look of the same subject was bad."""
    seen: IntArray = np.cumsum(bad, dtype=np.int64) - bad
    result: BoolArray = seen > seen[np.searchsorted(subject, subject)]
    return result


def _state_coefficients(start: IntArray, if_failed: FloatArray, if_sound: FloatArray) -> FloatArray:
    """c_j of every subject, by a pass over look positions (few), all subjects at once."""
    count = np.diff(start)
    state_start = start[:-1] + np.arange(len(count))
    coef = np.ones(len(if_failed) + len(count))
    for look in range(int(count.max(initial=0))):
        with_look = np.flatnonzero(count > look)
        for state in range(int(count.max()) + 1):
            reached = with_look[count[with_look] >= state]
            factor = if_failed if look >= state else if_sound
            coef[state_start[reached] + state] *= factor[start[reached] + look]
    return coef


# -- identical subjects ------------------------------------------------------------------------------


def mix(value: WordArray) -> WordArray:
    """Scramble 64-bit words (splitmix64 finaliser), so that sums of them identify sets."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


def words(value: FloatArray) -> WordArray:
    """Bits of floats after rounding, with -0 and 0 alike."""
    rounded = np.round(value, YEAR_DECIMALS) + 0.0
    return mix(np.ascontiguousarray(rounded).view(np.uint64) + np.uint64(0x9E3779B97F4A7C15))


def total_by(subject: IntArray, value: FloatArray, n_subjects: int) -> FloatArray:
    """Sums by subject, floats even where there are none."""
    total: FloatArray = np.bincount(subject, weights=value, minlength=n_subjects).astype(np.float64)
    return total


def sum_by(subject: IntArray, value: WordArray, n_subjects: int) -> WordArray:
    """Sums (modulo 2^64) of words by subject."""
    total = np.zeros(n_subjects, dtype=np.uint64)
    np.add.at(total, subject, value)
    return total


def life_signature(looks: LifeLooks, sequences: Sequences) -> WordArray:
    """One word per life, equal where lives have the same looks at the same ages and candidates.

    Two different lives share a word with chance about n² / 2^65: 3e-8 for a million lives.
    """
    n = looks.n_lives
    count = np.diff(sequences.start)
    subject = np.repeat(np.arange(n), count)
    position = np.arange(len(subject)) - sequences.start[:-1][subject]
    age = sequences.year - looks.install_min[subject]
    call = (position * 2 + sequences.bad).astype(np.uint64)
    # The state after a look carries how far that look is to be believed.
    belief = words(sequences.state_coef[np.arange(len(subject)) + subject])
    seen = sum_by(subject, mix(words(age) + mix(call + np.uint64(1)) + mix(belief)), n)
    candidate = mix(words(looks.candidate_probability) + mix(looks.candidate_row.astype(np.uint64)))
    laid_from = looks.candidate_install_min - looks.install_min[looks.candidate_life]
    laid_to = looks.candidate_install_max - looks.install_min[looks.candidate_life]
    kinds = sum_by(looks.candidate_life, mix(candidate + mix(words(laid_from) + mix(words(laid_to)))), n)
    return mix(seen ^ mix(kinds))


def kinds_of_rows(designs: Sequence[FloatArray]) -> tuple[IntArray, IntArray]:
    """First row of each distinct combination of covariates, and the combination of each row."""
    key = np.zeros(len(designs[0]), dtype=np.uint64)
    for i, column in enumerate(column for design in designs for column in design.T):
        key = mix(key + mix(words(column)) + np.uint64(i))
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    return first, kind


# -- linear forms in survival chances ------------------------------------------------------------------


@dataclass(frozen=True)
class Forms:
    """Linear forms Σ coef · S(row, age) + constant, many at once.

    Entry e adds coef[e] · S(row[e], age[e]) to form[e].
    """

    n_forms: int
    form: IntArray
    row: IntArray
    age: FloatArray
    coef: FloatArray
    constant: FloatArray


def has_wide_install(looks: LifeLooks) -> BoolArray:
    """Whether a life's install year must be summed over, shape (n_lives,)."""
    wide = looks.candidate_install_max - looks.candidate_install_min > WIDE_INSTALL_YEARS
    result: BoolArray = np.bincount(looks.candidate_life, weights=wide, minlength=looks.n_lives) > 0
    return result


def survival_requests(
    sequences: Sequences, life: IntArray, threshold: FloatArray, with_looks: BoolArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """P(looks of life, T > threshold year) as Σ coef · S(year - install).

    Returns request number, year and coef of each entry; a threshold of -inf gives P(looks), whose first
    entry is at year -inf, where S = 1.
    """
    start, count = sequences.start[life], np.where(with_looks, np.diff(sequences.start)[life], 0)
    request = np.repeat(np.arange(len(life)), count)
    look = ranges(start, count)
    later = sequences.year[look] > threshold[request]
    passed = count - np.bincount(request[later], minlength=len(life))
    at_threshold = sequences.state_coef[sequences.state_start[life] + passed]
    at_threshold = np.where(with_looks, at_threshold, 1.0)
    state = look + life[request]
    step = sequences.state_coef[state + 1] - sequences.state_coef[state]
    return (
        np.concatenate((np.arange(len(life)), request[later])),
        np.concatenate((threshold, sequences.year[look[later]])),
        np.concatenate((at_threshold, step[later])),
    )


def build_forms(
    looks: LifeLooks,
    sequences: Sequences,
    life: IntArray,
    threshold: FloatArray,
    *,
    node: IntArray | None = None,
    with_looks: BoolArray | None = None,
) -> Forms:
    """Expand P(looks, T > threshold) of each (life, threshold) over install nodes and candidates.

    With `node` (one per request, in 0 .. N_NODES - 1) the install year is fixed at that quantile of its
    range; without, nodes are summed with their weights. Candidates are always summed. Requests whose
    `with_looks` is False give P(T > threshold), as if the life had never been looked at.
    """
    if with_looks is None:
        with_looks = np.ones(len(life), dtype=np.bool_)
    request, year, coef = survival_requests(sequences, life, threshold, with_looks)
    used = coef != 0.0
    request, year, coef = request[used], year[used], coef[used]
    request, year, coef, candidate = _over_candidates(looks, life, request, year, coef)
    low, high = looks.candidate_install_min[candidate], looks.candidate_install_max[candidate]
    wide = high - low > WIDE_INSTALL_YEARS
    if node is None:
        repeat = np.where(wide, N_NODES, 1)
        entry = np.repeat(np.arange(len(request)), repeat)
        at_node = ranges(np.zeros(len(request), dtype=np.int64), repeat)
        request, year, candidate = request[entry], year[entry], candidate[entry]
        low, high, wide = low[entry], high[entry], wide[entry]
        coef = coef[entry] * np.where(wide, NODE_WEIGHT[at_node], 1.0)
    else:
        at_node = node[request]
    install = low + (high - low) * np.where(wide, NODE_QUANTILE[at_node], 0.5)
    age = np.round(year - install, YEAR_DECIMALS)
    sound = age <= 0.0
    constant = total_by(request[sound], coef[sound], len(life))
    # Looks that no sound pipe could have shown must leave 0 behind, not the rounding of a sum.
    constant[np.abs(constant) <= CANCELLED * total_by(request[sound], np.abs(coef[sound]), len(life))] = 0.0
    return Forms(
        n_forms=len(life),
        form=request[~sound],
        row=looks.candidate_row[candidate[~sound]],
        age=age[~sound],
        coef=coef[~sound],
        constant=constant,
    )


def _over_candidates(
    looks: LifeLooks, life: IntArray, request: IntArray, year: FloatArray, coef: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Repeat entries over the candidates of their life, weighted by their prior chance."""
    order, first, n_candidates = looks.candidates_by_life
    subject = life[request]
    entry = np.repeat(np.arange(len(request)), n_candidates[subject])
    candidate = order[ranges(first[subject], n_candidates[subject])]
    weighted = coef[entry] * looks.candidate_probability[candidate]
    return request[entry], year[entry], weighted, candidate

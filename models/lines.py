"""Lines of several lives under overall verdicts: sums of products of single-life chances.

A verdict on a line has chance a + b · 1(no member had failed by then), with a = P(call | failed) and
b = P(call | sound) - a. Multiplying that out over a line's verdicts, and averaging over the failure ages
and own looks of its members, gives Σ_t e_t Π_k P(looks of k, T_k > threshold_tk): terms of factors.
Verdicts over the same members need one term more than there are verdicts, not two to that power.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from models.looks import BoolArray, Detection, FloatArray, IntArray, LifeLooks, LineLooks
from models.patterns import (
    NODE_WEIGHT,
    Sequences,
    WordArray,
    has_wide_install,
    mix,
    ranges,
    sequence_looks,
    sum_by,
    words,
)

#: Terms allowed for one line. Its verdicts on ever different sets of segments multiply; beyond this the
#: oldest are passed over, which loses information but bends nothing.
MOST_TERMS = 1024


@dataclass(frozen=True)
class Units:
    """Lives gathered into units whose verdicts concern each other.

    Attributes
    ----------
    start : ndarray of int, shape (n_units + 1,)
        Members of unit u are `member[start[u] : start[u + 1]]`.
    member : ndarray of int
        Lives.
    unit, place : ndarray of int, shape (n_lives,)
        Unit of each life (-1: in none) and its position within the unit.
    """

    start: IntArray
    member: IntArray
    unit: IntArray
    place: IntArray

    @property
    def n_units(self) -> int:
        """Number of units."""
        return len(self.start) - 1

    @property
    def size(self) -> IntArray:
        """Members of each unit."""
        return np.diff(self.start)


@dataclass(frozen=True)
class Verdicts:
    """Verdicts gathered by the set of lives they covered.

    `sequences` has one subject per set; set g belongs to unit `unit[g]` and covers
    `member[start[g] : start[g + 1]]`. Sets are sorted by unit; `first[u]` is the first of unit u.
    """

    sequences: Sequences
    start: IntArray
    member: IntArray
    unit: IntArray
    first: IntArray


@dataclass(frozen=True)
class Terms:
    """Σ over terms of coef · Π over factors of P(looks of life, T > threshold), by unit.

    Every term has one factor per member of its unit, in the order of the members.
    """

    unit: IntArray
    node: IntArray
    coef: FloatArray
    factor_start: IntArray
    factor_life: IntArray
    factor_threshold: FloatArray

    @property
    def factor_term(self) -> IntArray:
        """Term of each factor."""
        return np.repeat(np.arange(len(self.unit)), np.diff(self.factor_start))


def make_units(unit: IntArray, order_key: WordArray | None = None) -> Units:
    """Lay lives out by unit; within one by `order_key`, so that like units have like order."""
    key = np.zeros(len(unit), dtype=np.uint64) if order_key is None else order_key
    order = np.lexsort((key, unit))
    member = order[np.searchsorted(unit[order], 0) :]
    n_units = int(unit.max(initial=-1)) + 1
    start = np.searchsorted(unit[member], np.arange(n_units + 1)).astype(np.int64)
    place = np.full(len(unit), -1, dtype=np.int64)
    place[member] = np.arange(len(member)) - start[unit[member]]
    return Units(start, member, unit, place)


def connected_units(n_lives: int, line_looks: LineLooks) -> IntArray:
    """Unit of each life: lives linked by verdicts on common lines together; -1 for lives under none."""
    n_lines = line_looks.n_line_looks
    edges = sparse.coo_array(
        (np.ones(len(line_looks.member_life)), (line_looks.member_life, n_lives + line_looks.member_line)),
        shape=(n_lives + n_lines, n_lives + n_lines),
    )
    _, component = connected_components(edges, directed=False)
    unit = np.full(n_lives, -1, dtype=np.int64)
    lives = np.unique(line_looks.member_life)
    unit[lives] = np.unique(component[lives], return_inverse=True)[1]
    return unit


def gather_verdicts(line_looks: LineLooks, units: Units, detection: Detection) -> Verdicts:
    """Gather verdicts by member set; all members of a verdict must be of one unit."""
    pairs = np.unique(np.stack((line_looks.member_line, line_looks.member_life), axis=1), axis=0)
    line, life = pairs[:, 0], pairs[:, 1]
    n_lines = line_looks.n_line_looks
    line_start = np.searchsorted(line, np.arange(n_lines + 1)).astype(np.int64)
    key = sum_by(line, mix(life.astype(np.uint64) + np.uint64(1)), n_lines)
    _, chosen, group = np.unique(key, return_index=True, return_inverse=True)
    n_sets = len(chosen)
    unit = units.unit[life[line_start[chosen]]]
    newest = np.full(n_sets, -np.inf)
    np.maximum.at(newest, group, line_looks.line_year)
    order = np.lexsort((-newest, unit))
    order = order[_affordable(unit[order], np.bincount(group, minlength=n_sets)[order])]
    rank = np.full(n_sets, -1, dtype=np.int64)
    rank[order] = np.arange(len(order))
    kept = rank[group] >= 0
    sequences = sequence_looks(
        rank[group][kept], line_looks.line_year[kept], line_looks.line_bad[kept], len(order), detection
    )
    size = np.diff(line_start)[chosen[order]]
    member = life[ranges(line_start[chosen[order]], size)]
    start = np.concatenate(([0], np.cumsum(size)))
    first = np.searchsorted(unit[order], np.arange(units.n_units + 1)).astype(np.int64)
    return Verdicts(sequences, start, member, unit[order], first)


def _affordable(unit: IntArray, n_verdicts: IntArray) -> BoolArray:
    """Which member sets, newest first within a unit, keep its number of terms within bounds."""
    growth = np.log(n_verdicts + 1.0)
    total = np.cumsum(growth)
    before = (total - growth)[np.searchsorted(unit, unit)]
    result: BoolArray = total - before <= np.log(MOST_TERMS)
    return result


def unit_signature(looks: LifeLooks, life_key: WordArray, units: Units, verdicts: Verdicts) -> WordArray:
    """One word per unit, equal where members and verdicts are alike, ages counted."""
    size = np.diff(verdicts.start)
    group = np.repeat(np.arange(len(size)), size)
    count = np.diff(verdicts.sequences.start)[group]
    entry = np.repeat(np.arange(len(group)), count)
    look = ranges(verdicts.sequences.start[:-1][group], count)
    age = verdicts.sequences.year[look] - looks.install_min[verdicts.member[entry]]
    call = (size[group[entry]] * 2 + verdicts.sequences.bad[look]).astype(np.uint64)
    seen = sum_by(verdicts.member[entry], mix(words(age) + mix(call)), len(life_key))
    member = units.member
    return sum_by(units.unit[member], mix(mix(seen[member]) + life_key[member]), units.n_units)


def expand_terms(units: Units, verdicts: Verdicts, chosen: IntArray) -> Terms:
    """Multiply out the verdicts of some units. Install nodes are not in yet (`over_nodes`)."""
    size = units.size[chosen]
    terms = Terms(
        unit=chosen,
        node=np.zeros(len(chosen), dtype=np.int64),
        coef=np.ones(len(chosen)),
        factor_start=np.concatenate(([0], np.cumsum(size))),
        factor_life=units.member[ranges(units.start[chosen], size)],
        factor_threshold=np.full(int(size.sum()), -np.inf),
    )
    n_sets = np.diff(verdicts.first)
    for ordinal in range(int(n_sets[chosen].max(initial=0))):
        terms = _multiply_set(units, verdicts, terms, ordinal)
    return terms


def _multiply_set(units: Units, verdicts: Verdicts, terms: Terms, ordinal: int) -> Terms:
    """Multiply terms by the verdicts of one more member set of their unit."""
    has_set = verdicts.first[terms.unit] + ordinal < verdicts.first[terms.unit + 1]
    group = np.where(has_set, verdicts.first[terms.unit] + ordinal, 0)
    count = np.diff(verdicts.sequences.start)[group]
    n_states = np.where(has_set, count + 1, 1)
    old = np.repeat(np.arange(len(terms.unit)), n_states)
    state = ranges(np.zeros(len(n_states), dtype=np.int64), n_states)
    at = verdicts.sequences.state_start[group[old]]
    here = verdicts.sequences.state_coef[at + state]
    before = verdicts.sequences.state_coef[at + np.maximum(state - 1, 0)]
    step = np.where(has_set[old], np.where(state == 0, here, here - before), 1.0)
    used = step != 0.0
    old, state, step = old[used], state[used], step[used]
    grown = take_terms(terms, old)
    threshold = grown.factor_threshold.copy()
    later = np.flatnonzero(state > 0)
    year = verdicts.sequences.year[verdicts.sequences.start[group[old[later]]] + state[later] - 1]
    n_covered = np.diff(verdicts.start)[group[old[later]]]
    covered = verdicts.member[ranges(verdicts.start[group[old[later]]], n_covered)]
    where = np.repeat(grown.factor_start[later], n_covered) + units.place[covered]
    threshold[where] = np.maximum(threshold[where], np.repeat(year, n_covered))
    return Terms(grown.unit, grown.node, grown.coef * step, grown.factor_start, grown.factor_life, threshold)


def take_terms(terms: Terms, which: IntArray) -> Terms:
    """Some terms, possibly repeated, with their factors."""
    size = np.diff(terms.factor_start)[which]
    factor = ranges(terms.factor_start[which], size)
    return Terms(
        terms.unit[which],
        terms.node[which],
        terms.coef[which],
        np.concatenate(([0], np.cumsum(size))),
        terms.factor_life[factor],
        terms.factor_threshold[factor],
    )


def over_nodes(terms: Terms, looks: LifeLooks) -> Terms:
    """Repeat terms over install nodes, shared by all members, where any member's range is wide."""
    wide = has_wide_install(looks)
    any_wide = np.logical_or.reduceat(wide[terms.factor_life], terms.factor_start[:-1])
    n_nodes = np.where(any_wide, len(NODE_WEIGHT), 1)
    old = np.repeat(np.arange(len(n_nodes)), n_nodes)
    node = ranges(np.zeros(len(n_nodes), dtype=np.int64), n_nodes)
    grown = take_terms(terms, old)
    weight = np.where(n_nodes[old] > 1, NODE_WEIGHT[node], 1.0)
    return Terms(
        grown.unit, node, grown.coef * weight, grown.factor_start, grown.factor_life, grown.factor_threshold
    )

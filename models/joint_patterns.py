"""Patterns that one covariate row does not decide: their part of the Hessian, in full.

The looks at most pipes depend on one covariate row, and what they add to the Hessian is a few numbers by row. Where
the material is one of several, or a verdict speaks of several pipes, slopes by different rows are multiplied together.
What a factor of one row, such as one pipe of a line, adds by itself is again a few numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.arrow import Arrow
from models.groups import Groups, Members
from models.looks import BoolArray, FloatArray, IntArray

#: A probability below this is taken as this: exp(-690), far beyond any believable record.
SMALLEST = 1e-300
#: Slots whose slopes by all coefficients are alive at once: a few megabytes, which also keeps near the processor.
SLOTS_AT_ONCE = 20_000


class JointPatterns:
    """Factors, terms and patterns that depend on several covariate rows, numbered among themselves.

    Parameters
    ----------
    term_of_factor, pattern_of_term : ndarray of int
        Of all factors, rising, and of all terms.
    n_patterns : int
        Of all.
    slot_factor, slot_row : ndarray of int, shape (n_slots,)
        Factor and covariate row of each slot, sorted by factor.
    groups : Groups
        Of the covariate rows.

    Attributes
    ----------
    lone_slot : ndarray of int
        Slots whose square counts by itself: those of the other patterns, and lone ones of factors in a product.
    """

    def __init__(
        self,
        term_of_factor: IntArray,
        pattern_of_term: IntArray,
        n_patterns: int,
        slot_factor: IntArray,
        slot_row: IntArray,
        groups: Groups,
    ) -> None:
        joint = _joint(term_of_factor, pattern_of_term, n_patterns, slot_factor)
        of_slot = pattern_of_term[term_of_factor[slot_factor]]
        in_product = _several(term_of_factor)
        is_lone = ~_several(slot_factor) & (in_product[slot_factor] | ~joint[of_slot])
        self.lone_slot = np.flatnonzero(is_lone)
        n_slots = np.where(joint, np.bincount(of_slot, minlength=n_patterns), 0)
        block = np.where(joint, (np.cumsum(n_slots) - n_slots) // SLOTS_AT_ONCE, -1)
        n_blocks = int(block.max(initial=-1)) + 1
        parts = (_split(block[of], n_blocks) for of in (of_slot, pattern_of_term, np.arange(n_patterns)))
        in_mixed = in_product[slot_factor] & ~is_lone
        self.blocks = tuple(
            _Block(
                slot,
                term,
                pattern,
                term_of_factor,
                pattern_of_term,
                slot_factor,
                slot_row,
                in_mixed,
                groups,
            )
            for slot, term, pattern in zip(*parts, strict=True)
            if len(pattern)
        )

    def squares(
        self,
        slopes: list[FloatArray],
        factor: FloatArray,
        term_share: FloatArray,
        weight: FloatArray,
        designs: tuple[FloatArray, ...],
        kind: IntArray,
    ) -> Arrow | None:
        """The part of the Hessian from products of first derivatives, within terms and within patterns.

        Parameters
        ----------
        slopes : list of ndarray, shape (n_slots,)
            Derivative of each slot by each predictor, of all slots.
        factor, term_share, weight : ndarray
            Value of each factor, share of each term in the gradient, weight of each pattern, of all.
        designs : tuple of ndarray, shape (n_kinds, …)
            Covariates of each predictor.
        kind : ndarray of int, shape (n_rows,)
            Kind of covariates of each row.

        Returns
        -------
        Arrow or None
            None where there are no such patterns.
        """
        total: Arrow | None = None
        for block in self.blocks:
            found = block.squares(slopes, factor, term_share, weight, designs, kind)
            total = found if total is None else total + found
        return total


class _Block:
    """Some of the joint patterns, with their terms and slots numbered among themselves."""

    def __init__(
        self,
        slot: IntArray,
        term: IntArray,
        pattern: IntArray,
        term_of_factor: IntArray,
        pattern_of_term: IntArray,
        slot_factor: IntArray,
        slot_row: IntArray,
        in_mixed: BoolArray,
        groups: Groups,
    ) -> None:
        self.slot, self.term, self.pattern = slot, term, pattern
        self.slot_factor, self.slot_row = slot_factor[slot], slot_row[slot]
        term_of_slot = np.searchsorted(term, term_of_factor[self.slot_factor])
        own_pattern = np.searchsorted(pattern, pattern_of_term[term])
        self.first_slot = _firsts(term_of_slot, len(term))
        self.by_pattern = np.argsort(own_pattern, kind="stable").astype(np.int32)
        self.first_term = _firsts(own_pattern[self.by_pattern], len(pattern))
        # Terms without a slot are certain whatever the curve, and have no slope: any group will do.
        of_term, of_pattern = (np.zeros(len(x), dtype=np.int64) for x in (term, pattern))
        of_term[term_of_slot] = groups.of_row[self.slot_row]
        of_pattern[own_pattern[term_of_slot]] = groups.of_row[self.slot_row]
        # The only factor of a term is that term: what either adds, the other takes away.
        n_factors = np.searchsorted(term_of_factor, term, side="right") - np.searchsorted(
            term_of_factor, term
        )
        self.product = np.flatnonzero(n_factors > 1)
        # Factors of several rows in a product, by their slots.
        self.mixed_slot = np.flatnonzero(in_mixed[slot])
        factor, first, mixed = np.unique(
            self.slot_factor[self.mixed_slot], return_index=True, return_inverse=True
        )
        self.first_mixed = _firsts(mixed, len(factor))
        self.term_of_mixed = np.searchsorted(term, term_of_factor[factor])
        of_mixed = groups.of_row[self.slot_row[self.mixed_slot[first]]]
        self.members = tuple(Members(of, groups.n) for of in (of_mixed, of_term[self.product], of_pattern))

    def squares(
        self,
        slopes: list[FloatArray],
        factor: FloatArray,
        term_share: FloatArray,
        weight: FloatArray,
        designs: tuple[FloatArray, ...],
        kind: IntArray,
    ) -> Arrow:
        """As `JointPatterns.squares`."""
        share, of_slot = term_share[self.term], np.maximum(factor[self.slot_factor], SMALLEST)
        relative = [slope[self.slot] / of_slot for slope in slopes]
        kind_of_slot = kind[self.slot_row].astype(np.int32)
        by_term = _jacobian(relative, kind_of_slot, self.first_slot, designs)
        shape = (len(self.pattern), len(self.term))
        entries = (share[self.by_pattern], self.by_pattern, self.first_term)
        by_pattern = sparse.csr_array(entries, shape=shape) @ by_term
        own = weight[self.pattern]
        of_mixed, of_terms, of_patterns = self.members
        found = of_patterns.squares(by_pattern, -1.0 / np.where(own > 0.0, own, 1.0))
        if len(self.product) == 0:
            return found
        found += of_terms.squares(by_term[self.product], share[self.product])
        mixed = self.mixed_slot
        by_factor = _jacobian(
            [each[mixed] for each in relative], kind_of_slot[mixed], self.first_mixed, designs
        )
        return found + of_mixed.squares(by_factor, -share[self.term_of_mixed])


def _jacobian(
    slopes: list[FloatArray], kind: NDArray[np.int32], first: IntArray, designs: tuple[FloatArray, ...]
) -> FloatArray:
    """Slopes of runs of slots by the coefficients, and in the last column by their group's effect."""
    by_kind = [
        sparse.csr_array((slope, kind, first), shape=(len(first) - 1, len(design)))
        for slope, design in zip(slopes, designs, strict=True)
    ]
    parts = [slope @ design for slope, design in zip(by_kind, designs, strict=True)]
    # An effect adds to the first predictor.
    return np.column_stack((*parts, by_kind[0] @ np.ones(len(designs[0]))))


def _firsts(whole: IntArray, n: int) -> IntArray:
    """Where the parts of each whole begin, which rise, and where the last ends; of the type that sparse matrices index by."""
    result: IntArray = np.searchsorted(whole, np.arange(n + 1)).astype(np.int32)
    return result


def _several(whole: IntArray) -> BoolArray:
    """Whether the whole that each part belongs to has several parts."""
    result: BoolArray = np.bincount(whole)[whole] > 1
    return result


def _split(block: IntArray, n_blocks: int) -> list[IntArray]:
    """Positions of each block, rising."""
    order = np.argsort(block, kind="stable")
    first = np.searchsorted(block[order], np.arange(n_blocks + 1))
    return [order[first[i] : first[i + 1]] for i in range(n_blocks)]


def _joint(
    term_of_factor: IntArray, pattern_of_term: IntArray, n_patterns: int, slot_factor: IntArray
) -> BoolArray:
    """Which patterns have several terms, factors or rows."""
    pattern_of_slot = pattern_of_term[term_of_factor[slot_factor]]
    several = np.bincount(pattern_of_slot, minlength=n_patterns) > 1
    result: BoolArray = several | (np.bincount(pattern_of_term, minlength=n_patterns) > 1)
    return result

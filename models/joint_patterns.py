"""Patterns that one covariate row does not decide: their part of the Hessian, in full.

The looks at most pipes depend on one covariate row, and what they add to the Hessian is a few numbers by row. Where
the material is one of several, or a verdict speaks of several pipes, slopes by different rows are multiplied together.
"""

from __future__ import annotations

import numpy as np
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
        Of all factors and terms.
    n_patterns : int
        Of all.
    slot_factor, slot_row : ndarray of int, shape (n_slots,)
        Factor and covariate row of each slot, sorted by factor.
    groups : Groups
        Of the covariate rows.

    Attributes
    ----------
    plain_slot : ndarray of int
        Slots of the other patterns.
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
        pattern_of_factor = pattern_of_term[term_of_factor]
        of_slot = pattern_of_factor[slot_factor]
        self.plain_slot = np.flatnonzero(~joint[of_slot])
        n_slots = np.where(joint, np.bincount(of_slot, minlength=n_patterns), 0)
        block = np.where(joint, (np.cumsum(n_slots) - n_slots) // SLOTS_AT_ONCE, -1)
        n_blocks = int(block.max(initial=-1)) + 1
        parts = (
            _split(block[of], n_blocks)
            for of in (of_slot, pattern_of_factor, pattern_of_term, np.arange(n_patterns))
        )
        self.blocks = tuple(
            _Block(
                slot, factor, term, pattern, term_of_factor, pattern_of_term, slot_factor, slot_row, groups
            )
            for slot, factor, term, pattern in zip(*parts, strict=True)
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
    """Some of the joint patterns, with their terms, factors and slots numbered among themselves."""

    def __init__(
        self,
        slot: IntArray,
        factor: IntArray,
        term: IntArray,
        pattern: IntArray,
        term_of_factor: IntArray,
        pattern_of_term: IntArray,
        slot_factor: IntArray,
        slot_row: IntArray,
        groups: Groups,
    ) -> None:
        self.slot, self.factor, self.term, self.pattern = slot, factor, term, pattern
        self.term_of_factor = np.searchsorted(self.term, term_of_factor[self.factor])
        self.pattern_of_term = np.searchsorted(self.pattern, pattern_of_term[self.term])
        self.slot_factor = np.searchsorted(self.factor, slot_factor[self.slot])
        self.slot_row = slot_row[self.slot]
        first_slot = np.searchsorted(self.slot_factor, np.arange(len(self.factor) + 1))
        # Of the type that sparse matrices index by, as are those that do not change from step to step.
        self.first_slot = first_slot.astype(np.int32)
        self.to_term = _sums(self.term_of_factor, len(self.term))
        self.to_pattern = _sums(self.pattern_of_term, len(self.pattern))
        # Factors without a slot are certain whatever the curve, and have no slope: any group will do.
        of_factor = np.zeros(len(self.factor), dtype=np.int64)
        of_term, of_pattern = (np.zeros(len(x), dtype=np.int64) for x in (self.term, self.pattern))
        of_factor[self.slot_factor] = groups.of_row[self.slot_row]
        term = self.term_of_factor[self.slot_factor]
        of_term[term] = of_pattern[self.pattern_of_term[term]] = groups.of_row[self.slot_row]
        # The only factor of a term is that term: what either adds, the other takes away.
        several = np.bincount(self.term_of_factor, minlength=len(self.term)) > 1
        self.in_product, self.product = np.flatnonzero(several[self.term_of_factor]), np.flatnonzero(several)
        self.members = tuple(
            Members(of, groups.n) for of in (of_factor[self.in_product], of_term[self.product], of_pattern)
        )

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
        share = term_share[self.term]
        relative = self._jacobian(slopes, designs, kind)
        relative /= np.maximum(factor[self.factor], SMALLEST)[:, None]
        by_term = self.to_term @ relative
        by_pattern = self.to_pattern @ (share[:, None] * by_term)
        own = weight[self.pattern]
        of_factors, of_terms, of_patterns = self.members
        found = of_patterns.squares(by_pattern, -1.0 / np.where(own > 0.0, own, 1.0))
        if len(self.product) == 0:
            return found
        return (
            found
            + of_factors.squares(relative[self.in_product], -share[self.term_of_factor[self.in_product]])
            + of_terms.squares(by_term[self.product], share[self.product])
        )

    def _jacobian(
        self, slopes: list[FloatArray], designs: tuple[FloatArray, ...], kind: IntArray
    ) -> FloatArray:
        """Slopes of factors by the coefficients, and in the last column by their group's effect."""
        parts, of_slot = [], kind[self.slot_row].astype(np.int32)
        for slope, design in zip(slopes, designs, strict=True):
            by_kind = sparse.csr_array(
                (slope[self.slot], of_slot, self.first_slot), shape=(len(self.factor), len(design))
            )
            parts.append(by_kind @ design)
        # An effect adds to the first predictor.
        effect = np.bincount(self.slot_factor, weights=slopes[0][self.slot], minlength=len(self.factor))
        return np.column_stack((*parts, effect))


def _sums(whole: IntArray, n: int) -> sparse.csr_array:
    """Matrix that adds up the parts of each whole."""
    parts = np.arange(len(whole))
    return sparse.csr_array((np.ones(len(whole)), (whole, parts)), shape=(n, len(whole)))


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

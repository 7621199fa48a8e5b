"""Likelihood of looks at lives, with gradient and Hessian, over distinct patterns only.

A pattern (one life's looks, or one line's) has probability Σ_t e_t Π_f G_f, where each factor
G_f = Σ coef · S(row, age) + constant. A life by itself is one term of one factor. Derivatives are
analytic throughout; nothing here depends on the number of records, only on distinct patterns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from models.arrow import Arrow
from models.atoms import Atoms, Predictors, life_atoms, log_age_from_reference
from models.errors import ModelInputError
from models.groups import Groups, Members, Membership
from models.laws import code_of
from models.lines import (
    Units,
    connected_units,
    expand_terms,
    gather_verdicts,
    make_units,
    over_nodes,
    unit_signature,
)
from models.looks import BoolArray, Detection, FloatArray, IntArray, LifeLooks, LineLooks
from models.patterns import (
    CANCELLED,
    Forms,
    Sequences,
    WordArray,
    build_forms,
    life_signature,
    mix,
    sequence_looks,
    total_by,
    words,
)

#: A probability below this is taken as this: exp(-690), far beyond any believable record.
SMALLEST = 1e-300


@dataclass(frozen=True)
class Parts:
    """Terms and factors of patterns, before atoms are gathered."""

    forms: Forms
    term_of_factor: IntArray
    pattern_of_term: IntArray
    term_coef: FloatArray
    weight: FloatArray
    pattern_of_life: IntArray


@dataclass(frozen=True)
class Derivatives:
    """Log-likelihood of all patterns, its gradient and Hessian by the coefficients, then by group effects."""

    value: float
    gradient: FloatArray
    hessian: Arrow


class LooksLikelihood:
    """The patterns of a set of looks, ready to be evaluated at any coefficients.

    Parameters
    ----------
    looks, line_looks, detection
        As in `models.lives.LifeRegression`.
    groups : Groups, optional
        Group of each covariate row; all candidates of a life, and all lives of a line, must share one.
    law : str
        One of `models.laws.LAWS`.

    Raises
    ------
    ModelInputError
        If a life may be in two groups, or a line has lives of two.

    Attributes
    ----------
    excluded_lives : ndarray of int
        Lives whose looks have probability 0 at every parameter value.
    n_patterns : int
        Distinct patterns.
    """

    def __init__(
        self,
        looks: LifeLooks,
        line_looks: LineLooks | None,
        detection: Detection,
        groups: Groups | None = None,
        law: str = "weibull",
    ) -> None:
        self.law = code_of(law)
        parts = compile_parts(looks, line_looks, detection)
        self._gather(parts)
        self._drop_impossible(parts)
        self.groups = groups
        self.member = self._membership(groups)

    def _gather(self, parts: Parts) -> None:
        """Number distinct (row, age) atoms, in order of row, and lay out the sparse sums."""
        forms = parts.forms
        key = mix(words(forms.age) + mix(forms.row.astype(np.uint64)))
        _, first, atom = np.unique(key, return_index=True, return_inverse=True)
        by_row = np.argsort(forms.row[first], kind="stable")
        renumber = np.empty(len(first), dtype=np.int64)
        renumber[by_row] = np.arange(len(first))
        self.atom_row = forms.row[first][by_row]
        self.atom_log_age = log_age_from_reference(forms.age[first][by_row])
        shape = (forms.n_forms, len(first))
        self.sums = sparse.csr_array((forms.coef, (forms.form, renumber[atom])), shape=shape)
        self.sums.sum_duplicates()
        self.constant = forms.constant
        self.term_of_factor = parts.term_of_factor
        self.pattern_of_term = parts.pattern_of_term
        self.term_coef = parts.term_coef
        self.weight = parts.weight.copy()
        self.n_patterns = len(parts.weight)
        self.is_linear = len(self.term_of_factor) == self.n_patterns
        self._lay_out_slots()

    def _lay_out_slots(self) -> None:
        """Find where a factor's entries change row: derivatives are summed per (factor, row)."""
        factor = np.repeat(np.arange(self.sums.shape[0]), np.diff(self.sums.indptr))
        row = self.atom_row[self.sums.indices]
        new = np.ones(len(row), dtype=np.bool_)
        new[1:] = (factor[1:] != factor[:-1]) | (row[1:] != row[:-1])
        self.slot_start = np.flatnonzero(new)
        self.slot_factor, self.slot_row = factor[new], row[new]

    def _drop_impossible(self, parts: Parts) -> None:
        """Give weight 0 to patterns that no life could have shown, and remember their lives."""
        n_rows = int(self.atom_row.max(initial=-1)) + 1
        # Any scale will do: a law of shape 1 about the middle age leaves nothing vanishing by itself.
        middle = np.median(self.atom_log_age) if len(self.atom_log_age) else 0.0
        factor, _ = self._factors(Predictors(np.full(n_rows, -middle), np.zeros(n_rows), None))
        term = self.term_coef * self._products(factor)
        # What the sums would be if nothing cancelled, within factors and between terms.
        whole = np.abs(self.constant) + np.abs(self.sums).sum(axis=1)
        most = np.abs(self.term_coef) * self._products(whole)
        size = np.bincount(self.pattern_of_term, weights=most, minlength=self.n_patterns)
        chance = np.bincount(self.pattern_of_term, weights=term, minlength=self.n_patterns)
        # Products bottom out at SMALLEST instead of 0.
        impossible = chance <= CANCELLED * size + 1e10 * SMALLEST
        self.weight[impossible] = 0.0
        of_life = parts.pattern_of_life
        looked_at = np.flatnonzero(of_life >= 0)
        self.excluded_lives = looked_at[impossible[of_life[looked_at]]]

    def _factors(self, at: Predictors) -> tuple[FloatArray, Atoms]:
        """G_f at the rows' parameters; F is used in place of S near 1, which keeps (0, a] exact."""
        atoms = life_atoms(self.law, self.atom_log_age, tuple(eta[self.atom_row] for eta in at.all))
        early = atoms.survival >= 0.5
        value = self.sums @ np.where(early, -atoms.failed, atoms.survival)
        value += self.constant + self.sums @ early.astype(np.float64)
        return np.maximum(value, 0.0), atoms

    def _products(self, factor: FloatArray) -> FloatArray:
        if self.is_linear:
            return factor
        log_factor = np.log(np.maximum(factor, SMALLEST))
        total = np.bincount(self.term_of_factor, weights=log_factor, minlength=len(self.term_coef))
        product: FloatArray = np.exp(total)
        return product

    def _chances(self, product: FloatArray) -> FloatArray:
        total = np.bincount(self.pattern_of_term, weights=self.term_coef * product, minlength=self.n_patterns)
        return np.maximum(total, SMALLEST)

    def value(self, at: Predictors) -> float:
        """Log-likelihood at the predictors of each row."""
        factor, _ = self._factors(at)
        return float(self.weight @ np.log(self._chances(self._products(factor))))

    def derivatives(self, at: Predictors, designs: tuple[FloatArray, ...]) -> Derivatives:
        """Log-likelihood, gradient and Hessian by the coefficients of all designs, then by the groups' effects."""
        factor, atoms = self._factors(at)
        product = self._products(factor)
        chance = self._chances(product)
        term_share = self.term_coef * product * (self.weight / chance)[self.pattern_of_term]
        pull = term_share[self.term_of_factor] / np.maximum(factor, SMALLEST)
        slopes = self._row_sums(atoms.first, len(factor), len(designs[0]))
        jacobian = np.hstack([slope @ design for slope, design in zip(slopes, designs, strict=True)])
        by_group = np.zeros(len(factor)) if self.groups is None else self.sums @ atoms.first[0]
        gradient = np.concatenate((jacobian.T @ pull, self.member.factors.totals(by_group * pull)))
        bent = self._curvature(pull, atoms, designs)
        crossed = self._cross_terms(np.column_stack((jacobian, by_group)), factor, term_share, chance)
        hessian = bent + crossed
        return Derivatives(float(self.weight @ np.log(chance)), gradient, hessian)

    def _membership(self, groups: Groups | None) -> Membership:
        """Group of each factor, term and pattern."""
        n_factors = len(self.constant)
        of_factor = np.zeros(n_factors, dtype=np.int64)
        if groups is None:
            of_none = Members(of_factor, 0)
            return Membership(of_none, of_none, of_none)
        # Factors without an age (certain whatever the curve) have no slope: any group will do for them.
        of_factor[self.slot_factor] = groups.of_row[self.slot_row]
        if (of_factor[self.slot_factor] != groups.of_row[self.slot_row]).any():
            raise ModelInputError("a life may be in two groups; groups must be known.")
        of_term = np.zeros(len(self.term_coef), dtype=np.int64)
        of_pattern = np.zeros(self.n_patterns, dtype=np.int64)
        has_slot = np.zeros(n_factors, dtype=np.bool_)
        has_slot[self.slot_factor] = True
        term = self.term_of_factor[has_slot]
        of_term[term] = of_factor[has_slot]
        of_pattern[self.pattern_of_term[term]] = of_factor[has_slot]
        if (of_pattern[self.pattern_of_term[term]] != of_factor[has_slot]).any():
            raise ModelInputError("a line has lives of two groups.")
        return Membership(*(Members(of, groups.n) for of in (of_factor, of_term, of_pattern)))

    def _row_sums(
        self, per_atom: tuple[FloatArray, ...], n_factors: int, n_rows: int
    ) -> list[sparse.csr_array]:
        """Σ coef · derivative within each (factor, row), as sparse factor × row arrays."""
        result = []
        indptr = np.searchsorted(self.slot_factor, np.arange(n_factors + 1))
        for derivative in per_atom:
            entry = self.sums.data * derivative[self.sums.indices]
            data = np.add.reduceat(entry, self.slot_start) if len(entry) else entry
            result.append(sparse.csr_array((data, self.slot_row, indptr), shape=(n_factors, n_rows)))
        return result

    def _curvature(self, pull: FloatArray, atoms: Atoms, designs: tuple[FloatArray, ...]) -> Arrow:
        """The part of the Hessian from second derivatives of S: one small block per row."""
        atom_pull = self.sums.T @ pull
        n_rows = len(designs[0])

        by_row = [
            [total_by(self.atom_row, atom_pull * second, n_rows) for second in seconds]
            for seconds in atoms.second
        ]
        blocks: list[list[FloatArray]] = [[np.empty(0)] * len(designs) for _ in designs]
        for i, totals in enumerate(by_row):
            for j, total in enumerate(totals):
                blocks[i][j] = designs[i].T @ (total[:, None] * designs[j])
                blocks[j][i] = blocks[i][j].T
        corner, groups = np.block(blocks), self.groups
        if groups is None:
            return Arrow(corner, np.zeros((0, len(corner))), np.zeros(0))
        # An effect adds to the log hazard, the first predictor: its derivatives are the same.
        with_each = [totals[0] for totals in by_row]
        cross = np.hstack(
            [groups.sums @ (by[:, None] * design) for by, design in zip(with_each, designs, strict=True)]
        )
        return Arrow(corner, cross, groups.sums @ with_each[0])

    def _cross_terms(
        self,
        jacobian: FloatArray,
        factor: FloatArray,
        term_share: FloatArray,
        chance: FloatArray,
    ) -> Arrow:
        """The part from products of first derivatives, within terms and within patterns.

        The last column of `jacobian` is the slope by the effect of the factor's own group.
        """
        if self.is_linear:
            scaled = jacobian * (self.term_coef * np.sqrt(self.weight) / chance)[:, None]
            return self.member.factors.squares(scaled, -1.0)
        member = self.member
        relative = jacobian / np.maximum(factor, SMALLEST)[:, None]
        n_terms = len(self.term_coef)
        to_term = sparse.csr_array(
            (np.ones(len(factor)), (self.term_of_factor, np.arange(len(factor)))),
            shape=(n_terms, len(factor)),
        )
        by_term = to_term @ relative
        own = member.factors.squares(relative, -term_share[self.term_of_factor])
        joint = member.terms.squares(by_term, term_share)
        to_pattern = sparse.csr_array(
            (term_share, (self.pattern_of_term, np.arange(n_terms))), shape=(self.n_patterns, n_terms)
        )
        by_pattern = to_pattern @ by_term
        weight = np.where(self.weight > 0.0, self.weight, 1.0)
        between = member.patterns.squares(by_pattern, -1.0 / weight)
        return own + joint + between


def compile_parts(looks: LifeLooks, line_looks: LineLooks | None, detection: Detection) -> Parts:
    """Gather identical lives and lines into weighted patterns and expand each once."""
    sequences = sequence_looks(
        looks.look_life, looks.look_year, looks.look_bad, looks.n_lives, detection, looks.look_sensitivity
    )
    signature = life_signature(looks, sequences)
    if line_looks is None or line_looks.n_line_looks == 0:
        return _single_lives(looks, sequences, signature, np.zeros(looks.n_lives, dtype=np.bool_))
    if line_looks.member_life.max() >= looks.n_lives:
        raise ModelInputError(
            f"member_life is not one of the {looks.n_lives} lives.",
            row=int(np.argmax(line_looks.member_life >= looks.n_lives)),
        )
    units = make_units(connected_units(looks.n_lives, line_looks))
    single = _single_lives(looks, sequences, signature, units.unit >= 0)
    return _join(single, _lines(looks, sequences, signature, units, line_looks, detection))


def _single_lives(looks: LifeLooks, sequences: Sequences, signature: WordArray, in_line: BoolArray) -> Parts:
    life = np.flatnonzero((np.diff(sequences.start) > 0) & ~in_line)
    _, representative, inverse = np.unique(signature[life], return_index=True, return_inverse=True)
    n = len(representative)
    forms = build_forms(looks, sequences, life[representative], np.full(n, -np.inf))
    pattern_of_life = np.full(looks.n_lives, -1, dtype=np.int64)
    pattern_of_life[life] = inverse
    return Parts(
        forms=forms,
        term_of_factor=np.arange(n),
        pattern_of_term=np.arange(n),
        term_coef=np.ones(n),
        weight=total_by(inverse, looks.weight[life], n),
        pattern_of_life=pattern_of_life,
    )


def _lines(
    looks: LifeLooks,
    sequences: Sequences,
    signature: WordArray,
    units: Units,
    line_looks: LineLooks,
    detection: Detection,
) -> Parts:
    verdicts = gather_verdicts(line_looks, units, detection)
    key = unit_signature(looks, signature, units, verdicts)
    _, chosen, inverse = np.unique(key, return_index=True, return_inverse=True)
    # A line stands for as many as its first member does.
    weight = looks.weight[units.member[units.start[:-1]]]
    terms = over_nodes(expand_terms(units, verdicts, chosen), looks)
    pattern = np.searchsorted(np.sort(chosen), terms.unit)
    rank = np.argsort(np.argsort(chosen))
    factor_term = terms.factor_term
    pattern_of_life = np.full(looks.n_lives, -1, dtype=np.int64)
    pattern_of_life[units.member] = rank[inverse][units.unit[units.member]]
    return Parts(
        forms=build_forms(
            looks, sequences, terms.factor_life, terms.factor_threshold, node=terms.node[factor_term]
        ),
        term_of_factor=factor_term,
        pattern_of_term=pattern,
        term_coef=terms.coef,
        weight=total_by(rank[inverse], weight, len(chosen)),
        pattern_of_life=pattern_of_life,
    )


def _join(a: Parts, b: Parts) -> Parts:
    """Put the patterns of b behind those of a."""
    n_forms, n_terms, n_patterns = a.forms.n_forms, len(a.term_coef), len(a.weight)
    forms = Forms(
        n_forms=n_forms + b.forms.n_forms,
        form=np.concatenate((a.forms.form, b.forms.form + n_forms)),
        row=np.concatenate((a.forms.row, b.forms.row)),
        age=np.concatenate((a.forms.age, b.forms.age)),
        coef=np.concatenate((a.forms.coef, b.forms.coef)),
        constant=np.concatenate((a.forms.constant, b.forms.constant)),
    )
    shifted = np.where(b.pattern_of_life >= 0, b.pattern_of_life + n_patterns, -1)
    return Parts(
        forms=forms,
        term_of_factor=np.concatenate((a.term_of_factor, b.term_of_factor + n_terms)),
        pattern_of_term=np.concatenate((a.pattern_of_term, b.pattern_of_term + n_patterns)),
        term_coef=np.concatenate((a.term_coef, b.term_coef)),
        weight=np.concatenate((a.weight, b.weight)),
        pattern_of_life=np.maximum(a.pattern_of_life, shifted),
    )

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
from models.atoms import Atoms, Predictors, life_atoms, life_chances, log_age_from_reference
from models.errors import ModelInputError
from models.groups import Groups
from models.joint_patterns import SMALLEST, JointPatterns
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
        if groups is not None:
            self._check_groups(groups)
        self.joint = JointPatterns(
            self.term_of_factor,
            self.pattern_of_term,
            self.n_patterns,
            self.slot_factor,
            self.slot_row,
            groups or Groups(np.zeros(int(self.slot_row.max(initial=-1)) + 1, dtype=np.int64), 0),
        )
        factor = self.slot_factor[self.joint.lone_slot]
        self.of_lone = self.slot_row[self.joint.lone_slot], factor, self.term_of_factor[factor]

    def _gather(self, parts: Parts) -> None:
        """Number distinct (row, age) atoms, in order of row, and lay out the sparse sums."""
        forms = parts.forms
        key = mix(words(forms.age) + mix(forms.row.astype(np.uint64)))
        _, first, atom = np.unique(key, return_index=True, return_inverse=True)
        by_row = np.argsort(forms.row[first], kind="stable")
        renumber = np.empty(len(first), dtype=np.int64)
        renumber[by_row] = np.arange(len(first))
        self.atom_row = forms.row[first][by_row]
        self.row_start = np.searchsorted(self.atom_row, np.arange(forms.row.max(initial=-1) + 2)).astype(
            np.int32
        )
        self.every_atom = np.arange(len(first), dtype=np.int32)
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
        slot_start = np.append(np.flatnonzero(new), len(row))
        self.slot_factor, self.slot_row = factor[new], row[new]
        entries = (self.sums.data, self.sums.indices, slot_start)
        self.slot_sums = sparse.csr_array(entries, shape=(len(slot_start) - 1, self.sums.shape[1]))

    def _drop_impossible(self, parts: Parts) -> None:
        """Give weight 0 to patterns that no life could have shown, and remember their lives."""
        n_rows = int(self.atom_row.max(initial=-1)) + 1
        # Any scale will do: a law of shape 1 about the middle age leaves nothing vanishing by itself.
        middle = np.median(self.atom_log_age) if len(self.atom_log_age) else 0.0
        flat = Predictors(np.full(n_rows, -middle), np.zeros(n_rows), None)
        factor = self._factors(*life_chances(self.law, self.atom_log_age, flat, self.atom_row))
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

    def _factors(self, survival: FloatArray, failed: FloatArray) -> FloatArray:
        """G_f at the atoms' chances; F is used in place of S near 1, which keeps (0, a] exact."""
        early = survival >= 0.5
        value = self.sums @ np.where(early, -failed, survival)
        value += self.constant + self.sums @ early.astype(np.float64)
        result: FloatArray = np.maximum(value, 0.0)
        return result

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
        factor = self._factors(*life_chances(self.law, self.atom_log_age, at, self.atom_row))
        return float(self.weight @ np.log(self._chances(self._products(factor))))

    def derivatives(
        self, at: Predictors, designs: tuple[FloatArray, ...], kind: IntArray | None = None
    ) -> Derivatives:
        """Log-likelihood, gradient and Hessian by the coefficients of all designs, then by the groups' effects.

        Parameters
        ----------
        at : Predictors
            Of each covariate row.
        designs : tuple of ndarray, shape (n_kinds, …)
            Covariates of each predictor.
        kind : ndarray of int, shape (n_rows,), optional
            Which covariates each row has; default its own.
        """
        atoms = life_atoms(self.law, self.atom_log_age, at, self.atom_row)
        factor = self._factors(atoms.survival, atoms.failed)
        product = self._products(factor)
        chance = self._chances(product)
        term_share = self.term_coef * product * (self.weight / chance)[self.pattern_of_term]
        pull = term_share[self.term_of_factor] / np.maximum(factor, SMALLEST)
        # Derivatives of S, summed within each slot, by predictor.
        slopes = [self.slot_sums @ atoms.first(i) for i in range(atoms.n_predictors)]
        kind = np.arange(len(at.log_hazard)) if kind is None else kind
        bends = self._row_bends(pull, factor, term_share, atoms, slopes, len(kind))
        hessian = self._over_rows(bends, designs, kind)
        squares = self.joint.squares(slopes, factor, term_share, self.weight, designs, kind)
        if squares is not None:
            hessian += squares
        gradient = self._gradient(pull, slopes, designs, kind)
        return Derivatives(float(self.weight @ np.log(chance)), gradient, hessian)

    def _check_groups(self, groups: Groups) -> None:
        """Refuse patterns of two groups."""
        group = groups.of_row[self.slot_row]
        for of_slot, message in (
            (self.slot_factor, "a life may be in two groups; groups must be known."),
            (self._pattern_of_slot(), "a line has lives of two groups."),
        ):
            known = np.zeros(int(of_slot.max(initial=-1)) + 1, dtype=np.int64)
            known[of_slot] = group
            if (known[of_slot] != group).any():
                raise ModelInputError(message)

    def _pattern_of_slot(self) -> IntArray:
        result: IntArray = self.pattern_of_term[self.term_of_factor[self.slot_factor]]
        return result

    def _gradient(
        self, pull: FloatArray, slopes: list[FloatArray], designs: tuple[FloatArray, ...], kind: IntArray
    ) -> FloatArray:
        """Gradient by the coefficients, then by the groups' effects."""
        of_slot, n_rows = pull[self.slot_factor], len(kind)
        by_row = [total_by(self.slot_row, slope * of_slot, n_rows) for slope in slopes]
        parts = [
            design.T @ total_by(kind, total, len(design))
            for design, total in zip(designs, by_row, strict=True)
        ]
        # An effect adds to the log hazard, the first predictor: its derivatives are the same.
        return np.concatenate((*parts, *([] if self.groups is None else [self.groups.totals(by_row[0])])))

    def _row_bends(
        self,
        pull: FloatArray,
        factor: FloatArray,
        term_share: FloatArray,
        atoms: Atoms,
        slopes: list[FloatArray],
        n_rows: int,
    ) -> list[list[FloatArray]]:
        """Second derivatives by the predictors of one row: of S, and squares of slots that count by themselves."""
        atoms_of_row = (self.sums.T @ pull, self.every_atom, self.row_start)
        of_row = sparse.csr_array(atoms_of_row, shape=(len(self.row_start) - 1, len(self.every_atom)))
        # Rows behind the last that has an atom.
        behind = n_rows - len(self.row_start) + 1
        slot, (row, of_slot, term) = self.joint.lone_slot, self.of_lone
        # Relative to the factor first: its square may be below what numbers can hold.
        lone = [slope[slot] / np.maximum(factor[of_slot], SMALLEST) for slope in slopes]
        share = term_share[term]
        return [
            [
                np.pad(of_row @ atoms.second(i, j), (0, behind))
                - total_by(row, share * lone[i] * lone[j], n_rows)
                for j in range(i + 1)
            ]
            for i in range(atoms.n_predictors)
        ]

    def _over_rows(
        self, bends: list[list[FloatArray]], designs: tuple[FloatArray, ...], kind: IntArray
    ) -> Arrow:
        """Sum what each row adds to the Hessian over rows of one kind, then over kinds and groups."""
        blocks: list[list[FloatArray]] = [[np.empty(0)] * len(designs) for _ in designs]
        for i, totals in enumerate(bends):
            for j, total in enumerate(totals):
                of_kind = total_by(kind, total, len(designs[0]))
                blocks[i][j] = designs[i].T @ (of_kind[:, None] * designs[j])
                blocks[j][i] = blocks[i][j].T
        corner, groups = np.block(blocks), self.groups
        if groups is None:
            return Arrow(corner, np.zeros((0, len(corner))), np.zeros(0))
        with_each = [totals[0] for totals in bends]
        cross = np.hstack(
            [
                groups.by_kind(total, kind, len(design)) @ design
                for total, design in zip(with_each, designs, strict=True)
            ]
        )
        return Arrow(corner, cross, groups.totals(with_each[0]))


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
    # By covariate row, as atoms are: sums over atoms then read what lies side by side.
    candidate, first, _ = looks.candidates_by_life
    order = np.argsort(looks.candidate_row[candidate[first[life[representative]]]], kind="stable")
    representative, inverse = representative[order], np.argsort(order)[inverse]
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

"""What a camera gives: looks at lives, each with the age range and the materials it may have had.

Containers only: flat numpy arrays with a stated grain, checked once on construction.
`models.lives` fits them, `models.series` scores with them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import ModelInputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Detection:
    """How often a look tells the truth about a life's state at that age.

    Parameters
    ----------
    sensitivity : float, in (0, 1]
        Chance that a failed life is called bad.
    specificity : float, in (0, 1]
        Chance that a sound life is called good. With both at 1 a look is the truth, and of
        contradictory looks the first bad one counts and later good ones are passed over.

    Raises
    ------
    ModelInputError
        If either lies outside (0, 1], or sensitivity + specificity <= 1 (a look that says nothing).
    """

    sensitivity: float = 1.0
    specificity: float = 1.0

    def __post_init__(self) -> None:
        """Refuse rates under which looks say nothing."""
        for name in ("sensitivity", "specificity"):
            value = getattr(self, name)
            if not 0.0 < value <= 1.0:
                raise ModelInputError(f"{name} is {value}; it must be above 0 and at most 1.")
        if self.sensitivity + self.specificity <= 1.0:
            raise ModelInputError(
                f"sensitivity {self.sensitivity} and specificity {self.specificity} add up to 1 or less: "
                "such a look says nothing."
            )

    @property
    def is_perfect(self) -> bool:
        """Whether every look is the truth."""
        return self.sensitivity == 1.0 and self.specificity == 1.0


@dataclass(frozen=True, kw_only=True)
class LifeLooks:
    """Lives and the looks taken at each, as flat arrays.

    Parameters
    ----------
    candidate_life : ndarray of int, shape (n_candidates,)
        Life that the candidate belongs to, in 0 .. n_lives - 1. Every life has at least one.
    candidate_row : ndarray of int, shape (n_candidates,)
        Row of X and Z (the covariates) that the life has if this candidate is the true one.
    candidate_probability : ndarray of float, shape (n_candidates,)
        Prior chance of the candidate; sums to 1 within a life. One candidate at 1.0 where the material
        is known.
    install_min, install_max : ndarray of float, shape (n_lives,)
        Earliest and latest decimal year of installation; taken as uniform in between. Where only ages
        are kept: 0 and 0, with ages as `look_year`.
    candidate_install_min, candidate_install_max : ndarray of float, shape (n_candidates,), optional
        The same per candidate, where a candidate says when as well as what: "with the house", say, or
        "at some later time, of a material sold only since". Default: the life's.
    look_life : ndarray of int, shape (n_looks,)
        Life looked at. A life may have none, one or many looks; order does not matter.
    look_year : ndarray of float, shape (n_looks,)
        Decimal year of the look [year], or the age.
    look_bad : ndarray of bool or 0/1, shape (n_looks,)
        Whether the event (by default repair-grade) was called.
    weight : ndarray of float, shape (n_lives,), optional
        How many lives this row stands for (default 1 each).
    look_sensitivity : ndarray of float, shape (n_looks,), optional
        Chance that a failed life is called bad at that look, in (0, 1]; default `Detection.sensitivity`.
        It differs where more than the camera tells: a pipe known to have been replaced counts as
        called bad whatever a camera would have missed (`models.bias.known_failure_sensitivity`).

    Raises
    ------
    ModelInputError
        Naming the first offending row, if lengths differ, an index is out of range, a value is NaN,
        install_max < install_min, a weight is negative, or probabilities do not sum to 1.
    """

    candidate_life: IntArray
    candidate_row: IntArray
    candidate_probability: FloatArray
    install_min: FloatArray
    install_max: FloatArray
    look_life: IntArray
    look_year: FloatArray
    look_bad: BoolArray
    weight: FloatArray = field(default_factory=lambda: np.empty(0))
    candidate_install_min: FloatArray = field(default_factory=lambda: np.empty(0))
    candidate_install_max: FloatArray = field(default_factory=lambda: np.empty(0))
    look_sensitivity: FloatArray | None = None

    def __post_init__(self) -> None:
        """Convert to the stated types and check every array once."""
        _store(self, ("candidate_life", "candidate_row", "look_life"), np.int64)
        _store(self, ("candidate_probability", "install_min", "install_max", "look_year"), np.float64)
        _store(self, ("look_bad",), np.bool_)
        if len(self.weight) == 0:
            object.__setattr__(self, "weight", np.ones(len(self.install_min)))
        _store(self, ("weight",), np.float64)
        for name, of_life in (
            ("candidate_install_min", self.install_min),
            ("candidate_install_max", self.install_max),
        ):
            inside = (self.candidate_life >= 0) & (self.candidate_life < len(of_life))
            if len(getattr(self, name)) == 0 and inside.all():
                object.__setattr__(self, name, of_life[self.candidate_life])
        _store(self, ("candidate_install_min", "candidate_install_max"), np.float64)
        if self.look_sensitivity is not None:
            _store(self, ("look_sensitivity",), np.float64)
        self._check_shapes()
        self._check_values()

    @cached_property
    def candidates_by_life(self) -> tuple[IntArray, IntArray, IntArray]:
        """Candidates in order of their lives, and the first and the number of each life's in that order."""
        order = np.argsort(self.candidate_life, kind="stable")
        number = np.bincount(self.candidate_life, minlength=self.n_lives)
        return order, np.cumsum(number) - number, number

    def _check_shapes(self) -> None:
        _same_length(self, ("candidate_life", "candidate_row", "candidate_probability"))
        _same_length(self, ("install_min", "install_max", "weight"))
        _same_length(self, ("look_life", "look_year", "look_bad"))
        if self.look_sensitivity is not None:
            _same_length(self, ("look_life", "look_sensitivity"))
        n = len(self.install_min)
        for name in ("candidate_life", "look_life"):
            index = getattr(self, name)
            _refuse((index < 0) | (index >= n), f"{name} is not one of the {n} lives.")
        _refuse(self.candidate_row < 0, "candidate_row is negative.")
        _same_length(self, ("candidate_life", "candidate_install_min", "candidate_install_max"))

    def _check_values(self) -> None:
        n = len(self.install_min)
        for name in ("install_min", "install_max", "look_year", "candidate_probability", "weight"):
            _refuse(~np.isfinite(getattr(self, name)), f"{name} is not a finite number.")
        _refuse(self.install_max < self.install_min, "install_max is earlier than install_min.")
        for name in ("candidate_install_min", "candidate_install_max"):
            _refuse(~np.isfinite(getattr(self, name)), f"{name} is not a finite number.")
        _refuse(
            self.candidate_install_max < self.candidate_install_min,
            "candidate_install_max is earlier than candidate_install_min.",
        )
        if self.look_sensitivity is not None:
            good = (self.look_sensitivity > 0) & (self.look_sensitivity <= 1)
            _refuse(~good, "look_sensitivity is not above 0 and at most 1.")
        _refuse(self.weight < 0, "weight is negative.")
        _refuse(self.candidate_probability < 0, "candidate_probability is negative.")
        total = np.bincount(self.candidate_life, weights=self.candidate_probability, minlength=n)
        _refuse(np.abs(total - 1.0) > 1e-6, "candidate probabilities of this life do not add up to 1.")

    @property
    def n_lives(self) -> int:
        """Number of lives, looked at or not."""
        return len(self.install_min)

    @property
    def n_looks(self) -> int:
        """Number of looks."""
        return len(self.look_life)


@dataclass(frozen=True, kw_only=True)
class LineLooks:
    """Looks at a whole line of several lives that have an overall verdict only.

    A bad one says that at least one member had failed, not which.

    Parameters
    ----------
    line_year : ndarray of float, shape (n_line_looks,)
        Decimal year of the look [year].
    line_bad : ndarray of bool or 0/1, shape (n_line_looks,)
        Overall verdict.
    member_line : ndarray of int, shape (n_members,)
        Line look, in 0 .. n_line_looks - 1.
    member_life : ndarray of int, shape (n_members,)
        Life (of the `LifeLooks` given beside it) that the line look covered.

    Raises
    ------
    ModelInputError
        Naming the row, if lengths differ, an index is out of range, or a line look has no member.
    """

    line_year: FloatArray
    line_bad: BoolArray
    member_line: IntArray
    member_life: IntArray

    def __post_init__(self) -> None:
        """Convert to the stated types and check every array once."""
        _store(self, ("member_line", "member_life"), np.int64)
        _store(self, ("line_year",), np.float64)
        _store(self, ("line_bad",), np.bool_)
        _same_length(self, ("line_year", "line_bad"))
        _same_length(self, ("member_line", "member_life"))
        n = len(self.line_year)
        _refuse(~np.isfinite(self.line_year), "line_year is not a finite number.")
        outside = (self.member_line < 0) | (self.member_line >= n)
        _refuse(outside, f"member_line is not one of the {n} line looks.")
        _refuse(self.member_life < 0, "member_life is negative.")
        _refuse(np.bincount(self.member_line, minlength=n) == 0, "this line look has no member.")

    @property
    def n_line_looks(self) -> int:
        """Number of line looks."""
        return len(self.line_year)


def _store(container: object, names: tuple[str, ...], dtype: type) -> None:
    """Replace what the caller gave by a flat array of the stated type."""
    for name in names:
        given = np.asarray(getattr(container, name))
        if given.ndim != 1:
            raise ModelInputError(f"{name} must be a flat array, not of shape {given.shape}.")
        if np.dtype(dtype).kind == "b" and given.dtype.kind != "b":
            # Text and None would count as true or false, whatever they say.
            _refuse(~np.isin(given, (0, 1)), f"{name} is neither true nor false, 1 nor 0.")
        array: NDArray[Any] = np.ascontiguousarray(given, dtype=dtype)
        if given.dtype.kind == "f" and np.dtype(dtype).kind == "i":
            _refuse(~(given == array), f"{name} holds something other than whole numbers.")
        object.__setattr__(container, name, array)


def _same_length(container: object, names: tuple[str, ...]) -> None:
    lengths = {name: len(getattr(container, name)) for name in names}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name} {length}" for name, length in lengths.items())
        raise ModelInputError(f"these arrays must be of one length: {told}.")


def _refuse(is_bad: NDArray[np.bool_], problem: str) -> None:
    if is_bad.any():
        raise ModelInputError(problem, row=int(np.argmax(is_bad)))


def single_candidates(rows: ArrayLike) -> tuple[IntArray, IntArray, FloatArray]:
    """Candidate arrays for lives whose covariates are all known.

    Parameters
    ----------
    rows : array of int, shape (n_lives,)
        Row of X and Z of each life.

    Returns
    -------
    tuple of ndarray
        `candidate_life`, `candidate_row`, `candidate_probability` for `LifeLooks`.
    """
    row = np.asarray(rows, dtype=np.int64)
    return np.arange(len(row), dtype=np.int64), row, np.ones(len(row))

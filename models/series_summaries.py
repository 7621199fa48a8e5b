"""Means and ranges of chances over parameter draws, of distinct lines and lives, spread over all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.drawn_chances import quantile_of_sorted
from models.lines_scored import Lines
from models.looks import FloatArray, IntArray
from models.patterns import ranges

#: Tail left out on each side of a range.
LOW = 0.05


@dataclass(frozen=True, kw_only=True)
class ChanceRange:
    """Mean and 5 % and 95 % quantiles over parameter draws, each an array over lives or lines."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, kw_only=True)
class SeriesChances:
    """Chances of lives and of lines of lives.

    Attributes
    ----------
    life_failed_now : ChanceRange, each shape (n_lives,)
        Chance that the life has already failed at `now`, given all looks at it and its line.
    life_failed_later : ChanceRange, each shape (n_lives,)
        Chance that it will have failed by `now + horizon`, given the same (includes failed now).
    line_failed_now, line_failed_later : ChanceRange, each shape (n_lines,)
        The same for the line: one minus the chance that every life of it is sound, draw by draw.
    line_unconditional_now : ChanceRange, shape (n_lines,)
        Without any look: what pipes like these do.
    line_draws_now, line_draws_later : ndarray of float32, shape (n_draws, n_lines)
        The draws behind `line_failed_now` and `line_failed_later`; no rows unless asked for.
    life_draws_now : ndarray of float32, shape (n_draws, n_kept)
        The draws behind `life_failed_now` of the lives named in `keep_lives`, in their order.
    """

    life_failed_now: ChanceRange
    life_failed_later: ChanceRange
    line_failed_now: ChanceRange
    line_failed_later: ChanceRange
    line_unconditional_now: ChanceRange
    line_draws_now: NDArray[Any]
    line_draws_later: NDArray[Any]
    life_draws_now: NDArray[Any]


class Collected:
    """Means and quantiles of the distinct lines and lives, spread over all lines at the end."""

    def __init__(self, lines: Lines, n_draws: int, keep_draws: bool, keep_lives: IntArray) -> None:
        self.lines = lines
        n = len(lines.representative)
        size = lines.units.size[lines.representative]
        self.first_life = np.cumsum(size) - size
        n_lives = int(size.sum())
        units = lines.units
        self.from_life = np.empty(len(units.unit), dtype=np.int64)
        self.from_life[units.member] = (
            self.first_life[lines.like[units.unit[units.member]]] + units.place[units.member]
        )
        distinct, self.kept_row = np.unique(self.from_life[keep_lives], return_inverse=True)
        self.row_of_kept = np.full(n_lives, -1, dtype=np.int64)
        self.row_of_kept[distinct] = np.arange(len(distinct))
        self.life_draws = np.empty((len(distinct), n_draws), np.float32)
        self.lives = {name: np.empty((3, n_lives)) for name in ("now", "later")}
        self.of_lines = {name: np.empty((3, n)) for name in ("now", "later", "plain")}
        kept = len(lines.like) if keep_draws else 0
        # Lines run slowest, so that a line's draws are written, and read back, in one piece.
        self.draws = {name: np.empty((kept, n_draws), np.float32) for name in ("now", "later")}
        self.keep_draws = keep_draws
        self.n_alike = np.bincount(lines.like, minlength=n)
        self.first_alike = np.cumsum(self.n_alike) - self.n_alike
        self.alike = np.argsort(lines.like, kind="stable")

    def add_lives(self, chosen: IntArray, summaries: dict[str, FloatArray]) -> None:
        """Take in the lives of some distinct lines, in order."""
        size = self.lines.units.size[self.lines.representative[chosen]]
        lives = ranges(self.first_life[chosen], size)
        for name, summary in summaries.items():
            self.lives[name][:, lives] = summary

    def keep_life_draws(self, chosen: IntArray, sound: NDArray[Any], row_of_life: IntArray) -> None:
        """Keep the draws of those lives of some distinct lines that were asked for."""
        size = self.lines.units.size[self.lines.representative[chosen]]
        row = self.row_of_kept[ranges(self.first_life[chosen], size)]
        wanted = np.flatnonzero(row >= 0)
        self.life_draws[row[wanted]] = 1.0 - sound[row_of_life[wanted]]

    def add_lines(self, chosen: IntArray, survivals: dict[str, NDArray[Any]]) -> None:
        """Take in some distinct lines; rows lines, columns draws."""
        for name, survival in survivals.items():
            self.of_lines[name][:, chosen] = summary(survival)
            if self.keep_draws and name in self.draws:
                n = self.n_alike[chosen]
                every = self.alike[ranges(self.first_alike[chosen], n)]
                self.draws[name][every] = np.repeat(1.0 - survival, n, axis=0)

    def result(self) -> SeriesChances:
        """Spread over all lines and lives."""
        like, from_life = self.lines.like, self.from_life

        def over(summary: FloatArray, where: IntArray) -> ChanceRange:
            return ChanceRange(mean=summary[0, where], low=summary[1, where], high=summary[2, where])

        return SeriesChances(
            life_failed_now=over(self.lives["now"], from_life),
            life_failed_later=over(self.lives["later"], from_life),
            line_failed_now=over(self.of_lines["now"], like),
            line_failed_later=over(self.of_lines["later"], like),
            line_unconditional_now=over(self.of_lines["plain"], like),
            line_draws_now=self._drawn("now"),
            line_draws_later=self._drawn("later"),
            life_draws_now=self.life_draws[self.kept_row].T,
        )

    def _drawn(self, name: str) -> NDArray[Any]:
        n_lines = len(self.lines.like)
        return self.draws[name].T if self.keep_draws else np.empty((0, n_lines), np.float32)


def summary(survival: NDArray[Any]) -> FloatArray:
    """Mean, 5 % and 95 % quantile of the chance of failure, shape (3, n), linearly interpolated."""
    mean = survival.mean(axis=1, dtype=np.float64)
    # Sorting single precision takes the processor's widest instructions, which selecting does not.
    ordered = np.sort(survival.astype(np.float32, copy=False), axis=1)
    # Low survival is high chance of failure.
    low, high = (quantile_of_sorted(ordered, share) for share in (1.0 - LOW, LOW))
    return 1.0 - np.stack((mean, low, high))

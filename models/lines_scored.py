"""Lines to be scored: units of lives, identical ones numbered once, worked in runs of bounded memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike

from models.drawn_laws import DrawnLaws
from models.errors import ModelInputError
from models.fitted_lives import FittedLives
from models.lines import Units, Verdicts, gather_verdicts, make_units, unit_signature
from models.looks import IntArray, LifeLooks, LineLooks
from models.patterns import (
    N_NODES,
    WIDE_INSTALL_YEARS,
    Sequences,
    WordArray,
    life_signature,
    mix,
    sequence_looks,
    total_by,
    words,
)

#: Entries of forms worked at once, by lives: small enough for memory, large enough for numpy to pay.
ENTRIES_AT_ONCE = 40_000


class Lines:
    """Lines as units, identical ones numbered once."""

    def __init__(
        self,
        looks: LifeLooks,
        life_line: ArrayLike,
        now: ArrayLike,
        line_looks: LineLooks | None,
        fitted: FittedLives,
    ) -> None:
        line = np.asarray(life_line, dtype=np.int64)
        if line.shape != (looks.n_lives,):
            raise ModelInputError(f"life_line must have {looks.n_lives} entries, not shape {line.shape}.")
        n_lines = int(line.max(initial=-1)) + 1
        empty = np.bincount(line, minlength=n_lines) == 0
        if empty.any():
            raise ModelInputError("this line has no life.", row=int(np.argmax(empty)))
        self.looks = looks
        wide = looks.candidate_install_max - looks.candidate_install_min > WIDE_INSTALL_YEARS
        self.entries_of_life = total_by(looks.candidate_life, np.where(wide, N_NODES, 1), looks.n_lives)
        self.kind_of_life = np.zeros(looks.n_lives, dtype=np.int64)
        self.now = np.broadcast_to(np.asarray(now, dtype=np.float64), (n_lines,))
        self.sequences: Sequences = sequence_looks(
            looks.look_life,
            looks.look_year,
            looks.look_bad,
            looks.n_lives,
            fitted.detection,
            looks.look_sensitivity,
        )
        key = life_signature(looks, self.sequences)
        key = mix(key + words(self.now[line] - looks.install_min))
        self.line_looks = line_looks if line_looks is not None and line_looks.n_line_looks else None
        self.units: Units = make_units(line, key)
        self.life_key: WordArray = key
        self.verdicts: Verdicts | None = None
        if self.line_looks is not None:
            self._check_line_looks(line, self.line_looks)
            self.verdicts = gather_verdicts(self.line_looks, self.units, fitted.detection)
            # Members must come in an order that also their verdicts decide, for alike lines to match.
            self.units = make_units(line, mix(key + self._verdict_key(self.line_looks)))
            signature = unit_signature(looks, key, self.units, self.verdicts)
        else:
            signature = np.zeros(n_lines, dtype=np.uint64)
            np.add.at(signature, line, mix(key))
        _, self.representative, self.like = np.unique(signature, return_index=True, return_inverse=True)

    def sort_by_kind(self, laws: DrawnLaws) -> None:
        """Have runs and parts follow the kinds of covariates, so that neighbours share what areas do not change."""
        self.kind_of_life[self.looks.candidate_life] = laws.kind[self.looks.candidate_row]

    def _by_kind(self, life: IntArray) -> IntArray:
        return np.lexsort((self.looks.install_min[life], self.kind_of_life[life]))

    def parts(self, life: IntArray, place: IntArray, *, n_forms: int) -> Iterator[IntArray]:
        """Split some places of `life` into parts whose forms, so many for each life, have not too many entries."""
        place = place[self._by_kind(life[place])]
        part = np.cumsum(self.entries_of_life[life[place]] * n_forms) // ENTRIES_AT_ONCE
        first = np.flatnonzero(np.diff(part, prepend=-1.0))
        yield from (part for part in np.split(place, first[1:]) if len(part))

    def _check_line_looks(self, line: IntArray, line_looks: LineLooks) -> None:
        if line_looks.member_life.max() >= len(line):
            raise ModelInputError(f"member_life is not one of the {len(line)} lives.")
        of_look = np.full(line_looks.n_line_looks, -1, dtype=np.int64)
        of_look[line_looks.member_line] = line[line_looks.member_life]
        astray = of_look[line_looks.member_line] != line[line_looks.member_life]
        if astray.any():
            row = int(line_looks.member_line[np.argmax(astray)])
            raise ModelInputError("this line look covers lives of more than one line.", row=row)

    def _verdict_key(self, line_looks: LineLooks) -> WordArray:
        age = line_looks.line_year[line_looks.member_line] - self.looks.install_min[line_looks.member_life]
        call = line_looks.line_bad[line_looks.member_line].astype(np.uint64)
        total = np.zeros(self.looks.n_lives, dtype=np.uint64)
        np.add.at(total, line_looks.member_life, mix(words(age) + mix(call + np.uint64(7))))
        return total

    def runs(self, chunk_bytes: int, n_draws: int, *, with_verdict: bool) -> Iterator[IntArray]:
        """Positions in `representative` with or without verdicts, in runs whose working arrays fit."""
        unit = self.representative
        has_verdict = np.zeros(len(unit), dtype=np.bool_)
        if self.verdicts is not None:
            has_verdict = np.diff(self.verdicts.first)[unit] > 0
        # Lines whose first segments are alike come together: a run then works like segments once.
        position = self._by_kind(self.units.member[self.units.start[unit]])
        position = position[has_verdict[position] == with_verdict]
        # Alive at once per life and draw: three tables of four bytes, or a dozen arrays of eight.
        each = 96.0 if with_verdict else 4.0
        run = np.cumsum(self.units.size[unit[position]] * (n_draws * each)) // chunk_bytes
        first = np.flatnonzero(np.diff(run, prepend=-1.0))
        # Split at all starts but the first, which is 0; an empty list is one empty run, not worked.
        yield from (part for part in np.split(position, first[1:]) if len(part))

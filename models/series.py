"""The chance of a line from its segments, given everything that was seen.

A line has failed when any of its segments has. What a look showed is weighed by how far looks are to be
believed; a bad verdict on the whole line lifts the chance of each segment that could have caused it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.special import expit

from models.compiled import compiled
from models.errors import ModelInputError
from models.likelihood import Predictors
from models.lines import (
    Terms,
    Units,
    Verdicts,
    expand_terms,
    gather_verdicts,
    make_units,
    over_nodes,
    take_terms,
    unit_signature,
)
from models.lives import FittedLives
from models.looks import FloatArray, IntArray, LifeLooks, LineLooks
from models.patterns import (
    Forms,
    Sequences,
    WordArray,
    build_forms,
    life_signature,
    mix,
    ranges,
    sequence_looks,
    words,
)

#: Looks less likely than this under a draw say nothing more under that draw.
SMALLEST_CHANCE = 1e-280
LOW, HIGH = 0.05, 0.95


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
    """

    life_failed_now: ChanceRange
    life_failed_later: ChanceRange
    line_failed_now: ChanceRange
    line_failed_later: ChanceRange
    line_unconditional_now: ChanceRange
    line_draws_now: NDArray[Any]
    line_draws_later: NDArray[Any]


def series_chances(
    fitted: FittedLives,
    X: ArrayLike,
    Z: ArrayLike,
    looks: LifeLooks,
    life_line: ArrayLike,
    *,
    W: ArrayLike | None = None,
    now: ArrayLike,
    horizon: float,
    draws: FloatArray,
    line_looks: LineLooks | None = None,
    keep_draws: bool = False,
    chunk_bytes: int = 256_000_000,
) -> SeriesChances:
    """Chance that each life and each line has failed, given what its looks showed.

    Parameters
    ----------
    fitted : FittedLives
        The fit; its `detection` says how far a look is to be believed.
    X, Z, W : array, shape (n_rows, p), (n_rows, q) and (n_rows, r)
        Covariate rows that `looks.candidate_row` points to.
    looks : LifeLooks
        Current lives with all their looks, those taken because of trouble included: a look tells about
        its own life whatever brought it.
    life_line : array of int, shape (n_lives,)
        Line (lateral) of each life, 0 .. n_lines - 1; every line has a life.
    now : float or array, shape (n_lines,)
        Decimal year of today, in the same reckoning as look and install years (0 where those are
        relative to today).
    horizon : float
        Years ahead [years], 0 or more.
    draws : ndarray, shape (n_draws, p + q + r)
        From `fitted.draws`.
    line_looks : LineLooks, optional
        Looks with an overall verdict only; each covers lives of one line.
    keep_draws : bool
        Return the lines' draws too: 8 bytes per line and draw.
    chunk_bytes : int
        Working memory to aim for [bytes].

    Returns
    -------
    SeriesChances

    Raises
    ------
    ModelInputError
        If arrays do not match, a line has no life, a line look covers lives of two lines, or draws are
        not finite (a fit whose status is not "ok").

    Notes
    -----
    P(sound at t | looks) = P(looks, T > t) / P(looks), both sums as in `LifeRegression`, for every draw.
    Lines alike in covariates, ages and looks are worked once. Without verdicts on the whole line its lives
    are taken as independent given the draw; with them they are conditioned jointly and share the install
    quantile. Looks that are impossible (bad before the pipe was laid) count as failed.
    """
    lines = _Lines(looks, life_line, now, line_looks, fitted)
    if horizon < 0:
        raise ModelInputError(f"horizon is {horizon}; it must be 0 or more.")
    if not np.isfinite(draws).all():
        raise ModelInputError("draws hold a value that is not finite; was the fit's status 'ok'?")
    at = fitted.predictors(X, Z, W, np.atleast_2d(np.asarray(draws, dtype=np.float64)))
    collected = _Collected(lines, len(at.log_scale), keep_draws)
    for chosen in lines.chunks(chunk_bytes, len(at.log_scale)):
        collected.add(chosen, *_chances(lines, chosen, horizon, at))
    return collected.result()


class _Lines:
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

    def chunks(self, chunk_bytes: int, n_draws: int) -> Iterator[IntArray]:
        """Positions in `representative`, in runs whose working arrays fit."""
        # About a dozen arrays of (lives × draws) doubles are alive at once.
        cost = self.units.size[self.representative] * (n_draws * 8.0 * 12.0)
        run = np.cumsum(cost) // chunk_bytes
        first = np.flatnonzero(np.diff(run, prepend=-1.0))
        for a, b in zip(first, np.append(first[1:], len(cost)), strict=True):
            yield np.arange(a, b)


@dataclass(frozen=True)
class _Survivals:
    """Chances of being sound, given the looks: rows lives or lines, columns draws."""

    life_now: FloatArray
    life_later: FloatArray
    line_now: FloatArray
    line_later: FloatArray


def _chances(
    lines: _Lines, chosen: IntArray, horizon: float, at: Predictors
) -> tuple[_Survivals, FloatArray]:
    """Survivals of some distinct lines and their lives, and the lines' survival without any look."""
    unit = lines.representative[chosen]
    size = lines.units.size[unit]
    life = lines.units.member[ranges(lines.units.start[unit], size)]
    start = np.cumsum(size) - size
    now = np.repeat(lines.now[unit], size)
    _, first, like = np.unique(lines.life_key[life], return_index=True, return_inverse=True)
    alike, alike_now = life[first], now[first]
    nothing = np.full(len(alike), -np.inf)
    seen, sound_now, sound_later = (
        _survive(build_forms(lines.looks, lines.sequences, alike, threshold), at)
        for threshold in (nothing, alike_now, alike_now + horizon)
    )
    forms = build_forms(lines.looks, _without_looks(lines.sequences), alike, alike_now)
    plain = np.multiply.reduceat(_survive(forms, at)[like], start, axis=0)
    life_now, life_later = (_ratio(s, seen)[like] for s in (sound_now, sound_later))
    line_now = np.multiply.reduceat(life_now, start, axis=0)
    line_later = np.multiply.reduceat(life_later, start, axis=0)
    result = _Survivals(life_now, life_later, line_now, line_later)
    if lines.verdicts is not None:
        with_verdict = np.diff(lines.verdicts.first)[unit] > 0
        if with_verdict.any():
            _condition_on_verdicts(
                lines, lines.verdicts, np.flatnonzero(with_verdict), unit, horizon, at, result
            )
    return result, plain


def _condition_on_verdicts(
    lines: _Lines,
    verdicts: Verdicts,
    place: IntArray,
    unit: IntArray,
    horizon: float,
    at: Predictors,
    result: _Survivals,
) -> None:
    """Overwrite the survivals of lines that have verdicts by joint ones."""
    units = lines.units
    terms = over_nodes(expand_terms(units, verdicts, unit[place]), lines.looks)
    line_of_term = np.searchsorted(np.sort(unit[place]), terms.unit)
    rank = np.argsort(np.argsort(unit[place]))
    terms = take_terms(terms, np.argsort(line_of_term, kind="stable"))
    line_of_term = np.sort(line_of_term)
    row = np.empty(len(place), dtype=np.int64)
    row[rank] = place
    size = units.size[unit]
    first_life = np.cumsum(size) - size
    for years, life_out, line_out in (
        (0.0, result.life_now, result.line_now),
        (horizon, result.life_later, result.line_later),
    ):
        until = lines.now[terms.unit] + years
        seen, line_sound, life_sound = _joint(lines, terms, line_of_term, until, at)
        line_out[row] = _ratio(line_sound, seen)
        n_members = size[row]
        target = ranges(first_life[row], n_members)
        life_out[target] = _ratio(life_sound, np.repeat(seen, n_members, axis=0))


def _joint(
    lines: _Lines,
    terms: Terms,
    line_of_term: IntArray,
    until: FloatArray,
    at: Predictors,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """P(all seen), P(all seen, line sound), and P(all seen, life sound) of each member in order."""
    factor_term = terms.factor_term
    later = np.maximum(terms.factor_threshold, until[factor_term])
    as_seen, sound = (
        _survive(
            build_forms(
                lines.looks, lines.sequences, terms.factor_life, threshold, node=terms.node[factor_term]
            ),
            at,
        )
        for threshold in (terms.factor_threshold, later)
    )
    starts = terms.factor_start[:-1]
    line_start = np.flatnonzero(np.diff(line_of_term, prepend=-1))
    coef = terms.coef[:, None]
    product = coef * np.multiply.reduceat(as_seen, starts, axis=0)
    both = coef * np.multiply.reduceat(sound, starts, axis=0)
    # One member sound: its factor in the product is exchanged.
    exchanged = product[factor_term] * _ratio(sound, as_seen)
    n_members = np.diff(terms.factor_start)[line_start]
    first_member = np.cumsum(n_members) - n_members
    slot = first_member[line_of_term[factor_term]] + np.arange(len(factor_term)) - starts[factor_term]
    gather = sparse.csr_array(
        (np.ones(len(slot)), (slot, np.arange(len(slot)))), shape=(int(n_members.sum()), len(slot))
    )
    return (
        np.add.reduceat(product, line_start, axis=0),
        np.add.reduceat(both, line_start, axis=0),
        gather @ exchanged,
    )


def _without_looks(sequences: Sequences) -> Sequences:
    """Lives as if never looked at."""
    n = sequences.n_subjects
    return Sequences(np.zeros(n + 1, np.int64), np.empty(0), np.empty(0, np.bool_), np.ones(n))


def _ratio(sound: FloatArray, seen: FloatArray) -> FloatArray:
    """Share of `seen` that is also `sound`; 0 where what was seen is impossible."""
    possible = seen > SMALLEST_CHANCE
    return np.clip(np.divide(sound, seen, out=np.zeros_like(seen), where=possible), 0.0, 1.0)


def _survive(forms: Forms, at: Predictors) -> FloatArray:
    """Values of linear forms under every draw, shape (n_forms, n_draws)."""
    n_draws = len(at.log_scale)
    if len(forms.row) == 0:
        return np.repeat(forms.constant[:, None], n_draws, axis=1)
    key = mix(words(forms.age) + mix(forms.row.astype(np.uint64)))
    _, first, atom = np.unique(key, return_index=True, return_inverse=True)
    survival = _atom_survival(
        np.log(forms.age[first]),
        forms.row[first],
        np.ascontiguousarray(at.log_scale.T),
        np.ascontiguousarray(np.exp(at.log_shape).T),
    )
    if at.start is not None:
        survival *= expit(-at.start.T)[forms.row[first]]
    sums = sparse.csr_array((forms.coef, (forms.form, atom)), shape=(forms.n_forms, len(first)))
    value: FloatArray = sums @ survival
    value += forms.constant[:, None]
    return np.maximum(value, 0.0)


@compiled
def _atom_survival(
    log_age: FloatArray, row: IntArray, log_scale: FloatArray, shape: FloatArray
) -> FloatArray:
    """S of each atom under each draw; parameters come as (n_rows, n_draws)."""
    out = np.empty((len(row), log_scale.shape[1]))
    for i in range(len(row)):
        for j in range(log_scale.shape[1]):
            out[i, j] = np.exp(-np.exp(min(shape[row[i], j] * (log_age[i] - log_scale[row[i], j]), 20.0)))
    return out


class _Collected:
    """Means and quantiles of the distinct lines and lives, spread over all lines at the end."""

    def __init__(self, lines: _Lines, n_draws: int, keep_draws: bool) -> None:
        self.lines = lines
        n = len(lines.representative)
        size = lines.units.size[lines.representative]
        self.first_life = np.cumsum(size) - size
        n_lives = int(size.sum())
        self.lives = {name: np.empty((3, n_lives)) for name in ("now", "later")}
        self.of_lines = {name: np.empty((3, n)) for name in ("now", "later", "plain")}
        kept = n if keep_draws else 0
        self.draws = {name: np.empty((n_draws, kept), np.float32) for name in ("now", "later")}
        self.keep_draws = keep_draws

    def add(self, chosen: IntArray, found: _Survivals, plain: FloatArray) -> None:
        """Take in one run of distinct lines."""
        size = self.lines.units.size[self.lines.representative[chosen]]
        lives = ranges(self.first_life[chosen], size)
        self.lives["now"][:, lives] = _summary(found.life_now)
        self.lives["later"][:, lives] = _summary(found.life_later)
        for name, survival in (("now", found.line_now), ("later", found.line_later), ("plain", plain)):
            self.of_lines[name][:, chosen] = _summary(survival)
            if self.keep_draws and name in self.draws:
                self.draws[name][:, chosen] = 1.0 - survival.T

    def result(self) -> SeriesChances:
        """Spread over all lines and lives."""
        units, like = self.lines.units, self.lines.like
        n_lives = len(units.unit)
        from_life = np.empty(n_lives, dtype=np.int64)
        from_life[units.member] = self.first_life[like[units.unit[units.member]]] + units.place[units.member]

        def over(summary: FloatArray, where: IntArray) -> ChanceRange:
            return ChanceRange(mean=summary[0, where], low=summary[1, where], high=summary[2, where])

        def kept(name: str) -> NDArray[Any]:
            return self.draws[name][:, like] if self.keep_draws else np.empty((0, len(like)), np.float32)

        return SeriesChances(
            life_failed_now=over(self.lives["now"], from_life),
            life_failed_later=over(self.lives["later"], from_life),
            line_failed_now=over(self.of_lines["now"], like),
            line_failed_later=over(self.of_lines["later"], like),
            line_unconditional_now=over(self.of_lines["plain"], like),
            line_draws_now=kept("now"),
            line_draws_later=kept("later"),
        )


def _summary(survival: FloatArray) -> FloatArray:
    """Mean, 5 % and 95 % quantile of the chance of failure, shape (3, n), linearly interpolated."""
    n_draws = survival.shape[1]
    failed = 1.0 - survival
    mean = failed.mean(axis=1)
    places = [(n_draws - 1) * q for q in (LOW, HIGH)]
    wanted = sorted({int(f(p)) for p in places for f in (np.floor, np.ceil)})
    failed.partition(wanted, axis=1)
    quantiles = [
        failed[:, int(p)] + (p - int(p)) * (failed[:, int(np.ceil(p))] - failed[:, int(p)]) for p in places
    ]
    return np.stack((mean, *quantiles))

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

from models.atoms import Predictors, log_age_from_reference
from models.compiled import compiled
from models.errors import ModelInputError
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
from models.looks import BoolArray, FloatArray, IntArray, LifeLooks, LineLooks
from models.patterns import (
    CANCELLED,
    Forms,
    Sequences,
    WordArray,
    build_forms,
    life_signature,
    mix,
    ranges,
    sequence_looks,
    total_by,
    words,
)

#: Looks less likely than this under a draw say nothing more under that draw.
SMALLEST_CHANCE = 1e-280
#: Tail left out on each side of a range.
LOW = 0.05
#: Lives, and lines, whose doubles are alive at once: small enough for the processor's cache levels.
LIVES_AT_ONCE = 4_000
LINES_AT_ONCE = 20_000


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


def series_chances(
    fitted: FittedLives,
    X: ArrayLike,
    Z: ArrayLike,
    looks: LifeLooks,
    life_line: ArrayLike,
    *,
    W: ArrayLike | None = None,
    group: IntArray | None = None,
    now: ArrayLike,
    horizon: float,
    draws: FloatArray,
    line_looks: LineLooks | None = None,
    keep_draws: bool = False,
    keep_lives: ArrayLike = (),
    chunk_bytes: int = 256_000_000,
) -> SeriesChances:
    """Chance that each life and each line has failed, given what its looks showed.

    Parameters
    ----------
    fitted : FittedLives
        The fit; its `detection` says how far a look is to be believed.
    X, Z, W : array, shape (n_rows, p), (n_rows, q) and (n_rows, r)
        Covariate rows that `looks.candidate_row` points to.
    group : ndarray of int, shape (n_rows,), optional
        Group of each row, -1 for an average one; default all average.
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
    draws : ndarray, shape (n_draws, …)
        From `fitted.draws`.
    line_looks : LineLooks, optional
        Looks with an overall verdict only; each covers lives of one line.
    keep_draws : bool
        Return the lines' draws too: 8 bytes per line and draw.
    keep_lives : array of int, shape (n_kept,)
        Lives whose draws are returned too: 4 bytes per distinct life and draw.
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
    if fitted.law != "weibull":
        raise ModelInputError(f"chances of lines are not worked out under the law '{fitted.law}' yet.")
    lines = _Lines(looks, life_line, now, line_looks, fitted)
    if horizon < 0:
        raise ModelInputError(f"horizon is {horizon}; it must be 0 or more.")
    if not np.isfinite(draws).all():
        raise ModelInputError("draws hold a value that is not finite; was the fit's status 'ok'?")
    at = fitted.predictors(X, Z, W, np.atleast_2d(np.asarray(draws, dtype=np.float64)), group)
    collected = _Collected(lines, len(at.log_hazard), keep_draws, np.asarray(keep_lives, dtype=np.int64))
    for chosen in lines.runs(chunk_bytes, len(at.log_hazard), with_verdict=False):
        _independent_lines(lines, chosen, horizon, at, collected)
    for chosen in lines.runs(chunk_bytes, len(at.log_hazard), with_verdict=True):
        _lines_under_verdicts(lines, chosen, horizon, at, collected)
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
        self.row_of_life = np.zeros(looks.n_lives, dtype=np.int64)
        self.row_of_life[looks.candidate_life] = looks.candidate_row
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

    def runs(self, chunk_bytes: int, n_draws: int, *, with_verdict: bool) -> Iterator[IntArray]:
        """Positions in `representative` with or without verdicts, in runs whose working arrays fit."""
        unit = self.representative
        has_verdict = np.zeros(len(unit), dtype=np.bool_)
        if self.verdicts is not None:
            has_verdict = np.diff(self.verdicts.first)[unit] > 0
        # Lines whose first segments are alike come together: a run then works like segments once.
        first_row = self.row_of_life[self.units.member[self.units.start[unit]]]
        position = np.argsort(first_row, kind="stable")
        position = position[has_verdict[position] == with_verdict]
        # Alive at once per life and draw: three tables of four bytes, or a dozen arrays of eight.
        each = 96.0 if with_verdict else 4.0
        run = np.cumsum(self.units.size[unit[position]] * (n_draws * each)) // chunk_bytes
        first = np.flatnonzero(np.diff(run, prepend=-1.0))
        # Split at all starts but the first, which is 0; an empty list is one empty run, not worked.
        yield from (part for part in np.split(position, first[1:]) if len(part))


# -- lines whose lives were looked at one by one -----------------------------------------------------------


def _independent_lines(
    lines: _Lines, chosen: IntArray, horizon: float, at: Predictors, collected: _Collected
) -> None:
    """Work distinct lives once, then multiply them along each line."""
    unit = lines.representative[chosen]
    size = lines.units.size[unit]
    life = lines.units.member[ranges(lines.units.start[unit], size)]
    now = np.repeat(lines.now[unit], size)
    _, first, like = np.unique(lines.life_key[life], return_index=True, return_inverse=True)
    tables = _life_tables(lines, life[first], now[first], horizon, at)
    collected.add_lives(chosen, {name: _summary(tables[name])[:, like] for name in ("now", "later")})
    collected.keep_life_draws(chosen, tables["now"], like)
    start = np.cumsum(size) - size
    for a in range(0, len(chosen), LINES_AT_ONCE):
        part = slice(a, a + LINES_AT_ONCE)
        collected.add_lines(
            chosen[part],
            {name: _along_lines(table, like, start[part], size[part]) for name, table in tables.items()},
        )


def _life_tables(
    lines: _Lines, life: IntArray, now: FloatArray, horizon: float, at: Predictors
) -> dict[str, NDArray[Any]]:
    """Chance of each life to be sound now and later given its looks, and now without them, by draw."""
    n_draws = len(at.log_hazard)
    tables = {name: np.empty((len(life), n_draws), dtype=np.float32) for name in ("now", "later", "plain")}
    order = np.argsort(lines.row_of_life[life], kind="stable")
    n_looks = np.diff(lines.sequences.start)
    for a in range(0, len(life), LIVES_AT_ONCE):
        place = order[a : a + LIVES_AT_ONCE]
        these, today = life[place], now[place]
        n, looked = len(these), np.flatnonzero(n_looks[these] > 0)
        forms = build_forms(
            lines.looks,
            lines.sequences,
            np.concatenate((these, these, these[looked], these[looked])),
            np.concatenate((today, today + horizon, np.full(len(looked), -np.inf), today[looked])),
            with_looks=np.arange(2 * n + 2 * len(looked)) < 2 * n + len(looked),
        )
        sound_now, sound_later, seen, plain = np.split(_survive(forms, at), [n, 2 * n, 2 * n + len(looked)])
        tables["plain"][place] = sound_now
        tables["plain"][place[looked]] = plain
        sound_now[looked] = _ratio(sound_now[looked], seen)
        sound_later[looked] = _ratio(sound_later[looked], seen)
        tables["now"][place] = sound_now
        tables["later"][place] = sound_later
    return tables


@compiled
def _along_lines(table: NDArray[Any], like: IntArray, start: IntArray, size: IntArray) -> NDArray[Any]:
    """Product over the lives of each line, by draw."""
    out = np.empty((len(start), table.shape[1]), dtype=np.float32)
    for i in range(len(start)):
        for k in range(size[i]):
            row = table[like[start[i] + k]]
            if k == 0:
                out[i] = row
            else:
                out[i] *= row
    return out


# -- lines under verdicts on the whole ---------------------------------------------------------------------


def _lines_under_verdicts(
    lines: _Lines, chosen: IntArray, horizon: float, at: Predictors, collected: _Collected
) -> None:
    """Condition the lives of each line jointly on all that was seen."""
    units, verdicts = lines.units, lines.verdicts
    assert verdicts is not None
    chosen = chosen[np.argsort(lines.representative[chosen])]
    unit = lines.representative[chosen]
    size = units.size[unit]
    life = units.member[ranges(units.start[unit], size)]
    terms = over_nodes(expand_terms(units, verdicts, unit), lines.looks)
    line_of_term = np.searchsorted(unit, terms.unit)
    terms = take_terms(terms, np.argsort(line_of_term, kind="stable"))
    line_of_term = np.sort(line_of_term)
    impossible = _impossible(lines, terms, line_of_term, at)
    of_lives, of_lines = {}, {}
    for name, years in (("now", 0.0), ("later", horizon)):
        until = lines.now[terms.unit] + years
        seen, line_sound, life_sound = _joint(lines, terms, line_of_term, until, at)
        seen[impossible] = 0.0
        of_lines[name] = _ratio(line_sound, seen)
        sound = _ratio(life_sound, np.repeat(seen, size, axis=0))
        of_lives[name] = _summary(sound)
        if name == "now":
            collected.keep_life_draws(chosen, sound, np.arange(len(sound)))
    forms = build_forms(
        lines.looks,
        lines.sequences,
        life,
        np.repeat(lines.now[unit], size),
        with_looks=np.zeros(len(life), dtype=np.bool_),
    )
    of_lines["plain"] = np.multiply.reduceat(_survive(forms, at), np.cumsum(size) - size, axis=0)
    collected.add_lives(chosen, of_lives)
    collected.add_lines(chosen, of_lines)


def _impossible(lines: _Lines, terms: Terms, line_of_term: IntArray, at: Predictors) -> BoolArray:
    """Lines whose looks contradict each other outright: their terms cancel whatever the parameters."""
    n_rows = at.log_hazard.shape[1]
    # As in the fit: a flat law about a middle age, under which nothing vanishes by itself.
    age = np.median(lines.now) - np.median(lines.looks.install_min)
    middle = log_age_from_reference(np.array([max(age, 1.0)]))[0]
    flat = Predictors(np.full((1, n_rows), -middle), np.zeros((1, n_rows)), None)
    seen, _, _ = _joint(lines, terms, line_of_term, lines.now[terms.unit], flat)
    forms = build_forms(
        lines.looks,
        lines.sequences,
        terms.factor_life,
        terms.factor_threshold,
        node=terms.node[terms.factor_term],
    )
    whole = np.abs(forms.constant) + total_by(forms.form, np.abs(forms.coef), forms.n_forms)
    most = np.abs(terms.coef) * np.multiply.reduceat(whole, terms.factor_start[:-1])
    result: BoolArray = seen[:, 0] <= CANCELLED * total_by(line_of_term, most, len(seen))
    return result


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


def _ratio(sound: FloatArray, seen: FloatArray) -> FloatArray:
    """Share of `seen` that is also `sound`; 0 where what was seen is impossible."""
    possible = seen > SMALLEST_CHANCE
    return np.clip(np.divide(sound, seen, out=np.zeros_like(seen), where=possible), 0.0, 1.0)


def _survive(forms: Forms, at: Predictors) -> FloatArray:
    """Values of linear forms under every draw, shape (n_forms, n_draws)."""
    n_draws = len(at.log_hazard)
    if len(forms.row) == 0:
        return np.repeat(forms.constant[:, None], n_draws, axis=1)
    key = mix(words(forms.age) + mix(forms.row.astype(np.uint64)))
    _, first, atom = np.unique(key, return_index=True, return_inverse=True)
    survival = _atom_survival(
        log_age_from_reference(forms.age[first]),
        forms.row[first],
        np.ascontiguousarray(at.log_hazard.T),
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
    log_age: FloatArray, row: IntArray, log_hazard: FloatArray, shape: FloatArray
) -> FloatArray:
    """S of each atom under each draw; parameters come as (n_rows, n_draws)."""
    out = np.empty((len(row), log_hazard.shape[1]))
    for i in range(len(row)):
        for j in range(log_hazard.shape[1]):
            out[i, j] = np.exp(-np.exp(min(log_hazard[row[i], j] + shape[row[i], j] * log_age[i], 20.0)))
    return out


class _Collected:
    """Means and quantiles of the distinct lines and lives, spread over all lines at the end."""

    def __init__(self, lines: _Lines, n_draws: int, keep_draws: bool, keep_lives: IntArray) -> None:
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
        kept = n if keep_draws else 0
        # Lines run slowest, so that a run of lines is written, and read back, in one piece.
        self.draws = {name: np.empty((kept, n_draws), np.float32) for name in ("now", "later")}
        self.keep_draws = keep_draws

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
            self.of_lines[name][:, chosen] = _summary(survival)
            if self.keep_draws and name in self.draws:
                self.draws[name][chosen] = 1.0 - survival

    def result(self) -> SeriesChances:
        """Spread over all lines and lives."""
        like, from_life = self.lines.like, self.from_life

        def over(summary: FloatArray, where: IntArray) -> ChanceRange:
            return ChanceRange(mean=summary[0, where], low=summary[1, where], high=summary[2, where])

        def kept(name: str) -> NDArray[Any]:
            # Let go of one before the other is spread: a million lines have a gigabyte in each.
            drawn = self.draws.pop(name)
            return drawn[like].T if self.keep_draws else np.empty((0, len(like)), np.float32)

        return SeriesChances(
            life_failed_now=over(self.lives["now"], from_life),
            life_failed_later=over(self.lives["later"], from_life),
            line_failed_now=over(self.of_lines["now"], like),
            line_failed_later=over(self.of_lines["later"], like),
            line_unconditional_now=over(self.of_lines["plain"], like),
            line_draws_now=kept("now"),
            line_draws_later=kept("later"),
            life_draws_now=self.life_draws[self.kept_row].T,
        )


def _summary(survival: NDArray[Any]) -> FloatArray:
    """Mean, 5 % and 95 % quantile of the chance of failure, shape (3, n), linearly interpolated."""
    n_draws = survival.shape[1]
    place = (n_draws - 1) * LOW
    mean, low, high = _mean_and_tails(survival, int(place) + 2 if n_draws > 1 else 1)
    inner = min(int(place) + 1, low.shape[1] - 1)
    part = place - int(place)
    quantiles = [t[:, int(place)] + part * (t[:, inner] - t[:, int(place)]) for t in (high, low)]
    # Low survival is high chance of failure.
    return 1.0 - np.stack((mean, quantiles[0], quantiles[1]))


@compiled
def _mean_and_tails(value: NDArray[Any], k: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Row means, the k least of each row rising, and the k greatest falling.

    Two short sorted lists kept by insertion: ten times faster than sorting or partitioning each row.
    """
    n, m = value.shape
    mean, low, high = np.empty(n), np.full((n, k), np.inf), np.full((n, k), -np.inf)
    for i in range(n):
        total = 0.0
        for j in range(m):
            x = value[i, j]
            total += x
            if x < low[i, k - 1]:
                p = k - 1
                while p > 0 and low[i, p - 1] > x:
                    low[i, p] = low[i, p - 1]
                    p -= 1
                low[i, p] = x
            if x > high[i, k - 1]:
                p = k - 1
                while p > 0 and high[i, p - 1] < x:
                    high[i, p] = high[i, p - 1]
                    p -= 1
                high[i, p] = x
        mean[i] = total / m
    return mean, low, high

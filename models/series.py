"""The chance of a line from its segments, given everything that was seen.

A line has failed when any of its segments has. What a look showed is weighed by how far looks are to be
believed; a bad verdict on the whole line lifts the chance of each segment that could have caused it.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from models.atoms import log_age_from_reference
from models.compiled import compiled_for_threads, n_threads
from models.drawn_laws import DrawnLaws, drawn_laws, survive
from models.errors import ModelInputError
from models.fitted_lives import FittedLives
from models.lines import Terms, expand_terms, over_nodes, take_terms
from models.lines_scored import Lines
from models.looks import BoolArray, FloatArray, IntArray, LifeLooks, LineLooks
from models.patterns import CANCELLED, build_forms, ranges, total_by
from models.series_summaries import ChanceRange, Collected, SeriesChances, summary

#: Looks less likely than this under a draw say nothing more under that draw.
SMALLEST_CHANCE = 1e-280
#: Lines whose draws are multiplied at once: few enough for the processor's caches.
LINES_AT_ONCE = 5_000

__all__ = ["ChanceRange", "SeriesChances", "series_chances"]


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
    chunk_bytes: int = 64_000_000,
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
    lines = Lines(looks, life_line, now, line_looks, fitted)
    if horizon < 0:
        raise ModelInputError(f"horizon is {horizon}; it must be 0 or more.")
    if not np.isfinite(draws).all():
        raise ModelInputError("draws hold a value that is not finite; was the fit's status 'ok'?")
    laws = drawn_laws(fitted, X, Z, W, np.atleast_2d(np.asarray(draws, dtype=np.float64)), group)
    lines.sort_by_kind(laws)
    collected = Collected(lines, laws.n_draws, keep_draws, np.asarray(keep_lives, dtype=np.int64))
    works = [
        (work, chosen)
        for work, with_verdict in ((_independent_lines, False), (_lines_under_verdicts, True))
        for chosen in lines.runs(chunk_bytes, laws.n_draws, with_verdict=with_verdict)
    ]
    # Runs write to places of their own, so that which thread works which does not matter.
    with ThreadPoolExecutor(n_threads()) as threads:
        for _ in threads.map(lambda each: each[0](lines, each[1], horizon, laws, collected), works):
            pass
    return collected.result()


# -- lines whose lives were looked at one by one -----------------------------------------------------------


def _independent_lines(
    lines: Lines, chosen: IntArray, horizon: float, laws: DrawnLaws, collected: Collected
) -> None:
    """Work distinct lives once, then multiply them along each line."""
    unit = lines.representative[chosen]
    size = lines.units.size[unit]
    life = lines.units.member[ranges(lines.units.start[unit], size)]
    now = np.repeat(lines.now[unit], size)
    _, first, like = np.unique(lines.life_key[life], return_index=True, return_inverse=True)
    tables = _life_tables(lines, life[first], now[first], horizon, laws)
    collected.add_lives(chosen, {name: summary(tables[name])[:, like] for name in ("now", "later")})
    collected.keep_life_draws(chosen, tables["now"], like)
    start = np.cumsum(size) - size
    for a in range(0, len(chosen), LINES_AT_ONCE):
        part = slice(a, a + LINES_AT_ONCE)
        collected.add_lines(
            chosen[part],
            {name: _along_lines(table, like, start[part], size[part]) for name, table in tables.items()},
        )


def _life_tables(
    lines: Lines, life: IntArray, now: FloatArray, horizon: float, laws: DrawnLaws
) -> dict[str, NDArray[Any]]:
    """Chance of each life to be sound now and later given its looks, and now without them, by draw."""
    tables = {
        name: np.empty((len(life), laws.n_draws), dtype=np.float32) for name in ("now", "later", "plain")
    }
    is_seen = np.diff(lines.sequences.start)[life] > 0
    for place in lines.parts(life, np.flatnonzero(~is_seen), n_forms=2):
        these, today, n = life[place], now[place], len(place)
        twice = np.concatenate((these, these))
        forms = build_forms(
            lines.looks,
            lines.sequences,
            twice,
            np.concatenate((today, today + horizon)),
            with_looks=np.zeros(2 * n, dtype=np.bool_),
        )
        chance = survive(forms, laws, np.float32)
        tables["now"][place] = tables["plain"][place] = chance[:n]
        tables["later"][place] = chance[n:]
    for place in lines.parts(life, np.flatnonzero(is_seen), n_forms=4):
        these, today, n = life[place], now[place], len(place)
        forms = build_forms(
            lines.looks,
            lines.sequences,
            np.tile(these, 4),
            np.concatenate((today, today + horizon, np.full(n, -np.inf), today)),
            with_looks=np.arange(4 * n) < 3 * n,
        )
        sound_now, sound_later, seen, plain = np.split(survive(forms, laws), 4)
        tables["now"][place] = _ratio(sound_now, seen)
        tables["later"][place] = _ratio(sound_later, seen)
        tables["plain"][place] = plain
    return tables


@compiled_for_threads
def _along_lines(table: NDArray[Any], like: IntArray, start: IntArray, size: IntArray) -> NDArray[Any]:
    """Product over the lives of each line, by draw."""
    out = np.empty((len(start), table.shape[1]), dtype=np.float32)
    for i in range(len(start)):
        out[i] = table[like[start[i]]]
        for k in range(1, size[i]):
            out[i] *= table[like[start[i] + k]]
    return out


# -- lines under verdicts on the whole ---------------------------------------------------------------------


def _lines_under_verdicts(
    lines: Lines, chosen: IntArray, horizon: float, laws: DrawnLaws, collected: Collected
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
    impossible = _impossible(lines, terms, line_of_term, laws)
    of_lives, of_lines = {}, {}
    for name, years in (("now", 0.0), ("later", horizon)):
        until = lines.now[terms.unit] + years
        seen, line_sound, life_sound = _joint(lines, terms, line_of_term, until, laws)
        seen[impossible] = 0.0
        of_lines[name] = _ratio(line_sound, seen)
        sound = _ratio(life_sound, np.repeat(seen, size, axis=0))
        of_lives[name] = summary(sound)
        if name == "now":
            collected.keep_life_draws(chosen, sound, np.arange(len(sound)))
    forms = build_forms(
        lines.looks,
        lines.sequences,
        life,
        np.repeat(lines.now[unit], size),
        with_looks=np.zeros(len(life), dtype=np.bool_),
    )
    of_lines["plain"] = np.multiply.reduceat(survive(forms, laws), np.cumsum(size) - size, axis=0)
    collected.add_lives(chosen, of_lives)
    collected.add_lines(chosen, of_lines)


def _impossible(lines: Lines, terms: Terms, line_of_term: IntArray, laws: DrawnLaws) -> BoolArray:
    """Lines whose looks contradict each other outright: their terms cancel whatever the parameters."""
    # As in the fit: a flat law about a middle age, under which nothing vanishes by itself.
    age = np.median(lines.now) - np.median(lines.looks.install_min)
    middle = log_age_from_reference(np.array([max(age, 1.0)]))[0]
    seen, _, _ = _joint(lines, terms, line_of_term, lines.now[terms.unit], laws.flat(-middle))
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
    lines: Lines,
    terms: Terms,
    line_of_term: IntArray,
    until: FloatArray,
    laws: DrawnLaws,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """P(all seen), P(all seen, line sound), and P(all seen, life sound) of each member in order."""
    factor_term = terms.factor_term
    later = np.maximum(terms.factor_threshold, until[factor_term])
    as_seen, sound = (
        survive(
            build_forms(
                lines.looks, lines.sequences, terms.factor_life, threshold, node=terms.node[factor_term]
            ),
            laws,
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

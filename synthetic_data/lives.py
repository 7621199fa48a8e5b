"""How every pipe of the town ages, is noticed to have failed, and is repaired, lined or replaced.

A life runs from laying to replacement or lining; a spot repair mends what has failed and the life goes on.
All times are decimal years.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import count, pairwise

import numpy as np

from synthetic_data import truth
from synthetic_data.areas import Areas
from synthetic_data.town import Lots, Stretches
from synthetic_data.truth import Flags, Floats, Ints

#: The town's last day, 30 June 2026, as a decimal year: (181 - 1) / 365 of the year have gone.
TODAY = 2026 + 180.5 / 365

#: How the owner learns of a failure and what is done; judgement, set so that 15 to 25 % of the houses built
#: before 1970 have a replaced pipe.
NOTICED_SHARE, NOTICE_DELAY_YEARS = 0.22, 20.0
BELLY_NOTICED_SHARE, BELLY_DELAY_YEARS = 0.12, 15.0
WORKS_SHARE = 0.85
REPLACED_SHARE, LINED_SHARE = 0.65, 0.20  # the rest is spot repair
FIRST_LINING_YEAR = 1996.0
#: Rate per year at which sound and failed pipes alike are renewed for other reasons (additions, mains works).
PLANNED_RATE = 0.0003

NOT_ENDED, REPLACED, LINED = 0, 1, 2
NO_REASON, FAILURE, PLANNED = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Lives:
    """One entry per life; every array has shape (n_lives,).

    Attributes
    ----------
    stretch, number, material : ndarray of int
        The stretch it lies in, its number there (1 = first), index into `truth.MATERIALS`.
    laid, ended : ndarray of float
        Decimal years; `ended` is infinite while the pipe lies.
    structural_age, roots_age : ndarray of float
        Age [years] at which it fails by its law, whether or not it lives to see it.
    has_belly : ndarray of bool
        Laid with a repair-grade belly.
    noticed, works, repaired : ndarray of float
        When a backup tells the owner, when the works follow, when a spot repair was done; infinite if never.
    structural_age_again, roots_age_again : ndarray of float
        Next failure ages after a spot repair.
    ended_by, ended_reason : ndarray of int
        NOT_ENDED, REPLACED or LINED; NO_REASON, FAILURE or PLANNED.
    following : ndarray of int
        Index of the next life in the stretch, or -1.
    """

    stretch: Ints
    number: Ints
    material: Ints
    laid: Floats
    ended: Floats
    has_short_lay: Flags
    structural_age: Floats
    roots_age: Floats
    has_belly: Flags
    noticed: Floats
    works: Floats
    repaired: Floats
    structural_age_again: Floats
    roots_age_again: Floats
    ended_by: Ints
    ended_reason: Ints
    following: Ints

    @property
    def n(self) -> int:
        """Number of lives."""
        return self.stretch.size

    def standing(self) -> Ints:
        """Index of today's life of each stretch, in the order of the stretches."""
        last = np.flatnonzero(self.following < 0)
        return last[np.argsort(self.stretch[last])]


@dataclass(frozen=True, slots=True)
class Setting:
    """Where lives are lived: lots, stretches, areas."""

    lots: Lots
    stretches: Stretches
    areas: Areas

    def hazards(self, stretch: Ints, material: Ints, laid: Floats, has_short_lay: Flags) -> truth.Hazards:
        """The law of pipes lying in the given stretches."""
        lot = self.stretches.lot[stretch]
        return truth.hazards(
            material=material,
            install_year=laid,
            has_tree=self.lots.has_tree[lot],
            is_expansive=self.lots.is_expansive[lot],
            is_shallow_under_drive=self.lots.is_under_drive[lot]
            & (self.stretches.depth_ft[stretch] < truth.SHALLOW_FT),
            has_short_lay=has_short_lay,
            multiplier=self.areas.multiplier[lot],
        )


def _noticed(laid: Floats, first_age: Floats, has_belly: Flags, rng: np.random.Generator) -> Floats:
    """When a backup tells the owner of a failure; infinite if it never does."""
    n = laid.size
    late = laid + first_age + rng.exponential(NOTICE_DELAY_YEARS, n)
    late = np.where(rng.random(n) < NOTICED_SHARE, late, np.inf)
    belly = laid + rng.exponential(BELLY_DELAY_YEARS, n)
    is_told = has_belly & (rng.random(n) < BELLY_NOTICED_SHARE)
    return np.minimum(late, np.where(is_told, belly, np.inf))


def _until_today(time: Floats) -> Floats:
    """Times with those that lie ahead of the town's last day made infinite."""
    return np.where(time < TODAY, time, np.inf)


def _live(
    setting: Setting, stretch: Ints, material: Ints, laid: Floats, number: int, rng: np.random.Generator
) -> Lives:
    """One generation: a life in each of the given stretches."""
    n = stretch.size
    has_short_lay = rng.random(n) < 0.5
    law = setting.hazards(stretch, material, laid, has_short_lay)
    structural = truth.draw_age(law.structural_shape, law.structural_rate, rng)
    roots = truth.draw_age(law.roots_shape, law.roots_rate, rng)
    has_belly = rng.random(n) < law.belly_share
    noticed = _noticed(laid, np.minimum(structural, roots), has_belly, rng)
    works = np.where(rng.random(n) < WORKS_SHARE, noticed + rng.uniform(0.06, 0.4, n), np.inf)
    works = _until_today(works)
    planned = _until_today(laid + rng.exponential(1.0 / PLANNED_RATE, n))
    # Whatever comes first; a pipe dug out as planned is told of nothing later.
    is_planned = planned < works
    works = np.where(is_planned, np.inf, works)
    noticed = np.where(noticed < np.minimum(planned, TODAY), noticed, np.inf)
    kind = rng.random(n)
    can_line = (works >= FIRST_LINING_YEAR) & ~has_belly & (material != truth.FIBER)
    is_lined = np.isfinite(works) & (kind < LINED_SHARE) & can_line
    is_repaired = np.isfinite(works) & (kind >= LINED_SHARE + REPLACED_SHARE)
    is_replaced = np.isfinite(works) & ~is_lined & ~is_repaired
    ended = np.where(is_replaced | is_lined, works, np.where(np.isfinite(planned), planned, np.inf))
    has_ended = np.isfinite(ended)
    repaired = np.where(is_repaired, works, np.inf)
    at_repair = np.where(is_repaired, works - laid, 0.0)
    return Lives(
        stretch=stretch,
        number=np.full(n, number),
        material=material,
        laid=laid,
        ended=ended,
        has_short_lay=has_short_lay,
        structural_age=structural,
        roots_age=roots,
        has_belly=has_belly,
        noticed=noticed,
        works=works,
        repaired=repaired,
        structural_age_again=truth.draw_age(law.structural_shape, law.structural_rate, rng, at_repair),
        roots_age_again=truth.draw_age(law.roots_shape, law.roots_rate, rng, at_repair),
        ended_by=np.where(has_ended, np.where(is_lined, LINED, REPLACED), NOT_ENDED),
        ended_reason=np.where(has_ended, np.where(is_replaced | is_lined, FAILURE, PLANNED), NO_REASON),
        following=np.full(n, -1),
    )


#: Materials put in for old pipe, by first year of a period; judgement after the same ranges as town.ERA_MIX.
_RENEWAL_STARTS = (1800, 1945, 1965, 1985, 1998)
_RENEWAL_MIX = (
    ((truth.CLAY, 0.6), (truth.CAST_IRON, 0.25), (truth.CONCRETE, 0.15)),
    ((truth.CLAY, 0.6), (truth.CAST_IRON, 0.25), (truth.ASBESTOS, 0.15)),
    ((truth.ABS, 0.5), (truth.PVC, 0.25), (truth.CLAY, 0.25)),
    ((truth.PVC, 0.62), (truth.ABS, 0.38)),
    ((truth.PVC, 0.58), (truth.ABS, 0.30), (truth.POLYETHYLENE, 0.12)),
)


def _new_material(year: Floats, ended_by: Ints, rng: np.random.Generator) -> Ints:
    """Material of the pipe that follows one that ended in a decimal year."""
    period = np.searchsorted(_RENEWAL_STARTS, year, side="right") - 1
    u = rng.random(year.size)
    material = np.full(year.size, truth.LINER)
    for i, mix in enumerate(_RENEWAL_MIX):
        codes = np.array([code for code, _ in mix])
        steps = np.cumsum([share for _, share in mix])[:-1]
        here = period == i
        material[here] = codes[np.searchsorted(steps, u[here], side="right")]
    material[ended_by == LINED] = truth.LINER
    return material


def live(setting: Setting, rng: np.random.Generator) -> Lives:
    """All lives of the town from the first pipes until today.

    Parameters
    ----------
    setting : Setting
        Lots, stretches and areas.
    rng : numpy.random.Generator
        Source of all draws.
    """
    stretch = np.arange(setting.stretches.n)
    material = setting.stretches.first_material
    laid = setting.lots.laid[setting.stretches.lot]
    generations: list[Lives] = []
    for number in count(1):
        generation = _live(setting, stretch, material, laid, number, rng)
        generations.append(generation)
        goes_on = np.flatnonzero(np.isfinite(generation.ended))
        if goes_on.size == 0:
            break
        stretch, laid = stretch[goes_on], generation.ended[goes_on]
        material = _new_material(laid, generation.ended_by[goes_on], rng)
    return _join(generations)


def _join(generations: list[Lives]) -> Lives:
    """One table of all generations, each life pointing to the one after it."""
    columns = {
        field.name: np.concatenate([getattr(generation, field.name) for generation in generations])
        for field in fields(Lives)
    }
    start = 0
    for generation, later in pairwise(generations):
        ended = start + np.flatnonzero(np.isfinite(generation.ended))
        start += generation.n
        columns["following"][ended] = start + np.arange(later.n)
    return Lives(**columns)

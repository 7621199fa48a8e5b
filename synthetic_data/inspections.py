"""Who looks when and why, how far the camera gets, and what it makes of each stretch.

A look is one camera run of one lateral. Pre-sale and routine looks come at random times, whatever the pipe
is like; a backup sends the camera to a pipe that has failed (now and then to one merely blocked by grease);
warranty looks come at age one to two; some finished works are checked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data import truth
from synthetic_data.lives import TODAY, Lives, Setting
from synthetic_data.truth import Flags, Floats, Ints

FIRST_LOOK = 2008.0
PURPOSES = ("pre_sale", "routine", "backup", "warranty", "post_repair")
PRE_SALE, ROUTINE, BACKUP, WARRANTY, POST_REPAIR = range(5)

#: Looks per lot and year, or chance per occasion; judgement, set so that about 45 % of the lots have a look.
PRE_SALE_RATE, ROUTINE_RATE, GREASE_BACKUP_RATE = 0.0235, 0.0068, 0.0008
BACKUP_LOOK_SHARE, WARRANTY_LOOK_SHARE, POST_REPAIR_LOOK_SHARE = 0.6, 0.2, 0.3
#: No sale or routine look in the first months of a house [years].
HONEYMOON_YEARS = 0.4

#: Runs that stop early for a reason other than a collapse; collapses bring the sum to about 10 %.
ABANDONED_SHARE = 0.08
ABANDONED_REASONS = (
    "",
    "debris",
    "camera under water",
    "could not pass offset",
    "cable too short",
    "collapse",
)
COLLAPSE = 5
DRAINED_SHARE, UNDRAINED_SHARE = 0.82, 0.08  # the rest is not recorded
DRAINED, UNDRAINED, NOT_RECORDED = 0, 1, 2
OVERALL_ONLY_SHARE = 0.15

#: Repair-grade structural kinds by law row of truth.LAWS; judgement after the dominant failures that trade
#: handbooks name per material.
STRUCTURAL_KINDS = ("fracture", "hole", "collapse", "deformation", "corrosion")
_FRACTURE, _HOLE, STRUCTURAL_COLLAPSE, _DEFORMATION, _CORROSION = range(5)
_STRUCTURAL_MIX = (
    (0.68, 0.24, 0.08, 0.00, 0.00),  # clay, mortar joints
    (0.36, 0.14, 0.07, 0.00, 0.43),  # concrete
    (0.25, 0.25, 0.02, 0.00, 0.48),  # cast iron
    (0.00, 0.12, 0.18, 0.70, 0.00),  # bituminized fibre
    (0.50, 0.16, 0.10, 0.00, 0.24),  # asbestos cement
    (0.60, 0.12, 0.03, 0.25, 0.00),  # ABS
    (0.56, 0.10, 0.02, 0.32, 0.00),  # PVC
    (0.40, 0.10, 0.00, 0.50, 0.00),  # polyethylene
    (0.50, 0.15, 0.00, 0.35, 0.00),  # liner
    (0.72, 0.22, 0.06, 0.00, 0.00),  # clay, compression joints
)
#: Kinds of repair-grade roots-or-joints failure and their shares; judgement.
ROOTS_KINDS = ("roots", "offset_joint", "separated_joint")
_ROOTS_MIX = (0.62, 0.24, 0.14)


@dataclass(frozen=True, slots=True)
class Looks:
    """One entry per look, ordered by time; arrays of shape (n_looks,).

    Attributes
    ----------
    lot, purpose : ndarray of int
        Lot, and index into `PURPOSES`.
    time : ndarray of float
        Decimal year.
    end_ft : ndarray of float
        Footage reached, from the clean-out at the house [ft].
    is_complete, is_overall_only : ndarray of bool
        Whether the camera reached the tie-in; whether only a verdict on the whole line was kept.
    reason, drained : ndarray of int
        Index into `ABANDONED_REASONS`; DRAINED, UNDRAINED or NOT_RECORDED.
    """

    lot: Ints
    purpose: Ints
    time: Floats
    end_ft: Floats
    is_complete: Flags
    is_overall_only: Flags
    reason: Ints
    drained: Ints

    @property
    def n(self) -> int:
        """Number of looks."""
        return self.lot.size


@dataclass(frozen=True, slots=True)
class Sights:
    """What one look made of one stretch that it reached at least in part; arrays of shape (n_sights,).

    Attributes
    ----------
    look, stretch, life : ndarray of int
        The look, the stretch, and the life that lay in it then.
    to_ft : ndarray of float
        How far into the stretch the camera got [ft of the line].
    is_whole : ndarray of bool
        Whether it got to the end of the stretch.
    failed : ndarray of bool, shape (3, n_sights)
        Truth at the look: structural, roots_joints, grade.
    called : ndarray of bool, shape (3, n_sights)
        What the camera made of it, within the footage reached.
    at_ft : ndarray of float, shape (3, n_sights)
        Where what is called lies [ft of the line].
    structural_kind, roots_kind : ndarray of int
        Index into `STRUCTURAL_KINDS` and `ROOTS_KINDS` of what is called.
    """

    look: Ints
    stretch: Ints
    life: Ints
    to_ft: Floats
    is_whole: Flags
    failed: Flags
    called: Flags
    at_ft: Floats
    structural_kind: Ints
    roots_kind: Ints

    @property
    def n(self) -> int:
        """Number of sights."""
        return self.look.size


def _random_looks(rate: float, laid: Floats, rng: np.random.Generator) -> tuple[Ints, Floats]:
    """Lots and times of looks that come at random, at so many per lot and year."""
    number = rng.poisson(rate * (TODAY - FIRST_LOOK), laid.size)
    lot = np.repeat(np.arange(laid.size), number)
    time = rng.uniform(FIRST_LOOK, TODAY, lot.size)
    is_possible = time > laid[lot] + HONEYMOON_YEARS
    return lot[is_possible], time[is_possible]


def _occasions(setting: Setting, lives: Lives, rng: np.random.Generator) -> list[tuple[Ints, Floats, int]]:
    """Lots, times and purpose of all looks, by the occasion that brings them."""
    lot_of = setting.stretches.lot[lives.stretch]
    laid = setting.lots.laid

    def after(
        moment: Floats, share: float, low: float, high: float, purpose: int
    ) -> tuple[Ints, Floats, int]:
        """Looks that follow a moment in some lives."""
        chosen = np.isfinite(moment) & (rng.random(moment.size) < share)
        time = moment[chosen] + rng.uniform(low, high, int(chosen.sum()))
        return lot_of[chosen], time, purpose

    # One warranty look serves all pipes laid with a new house.
    is_new_pipe = (lives.number > 1) | (setting.stretches.sequence[lives.stretch] == 1)
    new_pipe = np.where(is_new_pipe, lives.laid, np.inf)
    return [
        (*_random_looks(PRE_SALE_RATE, laid, rng), PRE_SALE),
        (*_random_looks(ROUTINE_RATE, laid, rng), ROUTINE),
        (*_random_looks(GREASE_BACKUP_RATE, laid, rng), BACKUP),
        after(lives.noticed, BACKUP_LOOK_SHARE, 0.003, 0.05, BACKUP),
        after(new_pipe, WARRANTY_LOOK_SHARE, 1.0, 2.0, WARRANTY),
        after(lives.works, POST_REPAIR_LOOK_SHARE, 0.01, 0.1, POST_REPAIR),
    ]


def _draw_schedule(setting: Setting, lives: Lives, rng: np.random.Generator) -> tuple[Ints, Floats, Ints]:
    """Lot, time and purpose of every look in the town's records, ordered by time."""
    occasions = _occasions(setting, lives, rng)
    lot = np.concatenate([o[0] for o in occasions])
    time = np.concatenate([o[1] for o in occasions])
    purpose = np.concatenate([np.full(o[0].size, o[2]) for o in occasions])
    order = np.flatnonzero((time >= FIRST_LOOK) & (time < TODAY))
    order = order[np.lexsort((lot[order], time[order]))]
    return lot[order], time[order], purpose[order]


def lives_at(lives: Lives, stretch: Ints, time: Floats, n_stretches: int) -> Ints:
    """The life that lies in each stretch at a time."""
    first = np.empty(n_stretches, dtype=np.int64)
    is_first = lives.number == 1
    first[lives.stretch[is_first]] = np.flatnonzero(is_first)
    life: Ints = first[stretch]
    while True:
        late = np.flatnonzero(time >= lives.ended[life])
        if late.size == 0:
            return life
        life[late] = lives.following[life[late]]


def _failed_at(lives: Lives, life: Ints, time: Floats) -> Flags:
    """What a perfect camera would see: (3, n) flags for structural, roots_joints, grade."""
    age = time - lives.laid[life]
    is_mended = time >= lives.repaired[life]
    structural = np.where(is_mended, lives.structural_age_again[life], lives.structural_age[life]) <= age
    roots = np.where(is_mended, lives.roots_age_again[life], lives.roots_age[life]) <= age
    return np.stack([structural, roots, lives.has_belly[life] & ~is_mended])


def call(failed: Flags, rng: np.random.Generator) -> Flags:
    """What the camera makes of stretches, see `truth.detection` for the law; (3, n) flags to (3, n) flags."""
    n = failed.shape[1]
    has_failed = failed.any(axis=0)
    is_seen = rng.random(n) < truth.SENSITIVITY
    false = np.asarray(list(truth.FALSE_CALLS.values()))[:, None]
    chance = np.where(has_failed, is_seen * false / truth.SENSITIVITY, false)
    is_false = rng.random(failed.shape) < chance
    called: Flags = np.where(failed, is_seen, is_false)
    return called


@dataclass(frozen=True, slots=True)
class Marks:
    """Where each life fails, so that repeat looks find the same spot; arrays of shape (n_lives,)."""

    along: Floats  # (3, n_lives): share of the usable length
    structural_kind: Ints
    roots_kind: Ints


def draw_marks(lives: Lives, rng: np.random.Generator) -> Marks:
    """Draw place and kind of each life's failures."""
    rows = truth.law_rows(lives.material, lives.laid)
    steps = np.cumsum(np.asarray(_STRUCTURAL_MIX), axis=1)[:, :-1]
    kind = np.zeros(lives.n, dtype=np.int64)
    u = rng.random(lives.n)
    for step in range(steps.shape[1]):
        kind += u > steps[rows, step]
    return Marks(
        along=rng.random((3, lives.n)),
        structural_kind=kind,
        roots_kind=rng.choice(len(ROOTS_KINDS), size=lives.n, p=_ROOTS_MIX),
    )


#: A belly needs room: it starts this far before the end of its stretch at the latest [ft].
BELLY_ROOM_FT = 6.5
#: Findings keep this distance from the ends of their stretch, so that the footage names the stretch [ft].
EDGE_FT = 0.5


def _places(along: Floats, from_ft: Floats, to_ft: Floats) -> Floats:
    """Footage of each mark, (3, n); bellies leave room for their length."""
    room = np.stack([np.full_like(from_ft, EDGE_FT)] * 2 + [np.full_like(from_ft, BELLY_ROOM_FT)])
    usable = np.maximum(to_ft - from_ft - EDGE_FT - room, 0.0)
    # Downwards, so that rounding never carries a mark out of its stretch.
    places: Floats = np.floor((from_ft + EDGE_FT + along * usable) * 10.0) / 10.0
    return places


def _run(
    lot: Ints, time: Floats, purpose: Ints, *, line_ft: Floats, collapse_ft: Floats, rng: np.random.Generator
) -> Looks:
    """How far each camera got: to the tie-in, to a collapse, or to whatever else stopped it."""
    n = lot.size
    is_abandoned = rng.random(n) < ABANDONED_SHARE
    end_ft = np.where(is_abandoned, np.floor(line_ft * rng.uniform(0.2, 0.95, n)), line_ft)
    reason = np.where(is_abandoned, rng.integers(1, COLLAPSE, n), 0)
    reason = np.where(collapse_ft <= end_ft, COLLAPSE, reason)
    u = rng.random(n)
    return Looks(
        lot=lot,
        purpose=purpose,
        time=time,
        end_ft=np.minimum(end_ft, collapse_ft),
        is_complete=reason == 0,
        is_overall_only=rng.random(n) < OVERALL_ONLY_SHARE,
        reason=reason,
        drained=(u >= DRAINED_SHARE).astype(np.int64) + (u >= DRAINED_SHARE + UNDRAINED_SHARE),
    )


def inspect(setting: Setting, lives: Lives, rng: np.random.Generator) -> tuple[Looks, Sights]:
    """Draw all looks and what they make of the pipes.

    Parameters
    ----------
    setting : Setting
        Lots, stretches and areas.
    lives : Lives
        All lives of the town.
    rng : numpy.random.Generator
        Source of all draws.

    Returns
    -------
    tuple of Looks and Sights
        The camera runs, and one entry per run and stretch reached.
    """
    lots, stretches = setting.lots, setting.stretches
    lot, time, purpose = _draw_schedule(setting, lives, rng)
    count = stretches.count[lot]
    look = np.repeat(np.arange(lot.size), count)
    stretch = stretches.first[lot][look] + np.arange(look.size) - (np.cumsum(count) - count)[look]
    life = lives_at(lives, stretch, time[look], stretches.n)
    failed = _failed_at(lives, life, time[look])
    called = call(failed, rng)
    marks = draw_marks(lives, rng)
    from_ft, to_ft = stretches.from_ft[stretch], stretches.to_ft[stretch]
    along = np.where(failed, marks.along[:, life], rng.random(failed.shape))
    at_ft = _places(along, from_ft, to_ft)
    # A false structural call is of a fracture that is none; nobody imagines a collapse.
    kind = np.where(failed[0], marks.structural_kind[life], _FRACTURE)
    collapse_ft = np.full(lot.size, np.inf)
    stops = called[0] & (kind == STRUCTURAL_COLLAPSE)
    np.minimum.at(collapse_ft, look[stops], at_ft[0, stops])
    looks = _run(lot, time, purpose, line_ft=lots.line_ft[lot], collapse_ft=collapse_ft, rng=rng)
    end_ft = looks.end_ft[look]
    # A belly is seen only where enough of it lies before the end of the run.
    needed = at_ft + np.array([[0.0], [0.0], [BELLY_ROOM_FT - EDGE_FT]])
    reached = end_ft > from_ft
    return looks, Sights(
        look=look[reached],
        stretch=stretch[reached],
        life=life[reached],
        to_ft=np.minimum(to_ft, end_ft)[reached],
        is_whole=(end_ft >= to_ft)[reached],
        failed=failed[:, reached],
        called=(called & (needed <= end_ft))[:, reached],
        at_ft=at_ft[:, reached],
        structural_kind=kind[reached],
        roots_kind=np.where(failed[1], marks.roots_kind[life], 0)[reached],
    )

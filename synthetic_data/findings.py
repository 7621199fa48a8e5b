"""Footage notes: those that realise what the camera made of a stretch, and those that mean little.

Repair-grade notes lie clearly above the thresholds of common practice, the others clearly below:

==================  =======================================  ==============================
kind                repair-grade here                        below
==================  =======================================  ==============================
fracture, hole,     always (collapse and hole: replace)      cracks only
collapse
deformation         loss 16 % or more                        loss 6 % or less
corrosion           loss 26 % or more                        loss 12 % or less
roots               loss 32 % or more                        loss 12 % or less
offset, separated   1 in or more                             1/3 in or less
belly               1.2 in or more over 5.2 ft or more       0.6 in or less, or under 3.5 ft
==================  =======================================  ==============================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data import truth
from synthetic_data.inspections import (
    DRAINED,
    EDGE_FT,
    ROOTS_KINDS,
    STRUCTURAL_KINDS,
    Looks,
    Sights,
)
from synthetic_data.lives import Lives, Setting
from synthetic_data.truth import Flags, Floats, Ints

SERVICEABLE, MONITOR, REPAIR, REPLACE = range(4)
VERDICTS = ("serviceable", "monitor", "repair", "replace")

_JOINTED = (truth.CLAY, truth.CONCRETE, truth.CAST_IRON, truth.FIBER, truth.ASBESTOS)
_ANY_MATERIAL = tuple(range(len(truth.MATERIALS)))


@dataclass(frozen=True, slots=True)
class Small:
    """A kind of note that calls for no repair; shares are judgement, per stretch seen.

    Attributes
    ----------
    kind : str
        Kind of finding.
    share : float
        Chance per stretch of one of the materials.
    materials : sequence of int
        Where it occurs.
    is_watched : bool
        Whether an inspector would say "monitor".
    loss_pct, offset_in, water_in, length_ft : tuple of float or None
        Range of each size, where it has one.
    note : str or None
        Free text.
    """

    kind: str
    share: float
    materials: Sequence[int] = _ANY_MATERIAL
    is_watched: bool = False
    loss_pct: tuple[float, float] | None = None
    offset_in: tuple[float, float] | None = None
    water_in: tuple[float, float] | None = None
    length_ft: tuple[float, float] | None = None
    note: str | None = None


SMALL = (
    Small("crack", 0.12, (truth.CLAY, truth.CONCRETE, truth.ASBESTOS), True, note="hairline, closed"),
    Small("roots", 0.16, _JOINTED, True, loss_pct=(1.0, 12.0), note="fine roots at joint"),
    Small("roots", 0.03, (truth.ABS, truth.PVC), True, loss_pct=(1.0, 6.0), note="fine roots at fitting"),
    Small("offset_joint", 0.12, _JOINTED, True, offset_in=(0.1, 0.33)),
    Small("scale", 0.35, (truth.CAST_IRON,), loss_pct=(2.0, 20.0)),
    Small("corrosion", 0.10, (truth.CONCRETE, truth.CAST_IRON), True, loss_pct=(2.0, 12.0)),
    Small("deformation", 0.06, (truth.FIBER, truth.ABS, truth.PVC), True, loss_pct=(1.0, 6.0)),
    Small("infiltration", 0.01, _JOINTED, True, note="stain at joint, dry"),
    Small("grease", 0.10, loss_pct=(1.0, 15.0)),
    Small("debris", 0.08, loss_pct=(1.0, 12.0)),
    Small("belly", 0.08, water_in=(0.0625, 0.25), length_ft=(5.0, 8.0), note="film of water"),
    Small("belly", 0.02, is_watched=True, water_in=(0.4, 0.6), length_ft=(5.0, 8.0)),
    Small("belly", 0.01, is_watched=True, water_in=(1.2, 1.6), length_ft=(2.0, 3.5), note="short dip"),
    Small(
        "foreign_line", 0.0004, note="another utility's line crosses the bore: stop work, call the utility"
    ),
)

_SCHEMA: dict[str, pl.DataType] = {
    "look": pl.Int64(),
    "at_ft": pl.Float64(),
    "to_ft": pl.Float64(),
    "kind": pl.String(),
    "water_depth_in": pl.Float64(),
    "loss_pct": pl.Float64(),
    "offset_in": pl.Float64(),
    "clock": pl.String(),
    "near_manhole": pl.Boolean(),
    "note": pl.String(),
}


def _frame(look: Ints, at_ft: Floats, kind: object, **sizes: object) -> pl.DataFrame:
    """Notes as a frame; sizes not given are empty."""
    columns = {"look": look, "at_ft": at_ft, **sizes}
    frame = pl.DataFrame(columns).with_columns(
        kind if isinstance(kind, pl.Series) else pl.lit(kind).alias("kind")
    )
    missing = [
        pl.lit(None, dtype=dtype).alias(name) for name, dtype in _SCHEMA.items() if name not in frame.columns
    ]
    return frame.with_columns(missing).select(pl.col(name).cast(dtype) for name, dtype in _SCHEMA.items())


def _range(limits: tuple[float, float], n: int, rng: np.random.Generator, digits: int = 1) -> Floats:
    """Sizes inside a range, rounded inwards enough for the thresholds above."""
    return np.round(rng.uniform(*limits, n), digits)


def _clock(n: int, rng: np.random.Generator) -> pl.Series:
    """Positions on the clock as inspectors say them."""
    return (pl.Series("clock", rng.integers(1, 13, n)).cast(pl.String) + " o'clock").alias("clock")


def _words(name: str, words: tuple[str, ...], index: Ints) -> pl.Series:
    """Indices as words."""
    return pl.Series(name, words, dtype=pl.String).gather(pl.Series(index, dtype=pl.UInt32)).alias(name)


def _structural(sights: Sights, rng: np.random.Generator) -> pl.DataFrame:
    """Notes of structural failure."""
    at = np.flatnonzero(sights.called[0])
    kind = sights.structural_kind[at]
    loss = np.full(at.size, np.nan)
    for word, limits in (
        ("collapse", (60.0, 100.0)),
        ("deformation", (16.0, 45.0)),
        ("corrosion", (26.0, 60.0)),
    ):
        loss = np.where(kind == STRUCTURAL_KINDS.index(word), _range(limits, at.size, rng, 0), loss)
    return _frame(
        sights.look[at],
        sights.at_ft[0, at],
        _words("kind", STRUCTURAL_KINDS, kind),
        loss_pct=pl.Series(loss).fill_nan(None),
        clock=_clock(at.size, rng),
    )


def _roots(sights: Sights, rng: np.random.Generator) -> pl.DataFrame:
    """Notes of repair-grade roots and joints."""
    at = np.flatnonzero(sights.called[1])
    is_root = sights.roots_kind[at] == 0
    loss = np.where(is_root, _range((32.0, 85.0), at.size, rng, 0), np.nan)
    gap = np.where(is_root, np.nan, _range((1.0, 2.5), at.size, rng))
    return _frame(
        sights.look[at],
        sights.at_ft[1, at],
        _words("kind", ROOTS_KINDS, sights.roots_kind[at]),
        loss_pct=pl.Series(loss).fill_nan(None),
        offset_in=pl.Series(gap).fill_nan(None),
    )


def _bellies(sights: Sights, rng: np.random.Generator) -> pl.DataFrame:
    """Notes of repair-grade bellies, as long as their stretch and the run allow."""
    at = np.flatnonzero(sights.called[2])
    start = sights.at_ft[2, at]
    length = np.minimum(_range((5.5, 14.0), at.size, rng), sights.to_ft[at] - EDGE_FT - start)
    return _frame(
        sights.look[at],
        start,
        "belly",
        to_ft=np.floor((start + np.maximum(length, 5.5)) * 10.0) / 10.0,
        water_depth_in=_range((1.2, 2.4), at.size, rng),
        near_manhole=np.zeros(at.size, dtype=bool),
    )


def _small(
    sights: Sights, from_ft: Floats, material: Ints, what: Small, rng: np.random.Generator
) -> pl.DataFrame:
    """Notes of one kind that calls for no repair."""
    length = np.zeros(sights.n) if what.length_ft is None else rng.uniform(*what.length_ft, sights.n)
    room = sights.to_ft - from_ft - 2 * EDGE_FT - length
    is_there = np.isin(material, what.materials) & (room > 0) & (rng.random(sights.n) < what.share)
    at = np.flatnonzero(is_there)
    start = np.floor((from_ft[at] + EDGE_FT + rng.random(at.size) * room[at]) * 10.0) / 10.0
    sizes: dict[str, object] = {}
    if what.loss_pct is not None:
        sizes["loss_pct"] = _range(what.loss_pct, at.size, rng, 0)
    if what.offset_in is not None:
        sizes["offset_in"] = _range(what.offset_in, at.size, rng, 2)
    if what.water_in is not None:
        sizes["water_depth_in"] = np.round(rng.uniform(*what.water_in, at.size) * 16.0) / 16.0
    if what.length_ft is not None:
        sizes["to_ft"] = np.round(start + length[at], 1)
    return _frame(
        sights.look[at],
        start,
        what.kind,
        note=pl.Series([what.note], dtype=pl.String).new_from_index(0, at.size),
        **sizes,
    )


def _at_manhole(sights: Sights, from_ft: Floats, is_last: Flags, rng: np.random.Generator) -> pl.DataFrame:
    """Water held at the main or manhole: no belly, though it looks like one."""
    able = is_last & sights.is_whole & (sights.to_ft - from_ft > 8.5)
    u = rng.random(sights.n)
    standing, held = np.flatnonzero(able & (u < 0.04)), np.flatnonzero(able & (u > 0.988))
    reach = _range((1.0, 4.0), standing.size, rng)
    return pl.concat(
        [
            _frame(
                sights.look[standing],
                sights.to_ft[standing] - reach,
                "standing_water",
                water_depth_in=_range((0.5, 3.0), standing.size, rng),
                near_manhole=np.ones(standing.size, dtype=bool),
                note=pl.Series(["debris at the main holds water"], dtype=pl.String).new_from_index(
                    0, standing.size
                ),
            ),
            _frame(
                sights.look[held],
                sights.to_ft[held] - 7.5,
                "belly",
                to_ft=sights.to_ft[held],
                water_depth_in=_range((1.2, 2.0), held.size, rng),
                near_manhole=np.ones(held.size, dtype=bool),
            ),
        ]
    )


def _changes(sights: Sights, setting: Setting, lives: Lives) -> pl.DataFrame:
    """Where one material or bore ends and another begins; sights lie in the order of the line."""
    stretches = setting.stretches
    later = np.flatnonzero(stretches.sequence[sights.stretch] > 1)
    material = lives.material[sights.life]
    before, after = material[later - 1], material[later]
    bore = stretches.diameter_in[sights.stretch]
    is_material = before != after
    is_bore = ~is_material & (bore[later - 1] != bore[later])
    changed = later[is_material]
    note = (
        _words("note", truth.MATERIALS, before[is_material])
        + " to "
        + _words("note", truth.MATERIALS, after[is_material])
    )
    wider = later[is_bore]
    return pl.concat(
        [
            _frame(
                sights.look[changed],
                stretches.from_ft[sights.stretch[changed]],
                "material_change",
                note=note.str.replace_all("_", " "),
            ),
            _frame(sights.look[wider], stretches.from_ft[sights.stretch[wider]], "diameter_change"),
        ]
    )


def _traces(looks: Looks, noted: Ints, rng: np.random.Generator) -> pl.DataFrame:
    """A trace of scale for runs without any note: no record of a run that was noted is left blank."""
    blank = np.flatnonzero(np.bincount(noted, minlength=looks.n) == 0)
    at_ft = np.floor(rng.random(blank.size) * looks.end_ft[blank] * 10.0) / 10.0
    return _frame(
        blank,
        at_ft,
        "scale",
        loss_pct=np.ones(blank.size),
        note=pl.Series(["trace"], dtype=pl.String).new_from_index(0, blank.size),
    )


@dataclass(frozen=True, slots=True)
class Notes:
    """What the camera runs noted.

    Attributes
    ----------
    findings : polars.DataFrame
        One row per note, ordered by look and footage; `look` is the index of the run. Runs of which only
        an overall verdict was kept have none.
    verdict : ndarray of int, shape (n_looks,)
        Verdict on the part of the line seen, index into `VERDICTS`; bellies count on drained lines only.
    """

    findings: pl.DataFrame
    verdict: Ints


def note_down(
    setting: Setting, lives: Lives, looks: Looks, sights: Sights, rng: np.random.Generator
) -> Notes:
    """Write the notes of all looks.

    Parameters
    ----------
    setting, lives, looks, sights
        The town and what the camera made of it.
    rng : numpy.random.Generator
        Source of all draws.
    """
    from_ft = setting.stretches.from_ft[sights.stretch]
    material = lives.material[sights.life]
    is_last = setting.stretches.sequence[sights.stretch] == setting.stretches.count[looks.lot[sights.look]]
    grave = [_structural(sights, rng), _roots(sights, rng), _bellies(sights, rng)]
    small = [_small(sights, from_ft, material, what, rng) for what in SMALL]
    verdict = _verdicts(looks, sights, [f for f, what in zip(small, SMALL, strict=True) if what.is_watched])
    other = [_at_manhole(sights, from_ft, is_last, rng), _changes(sights, setting, lives)]
    every = pl.concat([*grave, *small, *other])
    every = pl.concat([every, _traces(looks, every["look"].to_numpy(), rng)])
    is_kept = pl.Series(~looks.is_overall_only[every["look"].to_numpy()])
    findings = every.filter(is_kept).sort("look", "at_ft", maintain_order=True)
    return Notes(findings=findings, verdict=verdict)


def _verdicts(looks: Looks, sights: Sights, watched: list[pl.DataFrame]) -> Ints:
    """Verdict on each line from its gravest note."""
    verdict = np.full(looks.n, SERVICEABLE, dtype=np.int64)
    for frame in watched:
        verdict[frame["look"].to_numpy()] = MONITOR
    is_belly = sights.called[2] & (looks.drained[sights.look] == DRAINED)
    is_bad = sights.called[0] | sights.called[1] | is_belly
    verdict[sights.look[is_bad]] = REPAIR
    gravest = [STRUCTURAL_KINDS.index("hole"), STRUCTURAL_KINDS.index("collapse")]
    is_past_repair = sights.called[0] & np.isin(sights.structural_kind, gravest)
    verdict[sights.look[is_past_repair]] = REPLACE
    return verdict

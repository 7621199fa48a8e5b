"""The laws of the invented town: how pipes fail, and how well a camera sees it.

Numbers marked "judgement" are invented, shaped to sit with published ranges of service life; no published
lateral-level survival parameters by material are known. They are laws of this town and of no other.

A stretch of pipe has three independent ways to fail:

- structural and roots/joints: Weibull, cumulative hazard H(t) = m · (t · exp(β) / λ)^k, where β is the sum of
  the covariate effects (they divide λ by exp(β), an accelerated-time effect) and m is the hazard multiplier
  of the area (subdivision frailty or planted hot spot, a proportional-hazards effect);
- grade: a belly is there from the day of laying, or never.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Materials of the town, in the order of the laws below.
MATERIALS = (
    "vitrified_clay",
    "concrete",
    "cast_iron",
    "bituminized_fiber",
    "asbestos_cement",
    "abs",
    "pvc",
    "polyethylene",
    "cured_in_place",
)
CLAY, CONCRETE, CAST_IRON, FIBER, ASBESTOS, ABS, PVC, POLYETHYLENE, LINER = range(9)
#: Clay laid from this year on has factory compression joints (rubber or urethane); common practice.
COMPRESSION_JOINT_YEAR = 1958
#: Row of the laws for clay with compression joints, behind the materials.
CLAY_COMPRESSION = len(MATERIALS)


@dataclass(frozen=True, slots=True)
class Law:
    """Weibull shape k and scale λ [years] of two processes, the share of bellies, and the laying length.

    Attributes
    ----------
    structural, roots : tuple of float
        (k, λ) for repair-grade structural failure and for repair-grade roots or joints.
    belly_share : float
        Share of pipes laid with a repair-grade belly.
    lay_lengths_ft : tuple of float
        Two usual laying lengths [ft]; the joints per 10 ft follow from them.
    """

    structural: tuple[float, float]
    roots: tuple[float, float]
    belly_share: float
    lay_lengths_ft: tuple[float, float]


#: Judgement, see the module docstring; laying lengths are common practice (trade handbooks).
LAWS = (
    Law((2.8, 95.0), (1.8, 62.0), 0.06, (2.0, 3.0)),  # vitrified clay, mortar joints
    Law((3.3, 72.0), (1.9, 75.0), 0.07, (2.5, 4.0)),  # concrete
    Law((3.5, 74.0), (1.6, 160.0), 0.05, (5.0, 10.0)),  # cast iron
    Law((4.5, 46.0), (2.0, 50.0), 0.12, (5.0, 8.0)),  # bituminized fibre
    Law((3.2, 80.0), (1.8, 110.0), 0.05, (10.0, 13.0)),  # asbestos cement
    Law((1.6, 150.0), (1.4, 170.0), 0.10, (10.0, 20.0)),  # ABS
    Law((1.3, 220.0), (1.3, 190.0), 0.09, (13.0, 20.0)),  # PVC
    Law((1.4, 240.0), (1.3, 260.0), 0.08, (40.0, 40.0)),  # polyethylene, fused
    Law((1.6, 150.0), (1.4, 200.0), 0.03, (40.0, 40.0)),  # cured-in-place lining
    Law((2.8, 120.0), (1.8, 95.0), 0.06, (3.0, 6.0)),  # vitrified clay, compression joints
)

#: Covariate effects β; λ is multiplied by exp(-β). Judgement, with the direction that the literature reports.
TREE_ON_ROOTS = 0.35
EXPANSIVE_CLAY_ON_STRUCTURE = 0.25
#: The same soil multiplies the share of bellies by exp(0.25).
EXPANSIVE_CLAY_ON_BELLIES = 0.25
SHALLOW_UNDER_DRIVE_ON_STRUCTURE = 0.15
SHALLOW_FT = 3.0
#: Per joint in 10 ft more than the middle of the material's two usual laying lengths.
JOINT_ON_ROOTS = 0.05
#: Standard deviation of log m among subdivisions; m has mean one.
FRAILTY_SD = 0.35
#: Hazard multipliers of the three planted hot spots.
HOT_SPOT_HAZARDS = (4.0, 4.5, 6.0)

#: Chance that a look at a stretch sees what has failed in it; a miss hides everything in that stretch.
SENSITIVITY = 0.80
#: Chance that a look reports a family that has not failed in the stretch.
FALSE_CALLS = {"structural": 0.03, "roots_joints": 0.03, "grade": 0.01}
OUTCOMES = ("structural", "roots_joints", "grade", "any")


def detection() -> dict[str, tuple[float, float]]:
    """Sensitivity and specificity of one look at one stretch that was fully reached, per outcome.

    Returns
    -------
    dict of str to tuple of float
        Outcome → (sensitivity, specificity). For grade and any: on a drained line.

    Notes
    -----
    False calls are coupled so that all four rows hold exactly. On a stretch where nothing has failed they
    are independent per family. On a stretch where something has failed they happen only in a look that is
    not a miss, with chance false / SENSITIVITY: so the chance per family stays `false`, and "any" is called
    on a failed stretch with chance SENSITIVITY exactly.
    """
    table = {name: (SENSITIVITY, 1.0 - false) for name, false in FALSE_CALLS.items()}
    table["any"] = (SENSITIVITY, float(np.prod([1.0 - false for false in FALSE_CALLS.values()])))
    return table


def law_rows(material: Ints, install_year: Floats) -> Ints:
    """Row of `LAWS` for each pipe: its material, with clay split by the year of its joints."""
    is_late_clay = (material == CLAY) & (install_year >= COMPRESSION_JOINT_YEAR)
    return np.where(is_late_clay, CLAY_COMPRESSION, material)


def _column(values: list[float], rows: Ints) -> Floats:
    """Law values laid out per pipe."""
    picked: Floats = np.asarray(values, dtype=np.float64)[rows]
    return picked


@dataclass(frozen=True, slots=True)
class Hazards:
    """The law of each pipe with its covariates in it; every array has shape (n_pipes,).

    Attributes
    ----------
    structural_shape, structural_rate, roots_shape, roots_rate : ndarray of float
        H(t) = rate · t^shape, t in years.
    belly_share : ndarray of float
        Chance that the pipe was laid with a belly.
    """

    structural_shape: Floats
    structural_rate: Floats
    roots_shape: Floats
    roots_rate: Floats
    belly_share: Floats

    def failed_share(self, age: float) -> dict[str, Floats]:
        """Chance of each pipe to have failed by an age [years], per outcome; arrays of shape (n_pipes,)."""
        structural = self.structural_rate * age**self.structural_shape
        roots = self.roots_rate * age**self.roots_shape
        return {
            "structural": -np.expm1(-structural),
            "roots_joints": -np.expm1(-roots),
            "grade": self.belly_share,
            "any": 1.0 - np.exp(-structural - roots) * (1.0 - self.belly_share),
        }


def hazards(
    *,
    material: Ints,
    install_year: Floats,
    has_tree: Flags,
    is_expansive: Flags,
    is_shallow_under_drive: Flags,
    has_short_lay: Flags,
    multiplier: Floats,
) -> Hazards:
    """The law of each pipe from its material, year and surroundings; arrays of shape (n_pipes,).

    Parameters
    ----------
    material : ndarray of int
        Index into `MATERIALS`.
    install_year : ndarray of float
        Decimal year of laying; decides the joints of clay.
    has_short_lay : ndarray of bool
        Whether the pipe has the shorter of the two usual laying lengths, hence more joints.
    multiplier : ndarray of float
        Hazard multiplier m of the area.
    """
    rows = law_rows(material, install_year)
    structural_shape = _column([law.structural[0] for law in LAWS], rows)
    roots_shape = _column([law.roots[0] for law in LAWS], rows)
    half_spread = _column(
        [0.5 * (10.0 / law.lay_lengths_ft[0] - 10.0 / law.lay_lengths_ft[1]) for law in LAWS], rows
    )
    structural_effect = (
        EXPANSIVE_CLAY_ON_STRUCTURE * is_expansive + SHALLOW_UNDER_DRIVE_ON_STRUCTURE * is_shallow_under_drive
    )
    roots_effect = TREE_ON_ROOTS * has_tree + JOINT_ON_ROOTS * np.where(
        has_short_lay, half_spread, -half_spread
    )
    structural_scale = _column([law.structural[1] for law in LAWS], rows) * np.exp(-structural_effect)
    roots_scale = _column([law.roots[1] for law in LAWS], rows) * np.exp(-roots_effect)
    bellies = _column([law.belly_share for law in LAWS], rows)
    return Hazards(
        structural_shape=structural_shape,
        structural_rate=multiplier * structural_scale**-structural_shape,
        roots_shape=roots_shape,
        roots_rate=multiplier * roots_scale**-roots_shape,
        belly_share=bellies * np.exp(EXPANSIVE_CLAY_ON_BELLIES * is_expansive),
    )


def draw_age(shape: Floats, rate: Floats, rng: np.random.Generator, after: Any = 0.0) -> Floats:
    """Failure ages [years] from H(t) = rate · t^shape, given none up to the age `after`."""
    reached = rate * np.asarray(after, dtype=np.float64) ** shape
    ages: Floats = ((reached + rng.exponential(size=shape.size)) / rate) ** (1.0 / shape)
    return ages

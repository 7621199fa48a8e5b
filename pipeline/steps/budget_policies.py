"""What each policy plans: who gets a camera or new pipe in which year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.looks import FloatArray, IntArray
from models.renewal_stock import Uint8Array
from pipeline.assumed import Assumptions
from pipeline.toml_values import OTHER
from pipeline.vocabulary import Vocabulary


class PolicyCode(Vocabulary):
    """Policies that are compared."""

    WAIT = "wait_for_failure", "nothing is done until trouble cannot wait"
    INSPECT = (
        "inspect_then_act",
        "a camera goes in on a cycle; what it calls failed is mended or renewed at once",
    )
    AGE = "replace_by_age", "pipe is replaced when it reaches the age set for its material"
    RELINE = "reline_ahead", "old pipe that a liner suits is relined, the likeliest to have failed first"
    CAP = "within_a_cap", "pipe is renewed where money brings most, within a cap for each year"


@dataclass(frozen=True, kw_only=True)
class Pieces:
    """What plans go by, one entry per decision piece.

    Attributes
    ----------
    material : ndarray of str
    age : ndarray
        Years now; NaN where nothing says.
    lot : ndarray of int
        Position of its lot.
    failed_share : ndarray
        Chance that it needs repair now.
    """

    material: np.ndarray
    age: FloatArray
    lot: IntArray
    failed_share: FloatArray


def no_plan(n_pieces: int) -> Uint8Array:
    """Nothing is planned."""
    return np.zeros((n_pieces, 1), dtype=np.uint8)


def camera_years(pieces: Pieces, n_lots: int, cycle_years: int) -> IntArray:
    """Spread first cameras over one cycle, the lots likeliest to have failed first."""
    sound = np.ones(n_lots)
    np.multiply.at(sound, pieces.lot, 1.0 - pieces.failed_share)
    return 1 + _turns(1.0 - sound, cycle_years)


def age_plan(pieces: Pieces, assumptions: Assumptions, n_years: int) -> Uint8Array:
    """Year in which each piece reaches the age set for its material; what is overdue is spread."""
    ages = assumptions.values["replace_by_age"]["ages_years"]
    limit = np.array([ages.get(material, ages[OTHER]) for material in pieces.material.tolist()])
    left = np.where(np.isnan(pieces.age), np.inf, limit - pieces.age)
    plan = np.zeros(len(limit), dtype=np.int64)
    coming = (left > 0) & (left <= n_years - 1)
    plan[coming] = np.ceil(left[coming]).astype(np.int64) + 1
    overdue = np.flatnonzero(left <= 0)
    plan[overdue] = 1 + _turns(-left[overdue], assumptions.whole("replace_by_age", "backlog_years"))
    return _as_plan(plan, n_years)


def reline_plan(
    pieces: Pieces, assumptions: Assumptions, not_for: tuple[str, ...], n_years: int
) -> Uint8Array:
    """Years in which old pipe that can be relined gets its turn, the likeliest to have failed first."""
    is_old = pieces.age >= assumptions.number("reline_ahead", "from_age_years")
    suits = np.flatnonzero(is_old & ~np.isin(pieces.material, not_for))
    plan = np.zeros(len(pieces.age), dtype=np.int64)
    plan[suits] = 1 + _turns(pieces.failed_share[suits], assumptions.whole("reline_ahead", "programme_years"))
    return _as_plan(plan, n_years)


def _turns(urgency: FloatArray, n_turns: int) -> IntArray:
    """Turn of each, 0 .. n_turns - 1, in equal shares, the most urgent first."""
    order = np.argsort(-urgency, kind="stable")
    turn = np.empty(len(urgency), dtype=np.int64)
    turn[order] = np.arange(len(urgency)) * n_turns // max(len(urgency), 1)
    return turn


def _as_plan(plan: IntArray, n_years: int) -> Uint8Array:
    return np.where(plan <= n_years, plan, 0).astype(np.uint8)[:, None]

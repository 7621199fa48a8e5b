"""What several looks at one pipe say of the camera: the chance of each later result, given those before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.fitted_lives import FittedLives
from models.looks import BoolArray, Detection, FloatArray, IntArray, LifeLooks
from models.patterns import build_forms, sequence_looks, total_by

#: Chances of having failed are kept this far from 0 and 1, so that every result can happen.
SMALLEST_CHANCE = 1e-9


@dataclass(frozen=True)
class RepeatLooks:
    """Camera looks at pipe that was looked at several times while it lay in the ground.

    Parameters
    ----------
    life : ndarray of int, shape (n_looks,)
        Life looked at, in rising order; looks at one life stand in order of time.
    bad : ndarray of bool, shape (n_looks,)
        Whether the event was called.
    """

    life: IntArray
    bad: BoolArray

    @property
    def starts(self) -> tuple[IntArray, IntArray]:
        """First look of each life, and how many it has."""
        first = np.flatnonzero(np.diff(self.life, prepend=-1))
        return first, np.diff(first, append=len(self.life))

    def log_likelihood(self, failed: ArrayLike, dug_out: ArrayLike, detection: Detection) -> float:
        """Log chance of all results but the first of each life, given those before.

        Parameters
        ----------
        failed : array, shape (n_looks,)
            Chance that such a pipe has failed by the time of the look, its looks not considered; never falling
            within a life.
        dug_out : array, shape (n_looks,)
            Of pipes failed by then, the share that had been dug out.
        detection : Detection
            How far a look is to be believed.

        Notes
        -----
        The forward recursion of a hidden Markov chain with the states sound and failed, of which failed is never
        left (Jackson & Sharples 2002, Statistics in Medicine 21:113; from memory), under the condition that the
        pipe still lies there: of failed pipe the dug-out share is gone. Errors of looks at one pipe are taken as
        independent, as in Hui & Walter 1980 (Biometrics 36:167).

        The first result of each life is left to the curve on purpose. Through the law of ageing it would speak of
        the camera too: a little pipe that fails early, against the law, would pass for false calls. This is
        a module cut off from the rest (Liu, Bayarri & Berger 2009, Bayesian Analysis 4:119; from memory).
        """
        chance = np.clip(np.asarray(failed, dtype=np.float64), SMALLEST_CHANCE, 1.0 - SMALLEST_CHANCE)
        standing = np.maximum(1.0 - np.asarray(dug_out, dtype=np.float64), SMALLEST_CHANCE)
        if_failed = np.where(self.bad, detection.sensitivity, 1.0 - detection.sensitivity)
        if_sound = np.where(self.bad, 1.0 - detection.specificity, detection.specificity)
        first, count = self.starts
        sound = (1.0 - chance[first]) * if_sound[first]
        lost = chance[first] * standing[first] * if_failed[first]
        total = 0.0
        for look in range(1, int(count.max(initial=0))):
            more = count > look
            first, count, sound, lost = first[more], count[more], sound[more], lost[more]
            now, before = first + look, first + look - 1
            still_sound = np.minimum((1.0 - chance[now]) / (1.0 - chance[before]), 1.0)
            still_there = np.minimum(standing[now] / standing[before], 1.0)
            lost = (lost + sound * (1.0 - still_sound)) * still_there
            sound = sound * still_sound
            every = sound + lost
            sound, lost = sound * if_sound[now] / every, lost * if_failed[now] / every
            total += float(np.log(sound + lost).sum())
        return total


class FailedByLooks:
    """Chance that each life has failed by each of its looks, averaged over what the records do not say of it.

    Parameters
    ----------
    looks : LifeLooks
        Lives and looks; results are not used.
    """

    def __init__(self, looks: LifeLooks) -> None:
        sequences = sequence_looks(
            looks.look_life, looks.look_year, looks.look_bad, looks.n_lives, Detection()
        )
        unseen = np.zeros(looks.n_looks, dtype=np.bool_)
        self._forms = build_forms(looks, sequences, looks.look_life, looks.look_year, with_looks=unseen)
        # Many looks share an age and a row.
        key = np.column_stack((self._forms.row.astype(np.float64), self._forms.age))
        distinct, inverse = np.unique(key, axis=0, return_inverse=True)
        self._row, self._age, self._which = distinct[:, 0].astype(np.int64), distinct[:, 1], inverse.ravel()

    def under(
        self,
        fitted: FittedLives,
        X: FloatArray,
        Z: FloatArray,
        W: FloatArray | None = None,
        group: IntArray | None = None,
    ) -> FloatArray:
        """Chances at the mode of a fit, shape (n_looks,).

        Parameters
        ----------
        fitted : FittedLives
            The fit.
        X, Z, W, group
            Covariate rows that the candidates point to, and their groups.
        """
        row, forms = self._row, self._forms
        failed = fitted.failure_probability(
            self._age,
            X[row],
            Z[row],
            None if W is None else W[row],
            group=None if group is None else group[row],
        )
        sound = total_by(forms.form, forms.coef * (1.0 - failed[self._which]), forms.n_forms)
        chance: FloatArray = 1.0 - forms.constant - sound
        return chance

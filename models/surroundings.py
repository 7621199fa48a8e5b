"""How much worse or better than expected the pipes near a place are.

Pipes of one street were laid together, by one crew, in one soil, and fail alike for reasons that no column
names. The excess of failures among the neighbours says part of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from models.intervals import FloatArray

#: Neighbours asked for.
NEIGHBOURS = 100
#: Reaches over which excess is averaged, in multiples of the usual distance to the fifth neighbour.
REACHES = (0.5, 2.0, 6.0)
#: The same among pipes of one kind.
REACHES_ALIKE = (2.0, 8.0)
#: Weight of "like everywhere else" beside the neighbours, in records with an even chance; judgement.
PRIOR_RECORDS = 2.0


@dataclass(frozen=True)
class Surroundings:
    """Records with a place, and by how much each exceeded what was expected of it.

    Attributes
    ----------
    place : ndarray, shape (n, 2)
        Coordinates, any one unit.
    alike : ndarray, shape (n, c)
        Values that pipes of one kind share, such as the code of the material; NaN matches nothing.
    excess : ndarray, shape (n,)
        Outcome less expected chance.
    variance : ndarray, shape (n,)
        p (1 - p) of the expected chance p.
    unit : float
        Usual distance to the fifth neighbour.
    """

    place: FloatArray
    alike: FloatArray
    excess: FloatArray
    variance: FloatArray
    unit: float

    @property
    def n_features(self) -> int:
        """Number of columns that `features` returns."""
        return len(REACHES) + (len(REACHES_ALIKE) if self.alike.shape[1] else 0)

    def only(self, rows: FloatArray) -> Surroundings:
        """Return the same for some of the records."""
        return Surroundings(
            self.place[rows], self.alike[rows], self.excess[rows], self.variance[rows], self.unit
        )

    def features(self, place: FloatArray, alike: FloatArray) -> FloatArray:
        """Excess around places [log odds, shrunken], shape (n, n_features).

        One step of Newton's method from zero for the shift in log odds of the neighbours, each weighted by
        exp(-distance / reach), with a normal prior: 0 far from every record.
        """
        tree = cKDTree(self.place)
        distance, near = tree.query(place, k=np.arange(1, min(NEIGHBOURS, len(self.place)) + 1))
        distance = distance / self.unit
        columns = [self._shift(near, np.exp(-distance / reach)) for reach in REACHES]
        if self.alike.shape[1]:
            same = (self.alike[near] == alike[:, None, :]).all(axis=2)
            columns += [self._shift(near, same * np.exp(-distance / reach)) for reach in REACHES_ALIKE]
        return np.column_stack(columns)

    def _shift(self, near: FloatArray, weight: FloatArray) -> FloatArray:
        excess = (weight * self.excess[near]).sum(axis=1)
        shift: FloatArray = excess / ((weight * self.variance[near]).sum(axis=1) + 0.25 * PRIOR_RECORDS)
        return shift


def usual_distance(place: FloatArray) -> float:
    """Median distance to the fifth neighbour; 1 where all lie on one spot."""
    k = min(6, len(place))
    distance = cKDTree(place).query(place, k=[k])[0][:, 0]
    apart = distance[distance > 0]
    return float(np.median(apart)) if len(apart) else 1.0

"""What it is worth to look before deciding.

A piece can be left or renewed now. Without looking, one takes what costs less on average; with a camera, what
costs less given what it shows. The difference is the expected value of sample information; with a camera that
never errs, that of perfect information [1]_.

References
----------
.. [1] H. Raiffa, R. Schlaifer, "Applied Statistical Decision Theory", Harvard 1961, chapter 4 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.looks import FloatArray
from models.renewal_stock import Worth


@dataclass(frozen=True, kw_only=True)
class Information:
    """Worth of looking at each piece, in present value.

    Attributes
    ----------
    perfect : ndarray, shape (n_pieces,)
        If it were known whether the piece needs repair now; never below 0.
    camera : ndarray, shape (n_pieces,)
        By a camera that errs as stated; between 0 and `perfect`. The camera's own price is not taken off.
    renew_unseen : ndarray of bool, shape (n_pieces,)
        Without looking, renewing now would be cheaper than leaving.
    """

    perfect: FloatArray
    camera: FloatArray
    renew_unseen: np.ndarray


def value_of_looking(worth: Worth, *, sensitivity: float, specificity: float) -> Information:
    """Value of knowing whether a piece needs repair before deciding to renew it now or to leave it.

    Parameters
    ----------
    worth : Worth
        From `Simulation.worth`.
    sensitivity, specificity : float
        Chance that a camera calls failed pipe bad, and sound pipe good.

    Returns
    -------
    Information

    Notes
    -----
    With A_f, A_s the joint means "cost of leaving, and failed / sound" and B_f, B_s those of renewing, the
    cost without looking is min(A_f + A_s, B_f + B_s). A signal that comes with chance p_f from failed and p_s
    from sound pipe leaves min(p_f A_f + p_s A_s, p_f B_f + p_s B_s), summed over both signals.
    """
    renew = worth.renew[:, 0]
    leave_sound = worth.leave - worth.leave_if_failed
    renew_sound = renew - worth.renew_if_failed

    def best(of_failed: float, of_sound: float) -> FloatArray:
        result: FloatArray = np.minimum(
            of_failed * worth.leave_if_failed + of_sound * leave_sound,
            of_failed * worth.renew_if_failed + of_sound * renew_sound,
        )
        return result

    blind = np.minimum(worth.leave, renew)
    seen = best(sensitivity, 1.0 - specificity) + best(1.0 - sensitivity, specificity)
    known = best(1.0, 0.0) + best(0.0, 1.0)
    # Rounding of sums that are equal on paper must not turn into a negative value.
    return Information(
        perfect=np.maximum(blind - known, 0.0),
        camera=np.maximum(blind - seen, 0.0),
        renew_unseen=renew < worth.leave,
    )

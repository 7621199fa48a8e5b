"""Known biases of inspection records, each as a number that the fit can take in."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.errors import ModelInputError
from models.looks import Detection, FloatArray


def dug_out_share(
    n_ended: ArrayLike,
    n_standing: ArrayLike,
    n_bad: ArrayLike,
    group: ArrayLike,
    detection: Detection,
    *,
    pooled: float = 20.0,
) -> FloatArray:
    """Share of failed pipe that had been dug out before a look.

    Parameters
    ----------
    n_ended : array of int, shape (n_cells,)
        Pipes of the cell (material and age band, say) that had been dug out for failure before the look.
    n_standing : array of int, shape (n_cells,)
        Looks at pipes of the cell that were still in the ground.
    n_bad : array of int, shape (n_cells,)
        Of these, called bad.
    group : array of int, shape (n_cells,)
        Group of the cell (its material), 0, 1, …; a cell is drawn towards its group, a group towards all.
    detection : Detection
        Of the camera.
    pooled : float
        Failed pipes after which a cell's own share counts like that of its group; judgement.

    Returns
    -------
    ndarray, shape (n_cells,)

    Raises
    ------
    ModelInputError
        If arrays differ in length or a count is negative.

    Notes
    -----
    By moments: standing failed = (n_bad - (1 - Sp) n_standing) / (Se + Sp - 1), not below 0.
    """
    ended, standing, bad = (np.asarray(a, dtype=np.float64) for a in (n_ended, n_standing, n_bad))
    of_group = np.asarray(group, dtype=np.int64)
    if not ended.shape == standing.shape == bad.shape == of_group.shape:
        raise ModelInputError("n_ended, n_standing, n_bad and group must have the same length.")
    if min(a.min(initial=0.0) for a in (ended, standing, bad)) < 0:
        raise ModelInputError("a count is negative.")
    gain = detection.sensitivity + detection.specificity - 1.0
    standing_failed = np.maximum((bad - (1.0 - detection.specificity) * standing) / gain, 0.0)
    failed = ended + standing_failed
    overall = ended.sum() / failed.sum() if failed.sum() > 0 else 0.0
    n_groups = int(of_group.max(initial=-1)) + 1
    group_ended = np.bincount(of_group, weights=ended, minlength=n_groups)
    group_failed = np.bincount(of_group, weights=failed, minlength=n_groups)
    by_group = (group_ended + pooled * overall) / (group_failed + pooled)
    share: FloatArray = (ended + pooled * by_group[of_group]) / (failed + pooled)
    return share


def known_failure_sensitivity(dug_out: ArrayLike, detection: Detection) -> FloatArray:
    """Chance that a failed pipe counts as bad: dug out before the look, or called bad by the camera.

    Parameters
    ----------
    dug_out : array, shape (n_cells,)
        From `dug_out_share`.
    detection : Detection
        Of the camera.

    Returns
    -------
    ndarray, shape (n_cells,)
        q + (1 - q) · sensitivity, with q the share of failed pipes that had been dug out.

    Notes
    -----
    Of failed pipes a share q is dug out and known for certain; the camera sees the rest only. With F the
    share failed, P(bad or dug out) = F (q + (1 - q) Se) + (1 - F) (1 - Sp): so all looks of a cell have
    this sensitivity, those that called a standing pipe good among them. Counting the dug-out as certain
    while the standing keep Se makes F too high, for the standing are short of just those failed ones.
    """
    share = np.asarray(dug_out, dtype=np.float64)
    sensitivity: FloatArray = share + (1.0 - share) * detection.sensitivity
    return sensitivity

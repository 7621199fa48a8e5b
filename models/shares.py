"""Whether a group holds more of something than the rest can explain."""

from __future__ import annotations

from scipy.stats import hypergeom

from models.errors import ModelInputError


def share_excess(n_with: int, n: int, n_with_all: int, n_all: int) -> float:
    """Chance that a random group holds at least as many, given how many there are in all.

    Parameters
    ----------
    n_with, n : int
        Members of the group that have it, and members.
    n_with_all, n_all : int
        The same of everyone, the group included.

    Returns
    -------
    float
        One-sided p-value of Fisher's exact test.

    Raises
    ------
    ModelInputError
        The numbers cannot be those of a group and its whole.
    """
    if not (0 <= n_with <= n <= n_all and n_with <= n_with_all <= n_all and n - n_with <= n_all - n_with_all):
        raise ModelInputError(f"{n_with} of {n} cannot be part of {n_with_all} of {n_all}.")
    return float(hypergeom.sf(n_with - 1, n_all, n_with_all, n))

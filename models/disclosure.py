"""Counts that are safe to hand on: small cells are put together, or held back.

Statistical disclosure control for tables of counts: a cell under a least number is merged with others of its
group, and what stays too small is suppressed. Cells are disjoint and no totals are given, so that no two
published numbers differ by less than a whole cell.
"""

from __future__ import annotations

import numpy as np

from models.looks import IntArray


def merge_small_cells(group: IntArray, counts: IntArray, least: IntArray) -> IntArray:
    """Put cells that are too small together with other small ones of their group.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each cell; cells of different groups are never merged.
    counts : ndarray of int, shape (n, m)
        Counts of each cell.
    least : ndarray of int, shape (m,)
        What each count of a published cell must reach.

    Returns
    -------
    ndarray of int, shape (n,)
        Number of the published cell that each belongs to, counted from 0; -1 where it is held back. Cells that
        are large enough stay by themselves.

    Notes
    -----
    L. Willenborg, T. de Waal 2001, Elements of Statistical Disclosure Control, on threshold rules and on
    disclosure by differencing (from memory).
    """
    is_large = (counts >= least).all(axis=1)
    small = np.flatnonzero(~is_large)
    groups, of_small = np.unique(group[small], return_inverse=True)
    pooled = np.zeros((len(groups), counts.shape[1]), dtype=np.int64)
    np.add.at(pooled, of_small, counts[small])
    holds = (pooled >= least).all(axis=1)
    cell = np.full(len(group), -1, dtype=np.int64)
    cell[is_large] = np.arange(int(is_large.sum()))
    number = np.where(holds, np.cumsum(holds) - 1 + int(is_large.sum()), -1)
    cell[small] = number[of_small]
    return cell

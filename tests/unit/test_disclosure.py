"""Small cells are merged or held back (threshold rule of disclosure control; a table worked by hand)."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from models.disclosure import merge_small_cells


def test_a_table_by_hand():
    # Group 0: 12, 6 and 5 seen; the small two make 11. Group 1: 4 and 3 make 7: held back. Group 2: 30 seen
    # but 2 unseen: too small by itself and alone in being so.
    group = np.array([0, 0, 0, 1, 1, 2])
    counts = np.array([[12, 9], [6, 9], [5, 9], [4, 9], [3, 9], [30, 2]])
    cell = merge_small_cells(group, counts, np.array([10, 5]))
    assert cell.tolist() == [0, 1, 1, -1, -1, -1]


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 14), st.integers(0, 9)), max_size=30),
    st.integers(1, 12),
    st.integers(1, 6),
)
def test_every_published_cell_is_large_enough_and_stays_in_its_group(rows, seen, unseen):
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    cell = merge_small_cells(table[:, 0], table[:, 1:], np.array([seen, unseen]))
    for number in set(cell.tolist()) - {-1}:
        inside = cell == number
        assert len(set(table[inside, 0].tolist())) == 1
        assert (table[inside, 1:].sum(axis=0) >= [seen, unseen]).all()
    large = (table[:, 1:] >= [seen, unseen]).all(axis=1)
    assert (cell[large] >= 0).all()
    assert len(set(cell[large].tolist())) == large.sum()
    # What is held back could not have been published together either.
    for group in set(table[cell == -1, 0].tolist()):
        back = (cell == -1) & (table[:, 0] == group)
        assert (table[back, 1:].sum(axis=0) < [seen, unseen]).any()

"""Diagonals of sparse inverses, against numpy's dense inverse and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import splu

from models.errors import ModelInputError
from models.local_statistics import nearest
from models.sparse_inverse import inverse_diagonal

SYMMETRIC = {"diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}


@pytest.mark.parametrize("ordering", ["NATURAL", "MMD_AT_PLUS_A"])
@pytest.mark.parametrize("n", [1, 2, 40, 400])
def test_it_is_the_diagonal_of_the_dense_inverse(n: int, ordering: str) -> None:
    rng = np.random.default_rng(n)
    near = nearest(rng.random(n), rng.random(n), 5)
    # Entries of both signs: cancelled fill must not be missed.
    signed = sparse.csc_array((near + near.T).multiply(rng.normal(size=(n, n))))
    matrix = sparse.csc_array(signed + signed.T + 20.0 * sparse.eye_array(n))
    assert np.linalg.eigvalsh(matrix.toarray()).min() > 0
    found = inverse_diagonal(splu(matrix, permc_spec=ordering, **SYMMETRIC))
    np.testing.assert_allclose(found, np.diag(np.linalg.inv(matrix.toarray())), rtol=1e-12)


def test_a_walk_of_many_steps_has_the_variances_of_its_closed_form() -> None:
    # Precision of a Gaussian walk that starts at 0 with steps of variance 1, tied to nothing at its end: after i steps
    # the variance is i.
    n = 20_000
    middle = np.full(n, 2.0)
    middle[-1] = 1.0
    matrix = sparse.diags_array(
        [np.full(n - 1, -1.0), middle, np.full(n - 1, -1.0)], offsets=[-1, 0, 1], format="csc"
    )
    found = inverse_diagonal(splu(matrix, permc_spec="MMD_AT_PLUS_A", **SYMMETRIC))
    np.testing.assert_allclose(found, np.arange(1, n + 1), rtol=1e-6)


def test_rows_exchanged_without_their_columns_are_refused() -> None:
    matrix = sparse.csc_array(np.array([[1e-9, 1.0], [1.0, 1e-9]]))
    with pytest.raises(ModelInputError, match="not factored symmetrically"):
        inverse_diagonal(splu(matrix, permc_spec="NATURAL"))

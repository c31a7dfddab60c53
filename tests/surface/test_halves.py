"""A system that is the same on both sides, solved as two of half the size."""

import numpy as np
import pytest
from scipy import sparse

from autoweight.machine import abreast
from autoweight.surface.halves import solve_halves
from autoweight.surface.solver import solve_columns

SIZE = 60
IMAGE = np.concatenate([np.arange(25, 50), np.arange(25), np.arange(50, SIZE)])
"""Twenty-five pairs and ten in the middle."""


@pytest.fixture(scope="module")
def system():
    random = np.random.default_rng(4)
    rough = sparse.random_array((SIZE, SIZE), density=0.1, rng=random).toarray()
    rough = rough + rough[IMAGE][:, IMAGE]
    operator = rough @ rough.T + SIZE * np.eye(SIZE)
    right = random.random((SIZE, 7))
    right[:, 1] = right[IMAGE, 0]  # two that are each other's image
    right[:, 2] += right[IMAGE, 2]  # one that is the same on both sides
    right[:, 5] = 0
    return sparse.csr_array(operator), sparse.csr_array(right)


@pytest.mark.parametrize("order", [np.arange(SIZE), np.random.default_rng(5).permutation(SIZE)])
def test_agrees_with_a_dense_solve(system, order):
    operator, right = (each[order] for each in system)
    operator = operator[:, order]
    place = np.argsort(order)
    found = solve_halves(operator, right, place[IMAGE[order]], 1e-12).toarray()
    wanted = np.linalg.solve(operator.toarray(), right.toarray())
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def test_columns_that_are_each_others_image_stay_so_to_the_last_bit(system):
    operator, right = system
    right = right.toarray()
    right[:, 1] *= 1 + 1e-13
    found = solve_halves(operator, sparse.csr_array(right), IMAGE, 1e-12).toarray()
    np.testing.assert_array_equal(found[:, 1], found[IMAGE, 0])
    np.testing.assert_array_equal(found[:, 2], found[IMAGE, 2])


def test_what_is_negligible_goes_on_both_sides(system):
    operator, right = system
    whole = solve_columns(operator, right, 0.01).toarray()
    found = solve_halves(operator, right, IMAGE, 0.01).toarray()
    np.testing.assert_allclose(found, whole, atol=1e-4)
    np.testing.assert_array_equal(found[:, 1] > 0, found[IMAGE, 0] > 0)
    assert np.abs(found[found != 0]).min() > 0.01


def test_processes_change_no_bit(system, monkeypatch):
    alone = solve_halves(*system, IMAGE, 1e-9)
    monkeypatch.setattr(abreast, "WORTH", 1)
    found = solve_halves(*system, IMAGE, 1e-9)
    np.testing.assert_array_equal(found.toarray(), alone.toarray())

import numpy as np
from scipy import sparse

from autoweight.rows import firsts, in_units, replaced, scaled


def test_rows_are_replaced_in_the_order_given():
    matrix = sparse.csr_array(np.arange(8.0).reshape(4, 2))
    found = replaced(matrix, np.array([3, 1]), sparse.csr_array([[9.0, 0], [0, 8]]))
    assert found.toarray().tolist() == [[0, 1], [0, 8], [4, 5], [9, 0]]


def test_rows_are_scaled_to_sum_to_one():
    assert scaled(sparse.csr_array([[1.0, 3], [0, 5]])).toarray().tolist() == [[0.25, 0.75], [0, 1]]


def test_rows_in_units_keep_their_sum_and_no_entry_moves_by_a_unit():
    rng = np.random.default_rng(3)
    rows = rng.dirichlet(np.full(6, 0.3), 2000)
    units = in_units(rows, 255)
    assert (units.sum(axis=1) == 255).all()
    assert np.abs(units - rows * 255).max() < 1


def test_the_first_of_equal_remainders_is_rounded_up():
    assert in_units(np.array([[1.0, 1.0]]), 255).tolist() == [[128.0, 127.0]]


def test_rows_of_whole_units_stay_as_they_are():
    for total in (255, 65535):
        whole = np.stack([np.arange(total + 1.0), total - np.arange(total + 1.0)], axis=1)
        assert np.array_equal(in_units(whole / total, total), whole)


def test_the_first_place_of_each_group():
    np.testing.assert_array_equal(firsts(np.array([2, 0, 2, 1, 0])), [1, 3, 0])
    assert len(firsts(np.array([], dtype=int))) == 0

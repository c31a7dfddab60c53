import numpy as np
from scipy import sparse

from autoweight.rows import replaced, scaled


def test_rows_are_replaced_in_the_order_given():
    matrix = sparse.csr_array(np.arange(8.0).reshape(4, 2))
    found = replaced(matrix, np.array([3, 1]), sparse.csr_array([[9.0, 0], [0, 8]]))
    assert found.toarray().tolist() == [[0, 1], [0, 8], [4, 5], [9, 0]]


def test_rows_are_scaled_to_sum_to_one():
    assert scaled(sparse.csr_array([[1.0, 3], [0, 5]])).toarray().tolist() == [[0.25, 0.75], [0, 1]]

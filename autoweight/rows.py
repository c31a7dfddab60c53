"""Rows and entries of sparse matrices: made, replaced, left out, or scaled to sum to 1."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = [
    "entry_rows",
    "firsts",
    "heaviest",
    "in_units",
    "narrow",
    "normalised",
    "one_each",
    "owners",
    "ranks",
    "replaced",
    "row_differences",
    "scaled",
    "selected",
    "uniform",
]

ROUNDING = 1e-9
"""Sum of differences below which two rows are the same."""

CHUNK = 1 << 16
"""Pairs of rows compared at once."""


def entry_rows(matrix: sparse.csr_array) -> NDArray[np.intp]:
    """Row of each stored entry, (nnz,)."""
    return np.repeat(np.arange(matrix.shape[0]), np.diff(matrix.indptr))


def ranks(lengths: NDArray[np.integer]) -> NDArray[np.intp]:
    """The place of each entry in its row, 0, 1, 2 …, row after row, given how long the rows are."""
    ends = np.cumsum(lengths)
    return np.arange(ends[-1] if len(ends) else 0) - np.repeat(ends - lengths, lengths)


def firsts(group: NDArray[np.integer]) -> NDArray[np.intp]:
    """The first place of each group, (groups,), by the group of each place; none is empty."""
    found = np.zeros(group.max(initial=-1) + 1, dtype=np.intp)
    found[group[::-1]] = np.arange(len(group))[::-1]
    return found


def one_each(column: NDArray[np.integer], count: int) -> sparse.csr_array:
    """Rows with a single 1 each, in the column that is named for it, (len(column), count)."""
    ends = np.arange(len(column) + 1)
    return sparse.csr_array((np.ones(len(column)), column, ends), shape=(len(column), count))


def selected(matrix: sparse.csr_array, kept: NDArray[np.bool_]) -> sparse.csr_array:
    """The same matrix with some of its stored entries alone; `kept` has one value for each."""
    before = np.zeros(len(kept) + 1, dtype=matrix.indptr.dtype)
    np.cumsum(kept, out=before[1:])
    return sparse.csr_array(
        (matrix.data[kept], matrix.indices[kept], before[matrix.indptr]), shape=matrix.shape
    )


def heaviest(matrix: sparse.csr_array) -> NDArray[np.intp]:
    """Stored position of the largest entry of each row, the first of equals; no row is empty."""
    length = np.diff(matrix.indptr)
    top = np.flatnonzero(
        matrix.data == np.repeat(np.maximum.reduceat(matrix.data, matrix.indptr[:-1]), length)
    )
    row = entry_rows(matrix)[top]
    return top[np.concatenate([[True], row[1:] != row[:-1]])]


def owners(matrix: sparse.csr_array) -> NDArray[np.int32]:
    """The column of the largest entry of each row, the first of equals; no row is empty."""
    return matrix.indices[heaviest(matrix)]


def narrow(matrix: sparse.csr_array) -> sparse.csr_array:
    """The same with indices of 32 bits, the only ones that some graphs of older scipy take."""
    indices, indptr = matrix.indices.astype(np.int32), matrix.indptr.astype(np.int32)
    return sparse.csr_array((matrix.data, indices, indptr), shape=matrix.shape)


def replaced(
    matrix: sparse.csr_array, rows: NDArray[np.integer], fresh: sparse.csr_array
) -> sparse.csr_array:
    """The same matrix with some rows taken from another.

    Parameters
    ----------
    matrix : csr_array, shape (n, j)
    rows : ndarray, shape (r,)
        Numbers of the rows to replace, each once.
    fresh : csr_array, shape (r, j)
        What takes their places, in their order.
    """
    if not len(rows):
        return matrix
    place = np.arange(matrix.shape[0])
    place[rows] = matrix.shape[0] + np.arange(len(rows))
    return sparse.csr_array(sparse.vstack([matrix, fresh], format="csr")[place])


def scaled(matrix: sparse.csr_array) -> sparse.csr_array:
    """The rows divided by their sums, none of which may be 0."""
    # Not by a product with a diagonal matrix, which would leave the indices unsorted.
    scale = np.repeat(1 / matrix.sum(axis=1), np.diff(matrix.indptr))
    return sparse.csr_array((matrix.data * scale, matrix.indices, matrix.indptr), matrix.shape)


def normalised(matrix: sparse.sparray) -> sparse.csr_array:
    """Rows without negative values, scaled to sum to 1; empty rows stay so."""
    rows = sparse.csr_array(matrix, copy=True)
    rows.data = np.maximum(rows.data, 0)
    rows.eliminate_zeros()
    sums = rows.sum(axis=1)
    scale = np.divide(1.0, sums, out=np.zeros_like(sums), where=sums > 0)
    rows.data *= np.repeat(scale, np.diff(rows.indptr))
    return rows


def in_units(rows: NDArray[np.float64], total: int) -> NDArray[np.float64]:
    """Rows rounded to whole numbers with an exact sum, by the method of largest remainders.

    Parameters
    ----------
    rows : ndarray, shape (r, k)
        Not negative, every row with a positive sum.
    total : int
        What each row sums to.

    Returns
    -------
    ndarray, shape (r, k)
        Of equal remainders the first is rounded up. Rows that are whole numbers of such units
        already, but for rounding, stay so.
    """
    wanted = rows * (total / rows.sum(axis=1, keepdims=True))
    found = np.floor(wanted)
    missing = total - found.sum(axis=1, keepdims=True)
    order = np.argsort(found - wanted, axis=1, kind="stable")
    raised = np.zeros_like(found)
    np.put_along_axis(raised, order, np.arange(rows.shape[1]) < missing, axis=1)
    return found + raised


def row_differences(
    rows: sparse.csr_array, first: NDArray[np.integer], second: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Sum of absolute differences between pairs of rows, in bounded memory.

    Parameters
    ----------
    rows : csr_array, shape (n, j)
    first, second : ndarray, shape (p,)

    Returns
    -------
    ndarray, shape (p,)
    """
    found = np.empty(len(first))
    for start in range(0, len(first), CHUNK):
        chunk = slice(start, start + CHUNK)
        found[chunk] = abs(rows[first[chunk]] - rows[second[chunk]]).sum(axis=1)
    return found


def uniform(matrix: sparse.csr_array, group: NDArray[np.integer]) -> NDArray[np.bool_]:
    """Groups whose rows are all the same, but for rounding.

    Parameters
    ----------
    matrix : csr_array, shape (n, j)
        Without stored zeros.
    group : ndarray, shape (n,), int
        The group of each row, from 0; none without rows.

    Returns
    -------
    ndarray, shape (groups,), bool
    """
    first = firsts(group)
    length = np.diff(matrix.indptr)
    same = np.bincount(group, length != length[first][group]) == 0
    rows = np.flatnonzero(same[group])  # the number of entries rules most out
    apart = row_differences(matrix, rows, first[group[rows]])
    return same & (np.bincount(group[rows], apart > ROUNDING, minlength=len(first)) == 0)

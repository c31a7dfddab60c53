"""What travels to the page as binary: weights by column, and values by vertex."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = [
    "BEFORE",
    "EXACT",
    "FILE",
    "MARKS",
    "PLACES",
    "SKETCH",
    "changed_columns",
    "columns",
    "values",
]

SKETCH, EXACT, MARKS, PLACES, BEFORE, FILE = 1, 2, 3, 4, 5, 6
"""Kinds of message: weights about right, weights by the recipe, locks, places along limbs, weights
that were saved last, weights that the rig came with."""


def columns(kind: int, serial: int, matrix: sparse.csc_array, chosen: Iterable[int]) -> bytes:
    """Columns of weights.

    Parameters
    ----------
    kind : int
    serial : int
        Of the state of the recipe they are by.
    matrix : csc_array, shape (n, j)
    chosen : iterable of int
        Joints whose columns travel.

    Returns
    -------
    bytes
        Little-endian 32 bit words: kind, serial, number of columns; joint and length of each;
        vertices of all; weights of all, as float.
    """
    chosen = np.fromiter(chosen, dtype=np.int64)
    begin, end = matrix.indptr[chosen], matrix.indptr[chosen + 1]
    head = np.concatenate([[kind, serial, len(chosen)], np.stack([chosen, end - begin], 1).ravel()])
    spans = [slice(*span) for span in zip(begin, end, strict=True)]
    return b"".join(
        [
            head.astype("<u4").tobytes(),
            *(matrix.indices[span].astype("<u4").tobytes() for span in spans),
            *(matrix.data[span].astype("<f4").tobytes() for span in spans),
        ]
    )


def changed_columns(old: sparse.csc_array, new: sparse.csc_array) -> list[int]:
    """Columns in which two matrices of one shape, with sorted indices, differ."""
    found = []
    for column in range(new.shape[1]):
        here = slice(old.indptr[column], old.indptr[column + 1])
        there = slice(new.indptr[column], new.indptr[column + 1])
        if not (
            np.array_equal(old.indices[here], new.indices[there])
            and np.array_equal(old.data[here], new.data[there])
        ):
            found.append(column)
    return found


def values(kind: int, *arrays: NDArray) -> bytes:
    """Arrays of one length, one after the other, behind kind and that length."""
    head = np.array([kind, len(arrays[0])], dtype="<u4").tobytes()
    return b"".join([head, *(np.ascontiguousarray(each).tobytes() for each in arrays)])

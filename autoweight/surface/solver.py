"""One positive definite system and many sparse right-hand sides, of which little survives."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TypeAlias

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.machine.abreast import abreast, hands
from autoweight.machine.heap import give_back

__all__ = ["Factor", "columns", "factor", "solve_columns", "unwatched"]

Factor: TypeAlias = igl.min_quad_with_fixed_data

Entries = tuple[NDArray[np.float64], NDArray[np.int32], NDArray[np.int64]]
"""Values of some columns one after the other, their rows, and how many each column has."""

BLOCK = 2
"""Columns solved for at once: more take more memory, and are no quicker."""


def unwatched(share: float) -> None:
    """A watch that nobody keeps."""


def factor(operator: sparse.csr_array) -> Factor:
    """Cholesky factor for `columns`.

    Parameters
    ----------
    operator : csr_array, shape (n, n)
        Symmetric, positive definite.

    Returns
    -------
    Factor
    """
    give_back()
    found = igl.min_quad_with_fixed_data()
    igl.min_quad_with_fixed_precompute(
        # The rows of a symmetric matrix are its columns, so nothing has to be copied.
        sparse.csc_matrix((operator.data, operator.indices, operator.indptr), operator.shape),
        np.zeros(0, dtype=np.int64),
        sparse.csc_matrix((0, operator.shape[0])),
        True,
        found,
    )
    give_back()
    return found


def columns(
    factor: Factor,
    right: sparse.csr_array,
    negligible: float,
    watch: Callable[[float], None],
    many: int,
) -> sparse.csr_array:
    """Solve operator · x = right, a few columns at a time.

    Parameters
    ----------
    factor : Factor
        `factor` of the operator.
    right : csr_array, shape (n, k)
    negligible : float
        Values nearer to 0 than this are not kept, so that memory grows with what matters.
    watch : callable
        Told the share of the columns that is done.
    many : int
        Processes that they are dealt out to.

    Returns
    -------
    csr_array, shape (n, k)

    Raises
    ------
    GeometryError
        The solution is not finite.
    """
    right = sparse.csc_array(right)
    asked = np.flatnonzero(np.diff(right.indptr))
    blocks = [asked[start : start + BLOCK] for start in range(0, len(asked), BLOCK)]

    def solved(mine: list[NDArray[np.intp]], watch: Callable[[float], None]) -> list[Entries]:
        found = []
        for number, block in enumerate(mine):
            watch(number / len(mine))
            free = np.zeros((0, len(block)))
            # libigl minimises ½ xᵀ A x + xᵀ b, whence the sign.
            value = igl.min_quad_with_fixed_solve(factor, -right[:, block].toarray("C"), free, free)
            if not np.isfinite(value).all():
                raise GeometryError(
                    "a system on this surface has no finite solution; check its mesh"
                )
            column, row = np.nonzero(np.abs(value.T) > negligible)
            count = np.bincount(column, minlength=len(block))
            found.append((value[row, column], row.astype(np.int32), count))
        return found

    many = min(many, len(blocks))
    jobs = [
        partial(solved, blocks[first::many], unwatched if first else watch) for first in range(many)
    ]
    found: list[Entries] = [(np.empty(0), np.empty(0, dtype=np.int32), np.empty(0, dtype=np.int64))]
    parts = abreast(jobs, many)
    for number in range(len(blocks)):
        found.append(parts[number % many][number // many])
    kept = list(zip(*found, strict=True))
    del found, parts  # so that of each only one copy is left when it is put together
    value, row, count = (np.concatenate(kept.pop(0)) for _ in range(3))
    begin = np.zeros(right.shape[1] + 1, dtype=np.int64)
    begin[asked + 1] = count
    return sparse.csr_array(sparse.csc_array((value, row, np.cumsum(begin)), shape=right.shape))


def solve_columns(
    operator: sparse.csr_array,
    right: sparse.csr_array,
    negligible: float,
    watch: Callable[[float], None] = unwatched,
) -> sparse.csr_array:
    """`columns` of an operator's `factor`, dealt out to as many processes as are worth it."""
    return columns(factor(operator), right, negligible, watch, hands(operator.shape[0]))

"""The same system for a body whose sides are each other's image: two of half the size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.machine.abreast import Ahead, hands
from autoweight.rows import narrow, selected
from autoweight.surface.evenness import SAME, mutual
from autoweight.surface.solver import Factor, columns, factor, unwatched

__all__ = ["solve_halves"]

FINE = 1e-3
"""Of two values whose sum counts, those below this share of what is negligible do not."""


def solve_halves(
    operator: sparse.csr_array,
    right: sparse.csr_array,
    image: NDArray[np.intp],
    negligible: float,
    watch: Callable[[float], None] = unwatched,
) -> sparse.csr_array:
    """Solve operator · x = right as `solve_columns` does, where both sides are alike.

    What is the same at each vertex and its image and what is opposite do not mix, so each is
    solved for by itself, on one side alone; and of two columns that are each other's image one
    tells both.

    Parameters
    ----------
    operator : csr_array, shape (n, n)
        Symmetric, positive definite, and the same when each vertex becomes its image.
    right : csr_array, shape (n, k)
    image : ndarray, shape (n,), int
        The other vertex of each pair, its own where it has none.
    negligible, watch
        As for `columns`.

    Returns
    -------
    csr_array, shape (n, k)
        Columns that were each other's image but for rounding are so to the last bit.

    Raises
    ------
    GeometryError
        The solution is not finite.

    References
    ----------
    Bossavit, "Symmetry, groups, and boundary value problems", Computer Methods in Applied
    Mechanics and Engineering 56(2), 1986.
    """
    column = np.arange(right.shape[1])
    partner = _partners(right, image)
    first = sparse.diags_array(((partner < 0) | (column <= partner)).astype(float))
    unlike = sparse.diags_array((partner != column).astype(float))
    # Half of the result is what is the same at a vertex and its image, half what is opposite.
    same, opposite = _bases(image)
    right, fine, many = sparse.csr_array(right @ first), FINE * negligible, hands(len(image))
    whole = factor(same.within(operator))
    with Ahead(lambda: same.columns(whole, right, fine, unwatched, 1), many) as even:
        rest = factor(opposite.within(operator))
        odd = opposite.columns(rest, right @ unlike, fine, watch, many)
        found = sparse.csr_array(even() + odd)
    found = selected(found, np.abs(found.data) > negligible)
    led = np.flatnonzero(column < partner)
    over = sparse.csr_array(
        (np.ones(len(led)), (led, partner[led])), shape=(len(column), len(column))
    )
    return sparse.csr_array(found + found[image] @ over)


@dataclass(frozen=True, eq=False)
class _Basis:
    """Orthonormal columns that the operator leads to sums of each other.

    Parameters
    ----------
    vertex : ndarray, shape (m,), int
        One at which each column alone is not 0.
    matrix : csr_array, shape (n, m)
        Positive there.
    """

    vertex: NDArray[np.intp]
    matrix: sparse.csr_array

    def within(self, operator: sparse.csr_array) -> sparse.csr_array:
        """The operator on what the columns span, (m, m)."""
        # What it makes of them is made of them, so one vertex tells how much of each.
        size = self.matrix[self.vertex].max(axis=1).toarray()
        found = narrow(sparse.csr_array(operator[self.vertex] @ self.matrix))
        found.data /= np.repeat(size, np.diff(found.indptr))
        found.sort_indices()
        return found

    def columns(
        self,
        factor: Factor,
        right: sparse.csr_array,
        negligible: float,
        watch: Callable[[float], None],
        many: int,
    ) -> sparse.csr_array:
        """The part of the solution that they span, (n, k)."""
        within = sparse.csr_array(self.matrix.T) @ right
        return sparse.csr_array(self.matrix @ columns(factor, within, negligible, watch, many))


def _bases(image: NDArray[np.intp]) -> tuple[_Basis, _Basis]:
    """What is the same at a vertex and its image, and what is opposite."""
    vertex = np.arange(len(image))
    size = np.where(vertex == image, 1.0, np.sqrt(0.5))
    found = []
    for value in (size, size * np.sign(image - vertex)):
        first = np.flatnonzero((vertex <= image) & (value != 0))
        wide = sparse.csr_array(
            (value, np.minimum(vertex, image), np.arange(len(image) + 1)), shape=(len(image),) * 2
        )
        found.append(_Basis(first, narrow(sparse.csr_array(wide[:, first]))))
    return found[0], found[1]


def _partners(right: sparse.csr_array, image: NDArray[np.intp]) -> NDArray[np.intp]:
    """The column that is the image of each, its own for one alike on both sides, -1 for none."""
    # A sum of all its values by random factors tells a column from any other.
    factor = np.random.default_rng(0).random(len(image))
    own, across = right.T @ factor, right.T @ factor[image]
    return mutual(np.abs(across[:, None] - own), SAME * (abs(right).T @ factor))

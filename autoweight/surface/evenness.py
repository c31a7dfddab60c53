"""Bodies of which each half is the other's mirror image, vertex by vertex."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.surface.prepare import Surface, packed

__all__ = ["SAME", "image", "unchanged"]

CELL = 5e-7
"""Width of the cells that places are told apart by, in diagonals: `prepare` leaves no two vertices
in one, and a box has fewer than 2²¹ of them on a side."""

FEW = 64
"""Vertices that are looked at first, to tell whether the rest have to be."""

SAME = 1e-9
"""Entries nearer than this, by what is on the diagonal, are the same but for rounding."""


def image(surface: Surface) -> NDArray[np.intp] | None:
    """The vertex that is the mirror image of each across the middle of the body's box.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    ndarray, shape (n,), int, or None
        Its own for a vertex in the middle; None where no axis has an image for all of them.
    """
    at, unit = surface.vertices, CELL * surface.diagonal
    low, high = at.min(axis=0), at.max(axis=0)
    here = packed(np.rint((at - low) / unit).astype(np.int64))
    first = np.argsort(here)
    for axis in range(3):
        mirrored = at - low
        mirrored[:, axis] = high[axis] - at[:, axis]
        there = packed(np.rint(mirrored / unit).astype(np.int64))
        few = there[:: max(len(at) // FEW, 1)]
        place = np.minimum(np.searchsorted(here, few, sorter=first), len(at) - 1)
        if not np.array_equal(here[first[place]], few):
            continue
        second = np.argsort(there)
        if np.array_equal(here[first], there[second]):
            found = np.empty_like(first)
            found[second] = first
            return found
    return None


def unchanged(operator: sparse.csr_array, image: NDArray[np.intp]) -> bool:
    """Whether a matrix stays the same when each vertex becomes its image.

    Parameters
    ----------
    operator : csr_array, shape (n, n)
        Positive on the diagonal.
    image : ndarray, shape (n,), int

    Returns
    -------
    bool
    """
    operator.sort_indices()
    other = sparse.csr_array(operator[image][:, image])
    other.sort_indices()
    if not (
        np.array_equal(operator.indptr, other.indptr)
        and np.array_equal(operator.indices, other.indices)
    ):
        return False
    size = np.repeat(operator.diagonal(), np.diff(operator.indptr))
    return bool((np.abs(operator.data - other.data) <= SAME * size).all())

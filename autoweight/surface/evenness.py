"""Bodies of which each half is the other's mirror image, vertex by vertex."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.machine.keeping import kept
from autoweight.rows import entry_rows
from autoweight.surface.prepare import Surface, packed

__all__ = [
    "NEAR",
    "SAME",
    "Evenness",
    "even_surface",
    "evenness",
    "foldable",
    "mutual",
    "unchanged",
]

CELL = 5e-7
"""Width of the cells that places are told apart by, in diagonals: `prepare` leaves no two vertices
in one, and a box has fewer than 2²¹ of them on a side."""

FEW = 64
"""Vertices that are looked at first, to tell whether the rest have to be."""

SAME = 1e-9
"""What is nearer than this, as a share of its size, is the same but for rounding."""

NEAR = 1e-4
"""What is nearer than this to a mirror image, in diagonals, was meant to be there: exporters round
positions to 16 bits of the box, modellers by eye. It is what `mirror` takes for a counterpart."""


@dataclass(frozen=True, eq=False)
class Evenness:
    """How a body is the mirror image of itself.

    Parameters
    ----------
    axis : int
        Across which: x, y or z.
    twice : float
        Twice where the plane crosses it, in scene units.
    image : ndarray, shape (n,), int
        The vertex that is the image of each, its own for one in the middle.
    half : ndarray, shape (h,), int
        Vertices on the lower side, and those in the middle.
    """

    axis: int
    twice: float
    image: NDArray[np.intp]
    half: NDArray[np.intp]

    def reflect(
        self, points: NDArray[np.float64], some: NDArray[np.bool_] | bool = True
    ) -> NDArray[np.float64]:
        """The mirror image of points, (p, 3), or of some and the others as they are."""
        found = points.copy()
        here = points[:, self.axis]
        found[:, self.axis] = np.where(some, self.twice - here, here)
        return found

    def turn(
        self, ways: NDArray[np.float64], some: NDArray[np.bool_] | bool = True
    ) -> NDArray[np.float64]:
        """Ways as they go in the mirror, (p, 3), or some and the others as they are."""
        found = ways.copy()
        found[:, self.axis] *= np.where(some, -1.0, 1.0)
        return found


@kept
def evenness(surface: Surface) -> Evenness | None:
    """How the vertices of a body are each other's image across the middle of its box, if they are.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Evenness or None
        By the first axis that will do; None where there is none.
    """
    at, unit = surface.vertices, CELL * surface.diagonal
    low, high = at.min(axis=0), at.max(axis=0)
    here = packed(np.rint((at - low) / unit).astype(np.int64))
    first = np.argsort(here)
    for axis in np.flatnonzero(high - low > unit):
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
            half = np.flatnonzero(at[:, axis] <= at[found, axis])
            return Evenness(int(axis), float(low[axis] + high[axis]), found, half)
    return None


def even_surface(surface: Surface) -> tuple[Surface, Evenness] | None:
    """A body that is even but for what is not meant, made so exactly.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (Surface, Evenness) or None
        Its vertices half-way to their images, and how they are each other's; the surface itself
        where it is even but for rounding. None for a body of which a vertex has no image to `NEAR`.
    """
    even = evenness(surface) or _nearly(surface)
    if even is None:
        return None
    image = even.reflect(surface.vertices)[even.image]
    if np.abs(image - surface.vertices).max() <= SAME * surface.diagonal:
        return surface, even
    return replace(surface, vertices=(surface.vertices + image) / 2), even


def _nearly(surface: Surface) -> Evenness | None:
    """How the vertices are each other's image to `NEAR`, across nearly the middle of the box."""
    at, near = surface.vertices, NEAR * surface.diagonal
    low, high = at.min(axis=0), at.max(axis=0)
    place = (at - (low + high) / 2) / surface.diagonal
    tree: cKDTree | None = None
    for axis in range(3):
        # What is odd across the middle adds up to nothing; mostly that is all there is to ask.
        first, second = np.delete(place, axis, axis=1).T
        even = np.stack([np.ones(len(at)), first, second, first * second])
        if (np.abs(even @ place[:, axis]) > 2 * NEAR * len(at)).any():
            continue
        tree = tree or cKDTree(at, compact_nodes=False, balanced_tree=False)
        mirrored = at.copy()
        mirrored[:, axis] = low[axis] + high[axis] - at[:, axis]
        away, image = tree.query(mirrored, distance_upper_bound=2 * near)
        if not np.isfinite(away).all() or (image[image] != np.arange(len(at))).any():
            continue
        twice = float((at[:, axis] + at[image, axis]).mean())
        half = np.flatnonzero(at[:, axis] <= at[image, axis])
        found = Evenness(axis, twice, image, half)
        off = np.linalg.norm(found.reflect(at) - at[image], axis=1).max()
        if off <= near:
            return found
    return None


def foldable(surface: Surface) -> Evenness | None:
    """`evenness` where the faces are each other's image too, and the places but for rounding.

    References
    ----------
    That two sets of faces are the same is told by a polynomial with a product for each face, at
    random values of the vertices: Schwartz, "Fast probabilistic algorithms for verification of
    polynomial identities", Journal of the ACM 27(4), 1980.
    """
    even = evenness(surface)
    if even is None:
        return None
    off = np.abs(even.reflect(surface.vertices) - surface.vertices[even.image]).max()
    value = np.random.default_rng(0).random(len(surface))
    own, across = (
        np.einsum("f,f,f->", *(each[corner] for corner in surface.faces.T))
        for each in (value, value[even.image])
    )
    return even if off <= SAME * surface.diagonal and abs(own - across) <= SAME * own else None


def mutual(apart: NDArray[np.float64], near: NDArray[np.float64] | float) -> NDArray[np.intp]:
    """Which is the image of each, told by how far every one is from the image of every other.

    Parameters
    ----------
    apart : ndarray, shape (k, k)
        From the image of the first to the second.
    near : ndarray, shape (k,), or float
        How far that may be.

    Returns
    -------
    ndarray, shape (k,), int
        The nearest, its own for one that is alike on both sides; -1 where it is not near, or
        has another nearest.
    """
    found = apart.argmin(axis=1)
    known = apart.min(axis=1) <= near
    known &= known[found] & (found[found] == np.arange(len(found)))
    return np.where(known, found, -1)


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
    change = sparse.csr_array(operator - operator[image][:, image])
    size = operator.diagonal()[entry_rows(change)]
    return bool((np.abs(change.data) <= SAME * size).all())

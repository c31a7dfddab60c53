"""The connected pieces of a surface, as bodies: how large each is, and where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.machine.keeping import kept
from autoweight.rows import firsts
from autoweight.surface.prepare import Surface, boxed

__all__ = ["Pieces", "bridges", "parts_of_pieces", "pieces_of"]

TOUCHING = 1.5
"""Pieces touch where they are nearer than this many edges of usual length."""


@dataclass(frozen=True, eq=False)
class Pieces:
    """The k connected pieces of a surface.

    Parameters
    ----------
    of : ndarray, shape (n,), int32
        The piece of each vertex.
    order : ndarray, shape (n,), int
        The vertices piece by piece, ascending in each.
    gather : csr_array, shape (k, n)
        Sums values of vertices over pieces, by area.
    area : ndarray, shape (k,)
        In square scene units.
    middle : ndarray, shape (k, 3)
        Mean place by area.
    radius : ndarray, shape (k,)
        How far the skin is from there, in scene units: the root of the mean square by area.
    farthest : ndarray, shape (k,)
        The same of the vertex that is farthest.
    low, high : ndarray, shape (k, 3)
        Corners of its box.
    """

    of: NDArray[np.int32]
    order: NDArray[np.intp]
    gather: sparse.csr_array
    area: NDArray[np.float64]
    middle: NDArray[np.float64]
    radius: NDArray[np.float64]
    farthest: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.area)


@kept
def pieces_of(surface: Surface) -> Pieces:
    """Measure the connected pieces of a surface."""
    of, count = surface.components, len(surface)
    area = np.bincount(of, surface.areas).astype(np.float64)
    gather = sparse.csr_array((surface.areas, (of, np.arange(count))), shape=(len(area), count))
    middle = (gather @ surface.vertices) / area[:, None]
    square = ((surface.vertices - middle[of]) ** 2).sum(axis=1)
    most = np.zeros(len(area))
    np.maximum.at(most, of, square)
    radius, farthest = np.sqrt(gather @ square / area), np.sqrt(most)
    order = np.argsort(of, kind="stable")
    begin = np.flatnonzero(np.diff(of[order], prepend=-1))
    low, high = (end.reduceat(surface.vertices[order], begin) for end in (np.minimum, np.maximum))
    return Pieces(of, order, gather, area, middle, radius, farthest, low, high)


@kept
def bridges(surface: Surface) -> NDArray[np.int32]:
    """Each vertex of a piece and the nearest of other pieces, where they touch, (b, 2)."""
    found = [np.empty((0, 2), dtype=np.int32)]
    if surface.components.max() == 0:
        return found[0]
    pieces, touching = pieces_of(surface), TOUCHING * surface.spacing
    low, high = pieces.low, pieces.high
    ends = np.cumsum(np.bincount(pieces.of))[:-1]
    for piece, inside in enumerate(np.split(pieces.order, ends)):
        # Only what lies in the box of another can touch it.
        met = ((low <= high[piece] + touching) & (high >= low[piece] - touching)).all(axis=1)
        met[piece] = False
        if not met.any():
            continue
        box = low[met].min(axis=0), high[met].max(axis=0)
        inside = inside[boxed(surface.vertices[inside], *box, touching)]
        if not len(inside):
            continue
        at = surface.vertices[inside]
        near = boxed(surface.vertices, at.min(axis=0), at.max(axis=0), touching)
        outside = np.flatnonzero(near & met[pieces.of])
        if len(outside):
            apart, nearest = cKDTree(surface.vertices[outside]).query(
                at, distance_upper_bound=touching
            )
            near = np.isfinite(apart)
            pairs = np.column_stack([inside[near], outside[nearest[near]]])
            found.append(pairs.astype(np.int32))
    return np.concatenate(found)


def parts_of_pieces(surface: Surface) -> NDArray[np.intp]:
    """Which part of the user's mesh each piece is of, the first of several, (k,)."""
    return surface.part[firsts(surface.components)].astype(np.intp)

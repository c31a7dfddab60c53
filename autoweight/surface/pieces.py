"""The connected pieces of a surface, as bodies: how large each is, and where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.rows import firsts
from autoweight.surface.prepare import Surface

__all__ = ["Pieces", "parts_of_pieces", "pieces_of"]


@dataclass(frozen=True, eq=False)
class Pieces:
    """The k connected pieces of a surface.

    Parameters
    ----------
    of : ndarray, shape (n,), int32
        The piece of each vertex.
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
    """

    of: NDArray[np.int32]
    gather: sparse.csr_array
    area: NDArray[np.float64]
    middle: NDArray[np.float64]
    radius: NDArray[np.float64]
    farthest: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.area)


def pieces_of(surface: Surface) -> Pieces:
    """Measure the connected pieces of a surface."""
    of, count = surface.components, len(surface)
    area = np.bincount(of, surface.areas).astype(np.float64)
    gather = sparse.csr_array((surface.areas, (of, np.arange(count))), shape=(len(area), count))
    middle = (gather @ surface.vertices) / area[:, None]
    square = ((surface.vertices - middle[of]) ** 2).sum(axis=1)
    most = np.zeros(len(area))
    np.maximum.at(most, of, square)
    return Pieces(of, gather, area, middle, np.sqrt(gather @ square / area), np.sqrt(most))


def parts_of_pieces(surface: Surface) -> NDArray[np.intp]:
    """Which part of the user's mesh each piece is of, the first of several, (k,)."""
    return surface.part[firsts(surface.components)].astype(np.intp)

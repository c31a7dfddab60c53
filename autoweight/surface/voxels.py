"""The inside of a mesh as a grid of cells, however open or tangled its surface is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.surface.prepare import Surface

__all__ = ["Voxels", "samples", "voxelise"]

CELLS = 300_000
"""Solid cells aimed at; with their ways to 26 neighbours they take about 150 MB."""

GRID = 24_000_000
"""Most cells of the box round the mesh, solid or not, at one byte each and a few while filling."""

BLOCK = 4
"""Cells along a block, at the middle of which a leak is looked for."""


@dataclass(frozen=True, eq=False)
class Voxels:
    """Solid cells of a cubic grid.

    Parameters
    ----------
    origin : ndarray, shape (3,)
        Lowest corner of the grid.
    size : float
        Edge of a cell, in scene units.
    shape : tuple of int
        Cells of the grid along x, y and z.
    cells : ndarray, shape (c,), int64
        Flat numbers of the solid ones, ascending; none is at the border of the grid.
    """

    origin: NDArray[np.float64]
    size: float
    shape: tuple[int, int, int]
    cells: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.cells)

    @cached_property
    def centres(self) -> NDArray[np.float64]:
        """Middles of the solid cells, (c, 3)."""
        place = np.column_stack(np.unravel_index(self.cells, self.shape))
        return self.origin + (place + 0.5) * self.size

    def at(self, points: NDArray[np.float64]) -> NDArray[np.intp]:
        """Which solid cell each point is in.

        Parameters
        ----------
        points : ndarray, shape (n, 3)

        Returns
        -------
        ndarray, shape (n,), int
            -1 for a point in none.
        """
        place = np.floor((points - self.origin) / self.size).astype(np.int64)
        outside = ((place < 0) | (place >= self.shape)).any(axis=1)
        place[outside] = 0
        wanted = np.ravel_multi_index(tuple(place.T), self.shape)
        return np.where(outside, -1, self._find(wanted))

    def network(self) -> sparse.csr_array:
        """Ways from each solid cell to the solid ones among its 26 neighbours, (c, c)."""
        _, down, across = self.shape
        steps = np.indices((3, 3, 3)).reshape(3, -1).T - 1
        steps = steps[steps.any(axis=1)]  # by flat number, so that rows come out sorted
        found = np.empty((len(self), len(steps)), dtype=np.int32)
        for number, (x, y, z) in enumerate(steps):
            found[:, number] = self._find(self.cells + (x * down + y) * across + z)
        there = found >= 0
        lengths = np.broadcast_to(self.size * np.linalg.norm(steps, axis=1), found.shape)
        ends = np.append(0, np.cumsum(there.sum(axis=1)))
        return sparse.csr_array((lengths[there], found[there], ends), shape=(len(self),) * 2)

    def _find(self, wanted: NDArray[np.int64]) -> NDArray[np.intp]:
        place = np.minimum(np.searchsorted(self.cells, wanted), len(self.cells) - 1)
        return np.where(self.cells[place] == wanted, place, -1)


def voxelise(surface: Surface, *, cells: int = CELLS) -> Voxels:
    """Fill a surface with cells, as small as leaves about so many of them solid.

    Parameters
    ----------
    surface : Surface
        Open, overlapping, non-manifold and of many pieces as it may be.
    cells : int
        Solid cells aimed at.

    Returns
    -------
    Voxels
        Every cell the surface goes through is solid, and so is every one it keeps the outside
        from. Where the outside gets in through a hole, a cell is solid if the surface winds
        round it more than half: `Surface.holds`.
    """
    box = np.ptp(surface.vertices, axis=0)
    size = float(np.linalg.norm(box)) / 96
    skin = len(np.unique(_places(surface, size)[0], axis=0))
    inner = int(_solid(surface, size)[0].sum()) - skin
    # The skin grows with the square of the fineness and the rest with its cube.
    finer = np.roots([inner, skin, 0, -cells])
    size /= float(finer[np.abs(finer.imag) < 1e-9].real.max())
    least = (np.prod(np.maximum(box, 2 * size)) / GRID) ** (1 / 3)
    size = max(size, float(least))
    solid, low = _solid(surface, size)
    x, y, z = solid.shape
    return Voxels(low, size, (x, y, z), np.flatnonzero(solid))


def _places(
    surface: Surface, size: float
) -> tuple[NDArray[np.int64], tuple[int, int, int], NDArray[np.float64]]:
    """Cells that the surface goes through, cells of the grid, and the grid's lowest corner."""
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    # An odd number of cells round the middle: what lies in the plane between left and right goes
    # through the middles of cells, and not now to one side of their walls and now to the other.
    count = np.ceil((high - low) / size).astype(int) // 2 * 2 + 5
    low = (low + high - count * size) / 2
    x, y, z = (int(each) for each in count)
    return np.floor((samples(surface, size / 3) - low) / size).astype(np.int64), (x, y, z), low


def _solid(surface: Surface, size: float) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Cells of the body, and the lowest corner of the grid."""
    from scipy import ndimage  # slow to import, rarely needed

    place, shape, low = _places(surface, size)
    solid = np.zeros(shape, dtype=bool)
    solid[tuple(place.T)] = True
    solid = ndimage.binary_fill_holes(solid)
    return solid | _wound(surface, solid, low, size), low


def samples(surface: Surface, step: float) -> NDArray[np.float64]:
    """Points all over the faces, none further than a step from its neighbours."""
    corners = surface.vertices[surface.faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    cuts = np.maximum(np.ceil(longest / step).astype(int), 1)
    points = [surface.vertices]
    for count in np.unique(cuts[cuts > 1]):
        first, second = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
        kept = first + second <= count
        share = np.stack([first[kept], second[kept]], axis=1) / count
        share = np.column_stack([share, 1 - share.sum(axis=1)])
        points.append(np.einsum("sc,fcx->fsx", share, corners[cuts == count]).reshape(-1, 3))
    return np.concatenate(points)


def _wound(
    surface: Surface, solid: NDArray[np.bool_], low: NDArray[np.float64], size: float
) -> NDArray[np.bool_]:
    """Cells that are not solid and that the surface winds round all the same."""
    from scipy import ndimage

    def inside(place: NDArray[np.int64]) -> NDArray[np.bool_]:
        return surface.holds(low + (place + 0.5) * size)

    found = np.zeros_like(solid)
    lines = [np.arange(each // 2 % BLOCK, each, BLOCK) for each in solid.shape]
    middles = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
    middles = middles[~solid[tuple(middles.T)]]
    leaks = middles[inside(middles)]
    if len(leaks) == 0:
        return found
    near = np.zeros_like(solid)
    near[tuple(leaks.T)] = True
    near = ndimage.maximum_filter(near, size=2 * BLOCK + 1)
    place = np.argwhere(near & ~solid)
    found[tuple(place[inside(place)].T)] = True
    return found

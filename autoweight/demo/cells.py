"""Cubes of several sizes along a surface, their edges that it crosses, and who shares those."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cells", "Edges", "Field", "cells_along", "cells_round", "crossed_edges", "key"]

Points = NDArray[np.float64]
Lattice = NDArray[Any]  # of whole numbers
Field = Callable[[Points, float], Points]

CORNERS = np.array([(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)])


@dataclass(frozen=True, eq=False)
class Cells:
    """Cubes with their corners on one lattice.

    Parameters
    ----------
    corner : ndarray, shape (c, 3)
        Lowest corner, in lattice points.
    edge : ndarray, shape (c,)
        Length of an edge, in lattice steps, a power of 2.
    origin : ndarray, shape (3,)
        Where the lattice begins.
    step : float
        Distance of its points.
    """

    corner: Lattice
    edge: Lattice
    origin: Points
    step: float


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges of cells with the surface between their ends.

    Parameters
    ----------
    start : ndarray, shape (e, 3)
        In lattice points.
    axis : ndarray, shape (e,)
        They run along it, upward.
    length : ndarray, shape (e,)
        In lattice steps.
    ends : ndarray, shape (e, 2)
        The field at both ends.
    """

    start: Lattice
    axis: Lattice
    length: Lattice
    ends: Points

    def only(self, chosen: NDArray[Any]) -> Edges:
        """Some of the edges."""
        return Edges(self.start[chosen], self.axis[chosen], self.length[chosen], self.ends[chosen])

    def along(self, steps: NDArray[Any]) -> Points:
        """Points so many lattice steps from the start of each edge, in lattice steps, (e, 3)."""
        points = self.start.astype(np.float64)
        points[np.arange(len(points)), self.axis] += steps
        return points


def cells_along(
    field: Field,
    size: float,
    lower: Points,
    upper: Points,
    wanted: Callable[[Points, float], Points],
    shift: float = 0.0,
) -> Cells:
    """Cells that the surface may pass through; see `net.surface_net`.

    The lattice is moved along the plane of symmetry by `shift` cells, 0 to 1.
    """
    origin = np.array([-size / 2, *(lower[1:] - (1 + shift) * size)])
    doublings = int(np.ceil(np.log2((upper - origin).max() / size))) + 1
    corner = np.zeros((1, 3), dtype=np.int64)
    corners: list[Lattice] = []
    levels: list[Lattice] = []
    level = 0
    while len(corner):
        cell = size * 2.0 ** (doublings - level)
        centre = origin + (corner + 0.5) * cell
        reach = cell * np.sqrt(3) / 2
        near = np.abs(field(centre, reach)) <= reach
        corner, centre = corner[near], centre[near]
        if level >= doublings:
            leaf = (wanted(centre, cell) >= cell * (1 - 1e-9)) | (corner[:, 0] == 0)
            corners.append(corner[leaf])
            levels.append(np.full(int(leaf.sum()), level))
            corner = corner[~leaf]
        corner = (2 * corner[:, None] + CORNERS).reshape(-1, 3)
        level += 1
    edge = 2 ** (level - 1 - np.concatenate(levels))
    step = size * 2.0 ** (doublings - level + 1)
    return Cells(np.concatenate(corners) * edge[:, None], edge, origin, step)


def crossed_edges(field: Field, cells: Cells) -> Edges:
    """Edges of the cells that the surface crosses, each once."""
    nodes = cells.corner[:, None] + CORNERS * cells.edge[:, None, None]
    _, first, inverse = np.unique(key(nodes), return_index=True, return_inverse=True)
    number = inverse.reshape(-1, len(CORNERS))
    points = cells.origin + cells.step * nodes.reshape(-1, 3)[first]
    value = field(points, cells.step * float(cells.edge.max()) * 2)
    found = []
    for axis in range(3):
        begin = np.flatnonzero(CORNERS[:, axis] == 0)
        finish = begin + 2 ** (2 - axis)
        ends = np.stack([value[number[:, begin]], value[number[:, finish]]], axis=-1)
        cell, which = np.nonzero((ends[..., 0] < 0) != (ends[..., 1] < 0))
        start, length = nodes[cell, begin[which]], cells.edge[cell]
        # edges of one start and several lengths are several edges
        _, once = np.unique(np.stack([key(start), length]), axis=1, return_index=True)
        along = np.full(len(once), axis)
        found.append((start[once], along, length[once], ends[cell, which][once]))
    start, along, length, ends = (np.concatenate(each) for each in zip(*found, strict=True))
    return Edges(start, along, length, ends)


def cells_round(edges: Edges, cells: Cells) -> Lattice:
    """The four cells round the start of each edge, anticlockwise seen from its end.

    Returns
    -------
    ndarray, shape (e, 4)
        Cell numbers, -1 where there is no cell.
    """
    number = np.arange(len(edges.start))
    found = np.full((len(number), 4), -1)
    for side, (second, third) in enumerate([(-1, -1), (0, -1), (0, 0), (-1, 0)]):
        inside = edges.start.copy()
        inside[number, (edges.axis + 1) % 3] += second
        inside[number, (edges.axis + 2) % 3] += third
        for size in np.unique(cells.edge):
            alike = np.flatnonzero(cells.edge == size)
            keys = key(cells.corner[alike])
            order = np.argsort(keys)
            wanted = key(inside // size * size)
            place = np.minimum(np.searchsorted(keys, wanted, sorter=order), len(alike) - 1)
            hit = (keys[order[place]] == wanted) & (inside >= 0).all(axis=1)
            found[hit, side] = alike[order[place[hit]]]
    return found


def key(coordinates: Lattice) -> Lattice:
    """One number for each lattice point."""
    return (coordinates[..., 0] << 42) | (coordinates[..., 1] << 21) | coordinates[..., 2]

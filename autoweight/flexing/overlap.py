"""Skin that sinks into other skin: body against arm, finger against finger."""

from __future__ import annotations

from dataclasses import dataclass

import igl
import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra

from autoweight.rows import firsts
from autoweight.surface import Surface
from autoweight.surface.prepare import boxed, vertex_normals

__all__ = ["SKIN", "Stand", "near_moved", "sunk", "thinned"]

POINTS = 1500
"""So many vertices stand for the skin: enough for a finger of a character, and quick."""

SKIN = 1e-3
"""How far above the skin its points are tested, in bounding-box diagonals."""


@dataclass(frozen=True, eq=False)
class Stand:
    """Some vertices of a surface, joined as the surface joins the regions nearest to them.

    Parameters
    ----------
    vertices : ndarray, shape (p,)
        Surface vertices.
    faces : ndarray, shape (q, 3)
        Into `vertices`, turned as the surface's own.
    areas : ndarray, shape (p,)
        Skin that each stands for, in square scene units.
    region : ndarray, shape (n,)
        Which of `vertices` stands for each vertex of the surface.
    """

    vertices: NDArray[np.int64]
    faces: NDArray[np.int64]
    areas: NDArray[np.float64]
    region: NDArray[np.int64]


def thinned(surface: Surface) -> Stand:
    """Choose vertices that stand for a surface.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Stand
        `POINTS` vertices, or all where there are no more, even over the area. Faces join regions
        that meet at a corner: the dual of the geodesic Voronoi diagram.
    """
    piece_first = firsts(surface.components)
    if len(surface) <= POINTS:
        chosen = np.arange(len(surface))
    else:
        # Along the curve of vertices sorted by place each step covers the same area.
        order = np.lexsort((*surface.vertices.T, surface.components))
        covered = np.cumsum(surface.areas[order])
        steps = (np.arange(POINTS) + 0.5) / POINTS * covered[-1]
        chosen = np.union1d(order[np.searchsorted(covered, steps)], piece_first)
    _, _, nearest = dijkstra(
        surface.adjacency, indices=chosen, min_only=True, return_predecessors=True
    )
    region = np.searchsorted(chosen, nearest)
    corners = region[surface.faces]
    faces = corners[(corners != np.roll(corners, 1, axis=1)).all(axis=1)]
    _, first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    areas = np.bincount(region, surface.areas, minlength=len(chosen)).astype(np.float64)
    return Stand(chosen, faces[np.sort(first)].astype(np.int64), areas, region)


def sunk(stand: Stand, points: NDArray, which: NDArray[np.int64], skin: float) -> NDArray[np.int64]:
    """Which points are inside the skin.

    Parameters
    ----------
    stand : Stand
    points : ndarray, shape (p, 3)
        Where its vertices are.
    which : ndarray, shape (q,)
        The vertices to test.
    skin : float
        How far above the skin a point is tested, in scene units.

    Returns
    -------
    ndarray
        Those of `which` that are inside.

    References
    ----------
    G. Barill, N. G. Dickson, R. Schmidt, D. I. W. Levin, A. Jacobson, Fast winding numbers for
    soups and clouds, ACM Transactions on Graphics 37(4), 2018.
    """
    if len(which) == 0:
        return which
    points = points.astype(np.float64)
    above = points[which] + skin * vertex_normals(points, stand.faces)[which]
    return which[igl.fast_winding_number(points, stand.faces, above) > 0.5]


def near_moved(rest: NDArray, points: NDArray, skin: float) -> NDArray[np.int64]:
    """Points that have moved, and those in the box that the moved ones are in now."""
    moved = (np.abs(points - rest) > skin).any(axis=1)
    if not moved.any():
        return np.zeros(0, dtype=np.int64)
    there = points[moved]
    return np.flatnonzero(boxed(points, there.min(axis=0), there.max(axis=0), skin))

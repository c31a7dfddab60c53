"""The inside of a mesh as tetrahedra between its own vertices and points within."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, QhullError, cKDTree

from autoweight.errors import GeometryError
from autoweight.surface.prepare import Surface
from autoweight.surface.voxels import samples, voxelise
from autoweight.vectors import diagonal

__all__ = ["Tetrahedra", "tetrahedra"]

CELLS = 6000
"""The body is cut as finely as so many cubes would fill it."""

CLEAR = 0.6
"""Points within keep so many cells' edges from all others."""

FLAT = 1e-3
"""Least volume for the longest edge, 1 for a regular tetrahedron; flatter ones are left out."""

SAME = 1e-5
"""Points nearer than this, in bounding-box diagonals, are one."""


@dataclass(frozen=True, eq=False)
class Tetrahedra:
    """A body in pieces.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        The n vertices of the surface first, then the other corners.
    corners : ndarray, shape (t, 4), int64
        Of positive volume.
    """

    points: NDArray[np.float64]
    corners: NDArray[np.int64]


def tetrahedra(surface: Surface, spine: NDArray[np.float64]) -> Tetrahedra:
    """Cut the inside of a surface into tetrahedra.

    Parameters
    ----------
    surface : Surface
        Inside is what it `holds`; it may have holes and overlap.
    spine : ndarray, shape (s, 3)
        Places that must be corners where they are inside.

    Returns
    -------
    Tetrahedra
        The surface is met as far as its triangles are Delaunay among points this dense.

    Raises
    ------
    GeometryError
        Most vertices enclose nothing, as those of a sheet.
    """
    vertices, inside = surface.vertices, surface.holds
    cells = voxelise(surface, cells=CELLS)
    # Points in a lattice have Delaunay tetrahedra without volume: shake them, always alike.
    shaken = np.random.default_rng(0).uniform(-0.15, 0.15, cells.centres.shape) * cells.size
    within = cells.centres + shaken
    outer = np.concatenate([vertices, samples(surface, 1.5 * cells.size)])
    fixed = _apart(np.concatenate([outer, spine[inside(spine)]]), len(vertices))
    within = within[inside(within)]
    within = within[cKDTree(fixed).query(within)[0] > CLEAR * cells.size]
    points = np.concatenate([fixed, within])

    try:
        corners = Delaunay(points).simplices.astype(np.int64)
    except QhullError as error:
        raise GeometryError(
            "the mesh is flat and encloses no volume, which this method works in; take another"
        ) from error
    corners = corners[inside(points[corners].mean(axis=1))]
    volume, longest = _sizes(points, corners)
    corners = np.where((volume < 0)[:, None], corners[:, [1, 0, 2, 3]], corners)
    corners = corners[np.abs(volume) > FLAT * longest**3 / (6 * np.sqrt(2))]
    held = np.zeros(len(points), dtype=bool)
    held[corners] = True
    if held[: len(vertices)].mean() < 0.5:
        raise GeometryError(
            f"{int((~held[: len(vertices)]).sum())} of {len(vertices)} vertices enclose no volume, "
            "which this method works in; close the mesh or take another method"
        )
    held[: len(vertices)] = True
    return Tetrahedra(points[held], (np.cumsum(held) - 1)[corners])


def _apart(points: NDArray[np.float64], keep: int) -> NDArray[np.float64]:
    """Points of which no two round to the same place; the first so many all stay."""
    place = np.round(points / (SAME * diagonal(points))).astype(np.int64)
    first = np.unique(place, axis=0, return_index=True)[1]
    return points[np.union1d(np.arange(keep), first)]


def _sizes(
    points: NDArray[np.float64], corners: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Signed volume and longest edge of each tetrahedron."""
    a, b, c, d = points[corners].transpose(1, 0, 2)
    volume = np.einsum("ti,ti->t", np.cross(b - a, c - a), d - a) / 6
    edges = np.stack([b - a, c - a, d - a, c - b, d - b, d - c])
    return volume, np.linalg.norm(edges, axis=2).max(axis=0)

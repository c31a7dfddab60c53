"""The nearest places on a surface, and what its vertices say there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.rows import normalised
from autoweight.surface.prepare import Surface
from autoweight.vectors import unit

__all__ = ["Ground", "Places"]

TOUCH = 0.5
"""Sizes of a piece within which what it sits on must be."""

DIRECTIONS = 128
"""Directions that normals are sorted into to find what faces some way."""

SEAT = 0.25
"""Sizes of a piece over which its contact with what it sits on ends."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface, one for each of p points.

    Parameters
    ----------
    face : ndarray, shape (p,), int32
    coordinates : ndarray, shape (p, 3)
        Barycentric coordinates in that face.
    position : ndarray, shape (p, 3)
    distance : ndarray, shape (p,)
        From the point, in scene units.
    """

    face: NDArray[np.int32]
    coordinates: NDArray[np.float64]
    position: NDArray[np.float64]
    distance: NDArray[np.float64]

    def interpolator(self, surface: Surface) -> sparse.csr_array:
        """The matrix that takes values on the vertices to the places, (p, len(surface))."""
        count = len(self.face)
        return sparse.csr_array(
            (
                self.coordinates.ravel(),
                surface.faces[self.face].ravel(),
                np.arange(0, 3 * count + 1, 3),
            ),
            shape=(count, len(surface)),
        )

    def seats(
        self,
        surface: Surface,
        piece: NDArray[np.integer],
        areas: NDArray[np.float64],
        size: NDArray[np.float64],
    ) -> sparse.csr_array:
        """Where pieces sit on a surface: the means over their contact with it.

        Parameters
        ----------
        surface : Surface
            That the places are on.
        piece : ndarray, shape (p,), int
            The piece that each point is of.
        areas : ndarray, shape (p,)
            Of the points.
        size : ndarray, shape (r,)
            Of every piece, in scene units, by which near is measured: a radius of it.

        Returns
        -------
        csr_array, shape (r, len(surface))
            Rows sum to 1, and are empty for a piece that nothing is near.
        """
        gap = np.full(len(size), np.inf)
        np.minimum.at(gap, piece, self.distance)
        # The contact fades out, so that places as far off count alike, whatever rounding says.
        contact = np.maximum(1 - (self.distance - gap[piece]) / (SEAT * size[piece]), 0.0)
        share = areas * contact * (gap < TOUCH * size)[piece]
        weigh = sparse.csr_array(
            (share, (piece, np.arange(len(piece)))), shape=(len(size), len(piece))
        )
        return normalised(sparse.csr_array(weigh @ self.interpolator(surface)))

    def normals(self, surface: Surface) -> NDArray[np.float64]:
        """Vertex normals interpolated to the places, unit length or 0, (p, 3)."""
        found = np.einsum("pc,pcx->px", self.coordinates, surface.normals[surface.faces[self.face]])
        return unit(found)

    def put(self, points: NDArray[np.integer], others: Places) -> Places:
        """The same with the places of some points replaced."""
        fields = []
        for name in ("face", "coordinates", "position", "distance"):
            values = getattr(self, name).copy()
            values[points] = getattr(others, name)
            fields.append(values)
        return Places(*fields)

    def taken(self, points: NDArray[np.integer]) -> Places:
        """The places of some points, in their order."""
        return Places(
            self.face[points],
            self.coordinates[points],
            self.position[points],
            self.distance[points],
        )


class Ground:
    """A surface made ready to be searched.

    Parameters
    ----------
    surface : Surface
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self.corners = surface.faces.astype(np.int64)
        self.diagonal = surface.diagonal
        self.tree = igl.AABB()
        self.tree.init(surface.vertices, self.corners)

    @cached_property
    def flat(self) -> NDArray[np.float64]:
        """Unit normals of the faces, (m, 3)."""
        return self.surface.face_normals

    def nearest(
        self, points: NDArray[np.float64], faces: NDArray[np.integer] | None = None
    ) -> Places:
        """The nearest place to each point.

        Parameters
        ----------
        points : ndarray, shape (p, 3)
        faces : ndarray, shape (f,), optional
            The faces that count; all when left out.

        Returns
        -------
        Places
        """
        points, vertices = np.ascontiguousarray(points), self.surface.vertices
        if faces is None:
            squared, face, position = self.tree.squared_distance(vertices, self.corners, points)
        else:
            squared, face, position = igl.point_mesh_squared_distance(
                points, vertices, self.corners[faces]
            )
            face = faces[face]
        return Places(
            face.astype(np.int32), self._coordinates(face, position), position, np.sqrt(squared)
        )

    def facing(
        self,
        points: NDArray[np.float64],
        ways: NDArray[np.float64],
        angle: float,
        otherwise: Places,
    ) -> Places:
        """The nearest place to each point among the faces that face about some way.

        Parameters
        ----------
        points, ways : ndarray, shape (p, 3)
            Unit vectors for the ways.
        angle : float
            How far normals may be off them, in radians. Ways are sorted into few directions: some
            faces beyond the angle are taken, and none within it is missed that is less than a
            right angle off its direction.
        otherwise : Places
            Of the points, for those that nothing faces so.

        Returns
        -------
        Places
        """
        directions = _directions(DIRECTIONS)
        toward = cKDTree(directions).query(ways)[1]
        # Half the spacing of the directions, so that none within the cone is missed.
        least = np.cos(min(angle + np.sqrt(4 / DIRECTIONS), np.pi / 2))
        found = otherwise
        for each in np.unique(toward):
            faces = np.flatnonzero(self.flat @ directions[each] >= least)
            if len(faces):
                group = np.flatnonzero(toward == each)
                found = found.put(group, self.nearest(points[group], faces))
        return found

    def _coordinates(
        self, face: NDArray[np.integer], position: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        corners = self.surface.vertices[self.surface.faces[face]]
        found = igl.barycentric_coordinates(
            np.ascontiguousarray(position),
            *(np.ascontiguousarray(corners[:, each]) for each in range(3)),
        )
        found = np.clip(found, 0, 1)
        sums = found.sum(axis=1)
        # A sliver has no barycentric coordinates worth the name: take its nearest corner.
        sliver = np.flatnonzero(~(np.isfinite(sums) & (sums > 0.5)))
        apart = np.linalg.norm(corners[sliver] - position[sliver, None], axis=2)
        found[sliver] = np.eye(3)[apart.argmin(axis=1)]
        return found / found.sum(axis=1, keepdims=True)


def _directions(count: int) -> NDArray[np.float64]:
    """Unit vectors spread evenly, as a Fibonacci lattice on the sphere."""
    height = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    radius = np.sqrt(1 - height**2)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])

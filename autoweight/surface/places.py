"""The nearest places on a surface, and what its vertices say there."""

from __future__ import annotations

from dataclasses import dataclass

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.surface.prepare import Surface

__all__ = ["Ground", "Places"]


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

    def normals(self, surface: Surface) -> NDArray[np.float64]:
        """Vertex normals interpolated to the places, unit length or 0, (p, 3)."""
        found = np.einsum("pc,pcx->px", self.coordinates, surface.normals[surface.faces[self.face]])
        length = np.linalg.norm(found, axis=1, keepdims=True)
        return np.divide(found, length, out=np.zeros_like(found), where=length > 0)

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
        self.flat = igl.per_face_normals(surface.vertices, surface.faces, np.zeros(3))
        self.diagonal = float(np.linalg.norm(np.ptp(surface.vertices, axis=0)))
        self.tree = igl.AABB()
        self.tree.init(surface.vertices, self.corners)

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

"""Which points can be seen from which, the surface being opaque."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autoweight.surface.prepare import Surface

__all__ = ["Sight"]

GRAZE = 1e-3
"""Share of a ray's length, at the end it looks for, in which a hit does not count: the vertex is
on the surface, so the ray always meets the faces round it."""


SIZE = 1e6
"""Diagonal that the surface is scaled to: libigl takes a ray for parallel to a face, and misses it,
where a product of two edges and the ray is below 1e-6 in whatever the units are."""


class Sight:
    """Rays against a surface, its tree built once.

    Parameters
    ----------
    surface : Surface
    """

    def __init__(self, surface: Surface) -> None:
        import igl

        self._low = surface.vertices.min(axis=0)
        self._scale = SIZE / np.linalg.norm(np.ptp(surface.vertices, axis=0))
        self._vertices = self._scaled(surface.vertices)
        self._faces = surface.faces.astype(np.int64)
        self._tree = igl.AABB()
        self._tree.init(self._vertices, self._faces)

    def _scaled(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.ascontiguousarray((points - self._low) * self._scale)

    def clear(
        self, origins: NDArray[np.float64], targets: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Whether the straight way from each origin to its target, on the surface, is free.

        Parameters
        ----------
        origins, targets : ndarray, shape (r, 3)

        Returns
        -------
        ndarray, shape (r,), bool
        """
        ways = np.ascontiguousarray((targets - origins) * self._scale)
        face, _, _ = self._tree.intersect_ray_first(
            self._vertices, self._faces, self._scaled(origins), ways, 1 - GRAZE
        )
        return face < 0

    def hits(
        self, origins: NDArray[np.float64], ways: NDArray[np.float64]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """What rays meet first.

        Parameters
        ----------
        origins, ways : ndarray, shape (r, 3)
            Where the rays start and where they go, of length 1.

        Returns
        -------
        face : ndarray, shape (r,), int
            -1 for a ray that meets nothing.
        distance : ndarray, shape (r,)
            Infinite there.
        """
        found = self._tree.intersect_ray_first(
            self._vertices,
            self._faces,
            self._scaled(origins),
            np.ascontiguousarray(ways * self._scale),
            np.inf,
        )
        face = np.asarray(found[0], dtype=np.intp)
        return face, np.where(face >= 0, found[1], np.inf)

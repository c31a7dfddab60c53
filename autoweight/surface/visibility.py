"""Which points can be seen from which, the surface being opaque."""

from __future__ import annotations

import itertools
from functools import cached_property
from typing import NamedTuple

import igl
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


ON = 1e-5
"""What is nearer to the surface than this, in diagonals, is on it: rounding says on which side."""

UNDER = 1e-4
"""How far under the surface what is on it is put, in diagonals."""

LAYERS = 16
"""Faces a ray may go in through before it is given up."""

STEP = 1e-4
"""How far past a face the next ray starts, in ways gone and in millionths of the diagonal."""

_GOLDEN = (1 + 5**0.5) / 2
_CORNERS = [
    each
    for one, two, three in ((1, 1, 1), (0, 1 / _GOLDEN, _GOLDEN), (0, _GOLDEN, 1))
    for each in itertools.product(
        *[(side, -side) if side else (0.0,) for side in (one, two, three)]
    )
]
ROUND = np.unique(
    [np.roll(each, turn) / np.linalg.norm(each) for each in _CORNERS for turn in range(3)], axis=0
)
"""Ways evenly all round, the same in a mirror: the corners of a dodecahedron and its dual."""


class _Tree(NamedTuple):
    """The faces of a surface in a space `SIZE` wide, and what finds them."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    boxes: igl.AABB


class Sight:
    """Rays against a surface; their tree is built once, when it is first asked.

    Parameters
    ----------
    surface : Surface
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self._low = surface.vertices.min(axis=0)
        self._scale = SIZE / surface.diagonal

    @cached_property
    def _tree(self) -> _Tree:
        tree = _Tree(
            self._scaled(self.surface.vertices), self.surface.faces.astype(np.int64), igl.AABB()
        )
        tree.boxes.init(tree.vertices, tree.faces)
        return tree

    @cached_property
    def _normals(self) -> NDArray[np.float64]:
        """Outward normals of the faces, (m, 3)."""
        surface = self.surface
        turned = np.where(surface.inside_out[surface.components[surface.faces[:, 0]]], -1.0, 1.0)
        return surface.face_normals * turned[:, None]

    def forget(self) -> None:
        """Let go of the tree, which takes some 300 bytes a vertex, until it is asked for again."""
        self.__dict__.pop("_tree", None)
        self.__dict__.pop("_normals", None)

    def _scaled(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.ascontiguousarray((points - self._low) * self._scale)

    def under(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points, those on the surface put just under it.

        A joint may be snapped to a vertex, and what it sees must not hang on rounding, which is
        never the same left and right.

        Parameters
        ----------
        points : ndarray, shape (p, 3)

        Returns
        -------
        ndarray, shape (p, 3)
        """
        tree = self._tree
        square, face, place = tree.boxes.squared_distance(
            tree.vertices, tree.faces, self._scaled(points)
        )
        corners = tree.faces[face]
        shares = igl.barycentric_coordinates(place, *(tree.vertices[each] for each in corners.T))
        normal = np.einsum("pc,pci->pi", shares, self.surface.outward[corners])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(float).tiny)
        on = square <= (ON * SIZE) ** 2
        return points - np.where(on[:, None], UNDER * SIZE / self._scale * normal, 0.0)

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
        return self._first(origins, targets - origins, 1 - GRAZE)[0] < 0

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
        face, distance = self._first(origins, ways, np.inf)
        return face, np.where(face >= 0, distance, np.inf)

    def _first(
        self, origins: NDArray[np.float64], ways: NDArray[np.float64], until: float
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """The first face on each way, -1 for none, and how many ways off, until so many."""
        tree = self._tree
        face, share, _ = tree.boxes.intersect_ray_first(
            tree.vertices,
            tree.faces,
            self._scaled(origins),
            np.ascontiguousarray(ways * self._scale),
            until,
        )
        return np.asarray(face, dtype=np.intp), share

    def depth(self, origins: NDArray[np.float64], ways: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far rays from within go before they leave the body.

        Parameters
        ----------
        origins, ways : ndarray, shape (r, 3)
            Where the rays start and where they go, of length 1.

        Returns
        -------
        ndarray, shape (r,)
            To the first face that a ray comes to from its back; infinite where it meets none.
        """
        origins = self.under(origins)
        found = np.full(len(origins), np.inf)
        gone = np.zeros(len(origins))
        under_way = np.arange(len(origins))
        corners = self.surface.vertices[self.surface.faces[:, 0]]
        for _ in range(LAYERS):
            if not len(under_way):
                break
            start = origins[under_way] + gone[under_way, None] * ways[under_way]
            face, away = self.hits(start, ways[under_way])
            met = face >= 0
            under_way, face, away = under_way[met], face[met], away[met]
            normal = self._normals[face]
            lean = np.einsum("ij,ij->i", normal, ways[under_way])
            outward = lean > 0
            # To the plane of the face: what libigl says is rounded to float32.
            height = np.einsum("ij,ij->i", normal, corners[face] - origins[under_way])
            found[under_way[outward]] = height[outward] / lean[outward]
            gone[under_way] += away * (1 + STEP) + STEP / self._scale
            under_way = under_way[~outward]
        return found

    def outside(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far points are outside the body, negative inside.

        Parameters
        ----------
        points : ndarray, shape (p, 3)

        Returns
        -------
        ndarray, shape (p,)
            In diagonals of the body. A point is inside where most of the rays all round it first
            meet a face from its back.
        """
        ways = np.tile(ROUND, (len(points), 1))
        face, _ = self.hits(np.repeat(points, len(ROUND), axis=0), ways)
        back = np.einsum("ij,ij->i", self._normals[face], ways) > 0
        inside = ((face >= 0) & back).reshape(-1, len(ROUND)).mean(axis=1) > 0.5
        tree = self._tree
        square = tree.boxes.squared_distance(tree.vertices, tree.faces, self._scaled(points))[0]
        return np.where(inside, -1.0, 1.0) * np.sqrt(square) / SIZE

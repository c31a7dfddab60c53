"""Which points can be seen from which, the surface being opaque."""

from __future__ import annotations

import itertools
from functools import cached_property
from typing import NamedTuple

import igl
import numpy as np
from numpy.typing import NDArray

from autoweight.surface.evenness import Evenness, foldable
from autoweight.surface.prepare import Surface
from autoweight.vectors import unit

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
_CORNERS = np.array(
    sorted(
        {
            each[turn:] + each[:turn]
            for corner in ((1, 1, 1), (0, 1 / _GOLDEN, _GOLDEN), (0, _GOLDEN, 1))
            for each in itertools.product(*[(side, -side) if side else (0.0,) for side in corner])
            for turn in range(3)
        }
    )
)
ROUND = unit(_CORNERS)
"""Ways evenly all round, the same in a mirror: the corners of a dodecahedron and its dual."""


class _Tree(NamedTuple):
    """Faces of a surface in a space `SIZE` wide, and what finds them."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    boxes: igl.AABB


class _Met(NamedTuple):
    """What rays meet first.

    Parameters
    ----------
    face : ndarray, shape (r,), int
        Of those in the tree, -1 for a ray that meets nothing.
    share : ndarray, shape (r,)
        How many ways off, where it meets one.
    across : ndarray, shape (r,), bool
        Whether it meets the image of that face.
    """

    face: NDArray[np.intp]
    share: NDArray[np.float64]
    across: NDArray[np.bool_]


class Sight:
    """Rays against a surface; their tree is built once, when it is first asked.

    Of a body whose sides are each other's image the tree has the lower side alone, and what goes
    on across the middle goes on in the mirror.

    Parameters
    ----------
    surface : Surface
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self._low = surface.vertices.min(axis=0)
        self._scale = SIZE / surface.diagonal

    @cached_property
    def _even(self) -> Evenness | None:
        return foldable(self.surface)

    @cached_property
    def _kept(self) -> NDArray[np.bool_] | slice:
        """Which faces the tree has: all, or those that are on the lower side in part, (f,)."""
        if self._even is None:
            return slice(None)
        lower = np.zeros(len(self.surface), dtype=bool)
        lower[self._even.half] = True
        return np.asarray(lower[self.surface.faces].any(axis=1))

    @cached_property
    def _tree(self) -> _Tree:
        faces = self.surface.faces[self._kept].astype(np.int64)
        tree = _Tree(self._scaled(self.surface.vertices), faces, igl.AABB())
        tree.boxes.init(tree.vertices, tree.faces)
        return tree

    @cached_property
    def _normals(self) -> NDArray[np.float64]:
        """Outward normals of the faces in the tree, (m, 3)."""
        surface = self.surface
        turned = np.where(surface.inside_out[surface.components[surface.faces[:, 0]]], -1.0, 1.0)
        return (surface.face_normals * turned[:, None])[self._kept]

    def _planes(self, met: _Met) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """A corner and the outward normal of each face that was met, (r, 3)."""
        corner = self.surface.vertices[self._tree.faces[met.face, 0]]
        normal = self._normals[met.face]
        if self._even is None:
            return corner, normal
        return self._even.reflect(corner, met.across), self._even.turn(normal, met.across)

    def forget(self) -> None:
        """Let go of the tree, which takes some 300 bytes a vertex, until it is asked for again."""
        for each in ("_tree", "_kept", "_normals"):
            self.__dict__.pop(each, None)

    def _scaled(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.ascontiguousarray((points - self._low) * self._scale)

    def _folded(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether points are on the side that the tree has not, (p,)."""
        if self._even is None:
            return np.zeros(len(points), dtype=bool)
        return np.asarray(2 * points[:, self._even.axis] > self._even.twice)

    def _nearest(
        self, points: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.float64]]:
        """Squared distance to the nearest face, which it is, and where, in the tree's own space."""
        tree = self._tree
        if self._even is not None:
            # Of the nearest place and its image one is on the side that the point is on.
            points = self._even.reflect(points, self._folded(points))
        return tree.boxes.squared_distance(tree.vertices, tree.faces, self._scaled(points))

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
        square, face, place = self._nearest(points)
        corners = tree.faces[face]
        shares = igl.barycentric_coordinates(place, *(tree.vertices[each] for each in corners.T))
        normal = np.einsum("pc,pci->pi", shares, self.surface.outward(corners))
        normal = unit(normal)
        if self._even is not None:
            normal = self._even.turn(normal, self._folded(points))
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
        return self._first(origins, targets - origins, 1 - GRAZE).face < 0

    def _first(
        self, origins: NDArray[np.float64], ways: NDArray[np.float64], until: float = np.inf
    ) -> _Met:
        """The first face on each way, until so many ways off."""
        tree, even, across = self._tree, self._even, self._folded(origins)

        def cast(
            origins: NDArray[np.float64], ways: NDArray[np.float64]
        ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
            face, share, _ = tree.boxes.intersect_ray_first(
                tree.vertices,
                tree.faces,
                self._scaled(origins),
                np.ascontiguousarray(ways * self._scale),
                until,
            )
            return np.asarray(face, dtype=np.intp), share

        if even is None:
            return _Met(*cast(origins, ways), across)
        origins, ways = even.reflect(origins, across), even.turn(ways, across)
        face, share = cast(origins, ways)
        # What comes to the other side may meet the image of a face there, before or instead.
        room = even.twice / 2 - origins[:, even.axis]
        far = np.flatnonzero(ways[:, even.axis] > room / until)
        beyond, there = cast(even.reflect(origins[far]), even.turn(ways[far]))
        first = (beyond >= 0) & ((face[far] < 0) | (there < share[far]))
        face[far[first]], share[far[first]] = beyond[first], there[first]
        across[far[first]] ^= True
        return _Met(face, share, across)

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
        for _ in range(LAYERS):
            if not len(under_way):
                break
            start = origins[under_way] + gone[under_way, None] * ways[under_way]
            met = self._first(start, ways[under_way])
            some = met.face >= 0
            under_way = under_way[some]
            met = _Met(met.face[some], met.share[some], met.across[some])
            corner, normal = self._planes(met)
            lean = np.einsum("ij,ij->i", normal, ways[under_way])
            outward = lean > 0
            # To the plane of the face: what libigl says is rounded to float32.
            height = np.einsum("ij,ij->i", normal, corner - origins[under_way])
            found[under_way[outward]] = height[outward] / lean[outward]
            gone[under_way] += met.share * (1 + STEP) + STEP / self._scale
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
        met = self._first(np.repeat(points, len(ROUND), axis=0), ways)
        back = np.einsum("ij,ij->i", self._planes(met)[1], ways) > 0
        inside = ((met.face >= 0) & back).reshape(-1, len(ROUND)).mean(axis=1) > 0.5
        square, _, _ = self._nearest(points)
        return np.where(inside, -1.0, 1.0) * np.sqrt(square) / SIZE

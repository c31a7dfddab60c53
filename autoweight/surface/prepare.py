"""From the user's mesh to one that can be solved on, and the way back."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError
from autoweight.rig import Mesh
from autoweight.rows import entry_rows
from autoweight.vectors import diagonal

__all__ = ["Surface", "boxed", "packed", "prepare", "vertex_normals"]

FLAT = 1e-6
"""A piece with less volume than this, for its area, has no inside to be turned out."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A mesh with one vertex for each place and no face that would break a solver.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
        Every vertex belongs to a face.
    faces : ndarray, shape (m, 3), int32
        No two alike, none without area.
    weld : ndarray, shape (source,), int32
        The surface vertex that stands for each vertex of the user's mesh.
    part : ndarray, shape (n,), int32
        Which part of the user's mesh each vertex is of; of several, the first.
    parts : tuple of str
        Their names.
    repairs : tuple of str
        What was left out or joined, in words.
    loose : ndarray, shape (l,), int64
        Vertices of the user's mesh that no usable face has; the nearest that one has stands for
        them.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    weld: NDArray[np.int32]
    part: NDArray[np.int32]
    parts: tuple[str, ...]
    repairs: tuple[str, ...] = ()
    loose: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def __len__(self) -> int:
        return len(self.vertices)

    @cached_property
    def speakers(self) -> NDArray[np.int64]:
        """The first of the mesh's vertices that are in the place of each, (n,)."""
        there = np.delete(np.arange(len(self.weld)), self.loose)
        found = np.full(len(self), len(self.weld))
        np.minimum.at(found, self.weld[there], there)
        return found

    @cached_property
    def mean(self) -> sparse.csr_array:
        """Averages what the mesh's vertices have in each place, rows sum to 1, (n, source)."""
        there = np.delete(np.arange(len(self.weld)), self.loose)
        place = self.weld[there]
        share = 1 / np.bincount(place, minlength=len(self))
        return sparse.csr_array((share[place], (place, there)), shape=(len(self), len(self.weld)))

    @cached_property
    def diagonal(self) -> float:
        """Of the bounding box, in scene units."""
        return diagonal(self.vertices)

    @cached_property
    def edges(self) -> NDArray[np.int32]:
        """Each undirected edge once, (e, 2), lower vertex first, sorted."""
        first, second = self.faces.ravel(), self.faces[:, [1, 2, 0]].ravel()
        ends = np.minimum(first, second), np.maximum(first, second)
        # Rows of a sparse matrix are sorted by counting, which nothing that compares keeps up with.
        found = sparse.coo_array((np.ones(len(first), np.int8), ends), shape=(len(self),) * 2)
        rows = found.tocsr()
        rows.sum_duplicates()
        return np.column_stack([entry_rows(rows), rows.indices]).astype(np.int32, copy=False)

    @cached_property
    def adjacency(self) -> sparse.csr_array:
        """Edge lengths between neighbours, symmetric, (n, n)."""
        first, second = self.edges.T
        length = np.linalg.norm(self.vertices[first] - self.vertices[second], axis=1)
        begin = np.searchsorted(first, np.arange(len(self) + 1, dtype=np.int32))
        half = sparse.csr_array(
            (length, second, begin.astype(np.int32)), shape=(len(self), len(self))
        )
        whole = half + half.T.tocsr()
        whole.data.setflags(write=False)  # kept for whoever asks next
        return whole

    @cached_property
    def spacing(self) -> float:
        """Median length of an edge, in scene units."""
        return float(np.median(self.adjacency.data))

    @property
    def spacings(self) -> NDArray[np.float64]:
        """Mean length of the edges at each vertex, (n,), in scene units."""
        return self.adjacency.sum(axis=1) / np.diff(self.adjacency.indptr)

    @cached_property
    def components(self) -> NDArray[np.int32]:
        """Number of the connected piece each vertex belongs to, (n,), numbered from 0."""
        return connected_components(self.adjacency, directed=False)[1].astype(np.int32)

    @cached_property
    def face_areas(self) -> NDArray[np.float64]:
        """Area of each face, (m,)."""
        return igl.doublearea(self.vertices, self.faces) / 2

    @property
    def face_normals(self) -> NDArray[np.float64]:
        """Unit normal of each face, by the order of its corners, (m, 3).

        Worked out whenever asked: few ask, and kept they would take more room than the vertices.
        """
        return igl.per_face_normals(self.vertices, self.faces, np.zeros(3))

    @cached_property
    def areas(self) -> NDArray[np.float64]:
        """A third of the area of the faces round each vertex, (n,)."""
        each = np.repeat(self.face_areas / 3, 3)
        return np.bincount(self.faces.ravel(), each, minlength=len(self)).astype(np.float64)

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """Area-weighted unit normal of each vertex, (n, 3)."""
        return vertex_normals(self.vertices, self.faces)

    @cached_property
    def inside_out(self) -> NDArray[np.bool_]:
        """Whether the faces of each piece face inward (some formats wind them the other way)."""
        area = np.bincount(self.components, self.areas)
        middle = np.column_stack(
            [np.bincount(self.components, self.areas * axis) / area for axis in self.vertices.T]
        )
        piece = self.components[self.faces[:, 0]]
        # Six times the volume of the tetrahedra that the faces span with the middle.
        height = np.einsum(
            "ij,ij->i", self.vertices[self.faces[:, 0]] - middle[piece], self.face_normals
        )
        volume = np.bincount(piece, 2 * height * self.face_areas, minlength=len(area))
        return np.asarray(volume < -FLAT * area**1.5)

    def holds(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether the surface winds more than half round points, (p, 3), holes and overlaps or not.

        Jacobson, Kavan & Sorkine-Hornung, "Robust inside-outside segmentation using generalized
        winding numbers", TOG 32(4), 2013.
        """
        faces = self.faces.astype(np.int64)
        return np.abs(igl.fast_winding_number(self.vertices, faces, points)) > 0.5

    def outward(self, some: NDArray[np.integer] | slice) -> NDArray[np.float64]:
        """Normals of some vertices, turned where a piece is inside out, (..., 3)."""
        turned = np.where(self.inside_out, -1.0, 1.0)[self.components[some]]
        return self.normals[some] * turned[..., None]


def prepare(mesh: Mesh, *, tolerance: float = 1e-6) -> Surface:
    """Weld a mesh by position and drop the faces a solver cannot use.

    Parameters
    ----------
    mesh : Mesh
    tolerance : float
        Vertices nearer than this many bounding-box diagonals are one, and so are vertices that a
        chain of such connects; those three times as far are not. At least 1e-6.

    Returns
    -------
    Surface
        A vertex of the mesh that no usable face touches is welded to the nearest one that is.

    Raises
    ------
    GeometryError
        No face has any area.
    """
    drawn = np.zeros(len(mesh.vertices), dtype=bool)
    drawn[mesh.faces] = True  # a stray vertex far away must not set the scale
    near = tolerance * diagonal(mesh.vertices[drawn])
    if near == 0:
        raise GeometryError("all vertices are in one place; the mesh has no surface to weight")
    weld = np.zeros(len(drawn), dtype=np.int32)
    places, weld[drawn] = _weld(mesh.vertices[drawn], near)

    faces = weld[mesh.faces]
    a, b, c = faces.T
    usable = (igl.doublearea(places, faces) > near**2) & (a != b) & (b != c) & (c != a)
    if not usable.any():
        raise GeometryError("no face of the mesh has any area; check its scale and its triangles")
    fresh = _first_of_equals(np.sort(faces[usable], axis=1))
    faces = faces[usable][fresh]

    used = np.zeros(len(places), dtype=bool)
    used[faces] = True
    vertices = places[used]
    number = (np.cumsum(used) - 1).astype(np.int32)
    lost = ~(drawn & used[weld])
    weld = number[weld]
    if lost.any():
        weld[lost] = cKDTree(vertices).query(mesh.vertices[lost])[1]
    counts = {
        "welded {} vertices by position": int(drawn.sum()) - len(places),
        "left out {} faces without area": int((~usable).sum()),
        "left out {} faces that were there twice": len(fresh) - int(fresh.sum()),
        "gave {} vertices without a face their nearest one's": int(lost.sum()),
    }
    repairs = tuple(text.format(count) for text, count in counts.items() if count)
    part = np.full(len(vertices), len(mesh.parts), dtype=np.int32)
    for index, each in enumerate(mesh.parts):
        own = weld[each.vertices][~lost[each.vertices]]
        part[own] = np.minimum(part[own], index)
    names = tuple(each.name for each in mesh.parts)
    return Surface(vertices, number[faces], weld, part, names, repairs, np.flatnonzero(lost))


def _weld(
    points: NDArray[np.float64], near: float
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Make points nearer than `near` one; the places, and the place of each point.

    Places are numbered as they first appear, so that points without twins keep their order.
    """
    # First by cells half as wide, which holds however many points there are in one place. They
    # miss pairs across a border, so then by distance; a cell is not wider than its diagonal.
    cell = np.floor((points - points.min(axis=0)) / (near / 2)).astype(np.int64)
    _, first, weld = np.unique(packed(cell), return_index=True, return_inverse=True)
    apart = _candidates(cell[first])
    pairs = cKDTree(points[first[apart]]).query_pairs(
        near * (1 + np.sqrt(3)), output_type="ndarray"
    )
    if len(pairs):
        ends = apart[pairs]
        links = sparse.coo_array((np.ones(len(ends)), ends.T), shape=(len(first), len(first)))
        weld = connected_components(links, directed=False)[1][weld]
        first = np.full(weld.max() + 1, len(points))
        np.minimum.at(first, weld, np.arange(len(points)))
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return points[first[order]], rank.astype(np.int32)[weld]


def _candidates(cell: NDArray[np.int64]) -> NDArray[np.intp]:
    """Cells (n, 3), all different, that may have another within six of them.

    They share a block of 512³ cells, or lie near its border; a tree of these is far smaller.
    """
    edge = cell & 511
    maybe = np.any((edge < 7) | (edge > 504), axis=1)
    block = packed(cell >> 9)
    order = np.argsort(block)
    same = block[order[1:]] == block[order[:-1]]
    maybe[order[1:][same]] = True
    maybe[order[:-1][same]] = True
    return np.flatnonzero(maybe)


def packed(cell: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number for each cell (n, 3) of a grid at most 2²¹ wide."""
    return (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]


def _first_of_equals(rows: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Whether each row (m, 3) is the first of those equal to it."""
    # Unequal numbers prove rows unequal; only rows whose numbers agree are looked at whole.
    mixed = rows.astype(np.uint64) @ np.array(
        [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64
    )
    alike = np.sort(mixed)
    if not (alike[1:] == alike[:-1]).any():
        return np.ones(len(rows), dtype=bool)
    order = np.argsort(mixed)
    same = mixed[order[1:]] == mixed[order[:-1]]
    suspects = np.sort(order[np.concatenate([same, [False]]) | np.concatenate([[False], same])])
    fresh = np.ones(len(rows), dtype=bool)
    fresh[suspects] = False
    fresh[suspects[np.unique(rows[suspects], axis=0, return_index=True)[1]]] = True
    return fresh


def vertex_normals(
    vertices: NDArray[np.float64], faces: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Area-weighted unit normal of each vertex, (n, 3); 0 where there is none."""
    found = igl.per_vertex_normals(vertices, faces)
    return np.where(np.isfinite(found), found, 0.0)


def boxed(
    points: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    margin: float | NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Whether points are within a margin of a box, (n,), or of several that broadcast, (..., n)."""
    return np.asarray(((points >= low - margin) & (points <= high + margin)).all(axis=-1))

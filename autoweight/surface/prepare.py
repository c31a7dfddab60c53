"""From the user's mesh to one that can be solved on, and the way back."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError
from autoweight.rig import Mesh

__all__ = ["Surface", "prepare"]


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
    repairs : tuple of str
        What was left out or joined, in words.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    weld: NDArray[np.int32]
    repairs: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.vertices)

    @cached_property
    def edges(self) -> NDArray[np.int32]:
        """Each undirected edge once, (e, 2), lower vertex first, sorted."""
        import igl

        return igl.edges(self.faces).astype(np.int32)

    @cached_property
    def adjacency(self) -> sparse.csr_array:
        """Edge lengths between neighbours, symmetric, (n, n)."""
        first, second = self.edges.T
        length = np.linalg.norm(self.vertices[first] - self.vertices[second], axis=1)
        half = sparse.coo_array((length, (first, second)), shape=(len(self), len(self)))
        return sparse.csr_array(half + half.T)

    @cached_property
    def components(self) -> NDArray[np.int32]:
        """Number of the connected piece each vertex belongs to, (n,), numbered from 0."""
        return connected_components(self.adjacency, directed=False)[1].astype(np.int32)

    @cached_property
    def face_areas(self) -> NDArray[np.float64]:
        """Area of each face, (m,)."""
        import igl

        return igl.doublearea(self.vertices, self.faces) / 2

    @cached_property
    def face_normals(self) -> NDArray[np.float64]:
        """Unit normal of each face, by the order of its corners, (m, 3)."""
        first, second, third = self.vertices[self.faces].transpose(1, 0, 2)
        normal = np.cross(second - first, third - first)
        return normal / np.linalg.norm(normal, axis=1, keepdims=True)

    @cached_property
    def areas(self) -> NDArray[np.float64]:
        """A third of the area of the faces round each vertex, (n,)."""
        return np.bincount(
            self.faces.ravel(), np.repeat(self.face_areas / 3, 3), minlength=len(self)
        )

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """Area-weighted unit normal of each vertex, (n, 3)."""
        import igl

        found = igl.per_vertex_normals(self.vertices, self.faces)
        return np.where(np.isfinite(found), found, 0.0)


def prepare(mesh: Mesh, *, tolerance: float = 1e-6) -> Surface:
    """Weld a mesh by position and drop the faces a solver cannot use.

    Parameters
    ----------
    mesh : Mesh
    tolerance : float
        Vertices nearer than this many bounding-box diagonals are one.

    Returns
    -------
    Surface
        A vertex of the mesh that no usable face touches is welded to the nearest one that is.

    Raises
    ------
    GeometryError
        No face has any area.
    """
    cell = tolerance * mesh.diagonal
    if cell == 0:
        raise GeometryError("all vertices are in one place; the mesh has no surface to weight")
    _, first, weld = np.unique(
        np.round((mesh.vertices - mesh.vertices.min(axis=0)) / cell).astype(np.int64),
        axis=0,
        return_index=True,
        return_inverse=True,
    )
    # Numbered as they first appear, so that a mesh without seams keeps its own order.
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    vertices, weld = mesh.vertices[first[order]], rank[weld.ravel()]

    faces = weld[mesh.faces]
    distinct = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    corners = vertices[faces]
    double_area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    usable = distinct & (double_area > (tolerance * mesh.diagonal) ** 2)
    _, kept = np.unique(np.sort(faces[usable], axis=1), axis=0, return_index=True)
    repeated = int(usable.sum()) - len(kept)
    faces = faces[usable][np.sort(kept)]
    if len(faces) == 0:
        raise GeometryError("no face of the mesh has any area; check its scale and its triangles")

    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    stand_in = np.cumsum(used) - 1
    if not used.all():
        stand_in[~used] = cKDTree(vertices[used]).query(vertices[~used])[1]
    repairs = []
    if len(vertices) < len(mesh.vertices):
        repairs.append(f"welded {len(mesh.vertices) - len(vertices)} vertices by position")
    if not usable.all():
        repairs.append(f"left out {int((~usable).sum())} faces without area")
    if repeated:
        repairs.append(f"left out {repeated} faces that were there twice")
    if not used.all():
        repairs.append(f"gave {int((~used).sum())} vertices without a face their nearest one's")
    return Surface(
        vertices[used],
        stand_in[faces].astype(np.int32),
        stand_in[weld].astype(np.int32),
        tuple(repairs),
    )

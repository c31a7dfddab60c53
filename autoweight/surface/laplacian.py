"""The Laplacian of a surface, safe on any mesh."""

from __future__ import annotations

from typing import NamedTuple

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.machine.abreast import Ahead, hands
from autoweight.rows import narrow
from autoweight.surface.evenness import SAME, Evenness, evenness, unchanged
from autoweight.surface.prepare import Surface

__all__ = ["Measured", "laplacian", "measure", "measured"]

RINGS, FEW = 2, 0.2
"""Rings of faces round edges to flip that are looked at alone, unless they are so many of all."""

ROUNDING = 1e-12
"""Cotangents nearer to 0 than this may be of either sign, as where four points are on a circle."""

MANY = 1 << 19
"""Faces whose cotangents are added up at once."""

THIN = 1e-4
"""With thinner triangles libigl's edge flips may never end; robust-laplacian, seven times as slow,
mends them first."""


class Measured(NamedTuple):
    """What of a surface heat depends on.

    Parameters
    ----------
    laplacian : csr_array, shape (n, n)
    mass : ndarray, shape (n,)
        See `laplacian`.
    even : Evenness or None
        By which both are the same on both sides, where the vertices are.
    """

    laplacian: sparse.csr_array
    mass: NDArray[np.float64]
    even: Evenness | None


def measure(surface: Surface) -> Measured:
    """Laplacian and mass of a surface, the same on both sides where its vertices are."""
    found, mass = laplacian(surface.vertices, surface.faces)
    even = evenness(surface)
    if even is not None:
        # Areas tell faces apart that cotangents do not, as those of right angles are 0.
        alike = (np.abs(mass - mass[even.image]) <= SAME * mass).all()
        if not (alike and unchanged(found, even.image)):
            # Quads cut along other diagonals left than right: half of each, on both sides.
            found = narrow(sparse.csr_array((found + found[even.image][:, even.image]) / 2))
            found.sort_indices()
            mass = (mass + mass[even.image]) / 2
    return Measured(found, mass, even)


def measured(surface: Surface) -> Ahead[Measured]:
    """`measure`, which on a large surface another processor may begin with."""
    return Ahead(lambda: measure(surface), hands(len(surface)), surface)


def laplacian(
    vertices: NDArray[np.float64], faces: NDArray[np.int32]
) -> tuple[sparse.csr_array, NDArray[np.float64]]:
    """Laplacian and lumped mass of triangles, which may be open, non-manifold or badly shaped.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
        Each in a face.
    faces : ndarray, shape (m, 3), int32

    Returns
    -------
    laplacian : csr_array, shape (n, n)
        Symmetric, positive semidefinite, rows sum to 0, off the diagonal not positive: a field
        that it holds in equilibrium nowhere exceeds what it is held to.
    mass : ndarray, shape (n,)
        In (scene units)².

    Raises
    ------
    GeometryError
        The result is not finite.

    References
    ----------
    Sharp & Crane, "A Laplacian for nonmanifold triangle meshes", SGP 2020; where there is nothing
    for it to mend, the same from the intrinsic Delaunay triangulation of Fisher et al.,
    Computing 81, 2007.
    """
    if _is_closed(faces, len(vertices)) and _thinnest(vertices, faces) > THIN:
        found = -_delaunay(vertices, faces.astype(np.int64))
        area = np.repeat(igl.doublearea(vertices, faces) / 6, 3)
        mass = np.bincount(faces.ravel(), area, minlength=len(vertices)).astype(np.float64)
    else:
        import robust_laplacian

        found, lumped = robust_laplacian.mesh_laplacian(vertices, faces)
        mass = lumped.diagonal()
    matrix = narrow(sparse.csr_array(found))
    if not (np.isfinite(matrix.data).all() and np.isfinite(mass).all()):
        raise GeometryError(
            "the triangles are too thin to measure; merge vertices that nearly coincide"
        )
    return matrix, mass


def _delaunay(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> sparse.csc_array:
    """Cotangents of the intrinsic Delaunay triangulation of a closed surface, positive between.

    Most meshes have few edges to flip, and a flip concerns what is near: the faces round them are
    taken out and put back flipped. Where that does not do, all are looked at.
    """
    found = _cotangents(vertices, faces)
    bad = _negative(found)
    if not bad.any():
        return found
    for _ in range(RINGS):
        near = bad[faces].any(axis=1)
        bad[faces[near]] = True
    if near.mean() < FEW:
        used, some = np.unique(faces[near], return_inverse=True)
        part, some = vertices[used], some.reshape(-1, 3)
        change = sparse.coo_array(
            igl.intrinsic_delaunay_cotmatrix(part, some)[0] - igl.cotmatrix(part, some)
        )
        change.eliminate_zeros()
        ends = used[change.row], used[change.col]
        found = found + sparse.csc_array((change.data, ends), shape=found.shape)
        if not _negative(found).any():
            return found
    return sparse.csc_array(igl.intrinsic_delaunay_cotmatrix(vertices, faces)[0])


def _cotangents(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> sparse.csc_array:
    """Of the triangles as they are; libigl takes 300 bytes a face while it adds them up."""
    found = sparse.csc_array(igl.cotmatrix(vertices, faces[:MANY]))
    for start in range(MANY, len(faces), MANY):
        found = found + sparse.csc_array(igl.cotmatrix(vertices, faces[start : start + MANY]))
    return found


def _negative(cotangents: sparse.csc_array) -> NDArray[np.bool_]:
    """Vertices at an edge that is not Delaunay."""
    column = np.repeat(np.arange(cotangents.shape[0]), np.diff(cotangents.indptr))
    below = (cotangents.data < -ROUNDING) & (cotangents.indices != column)
    found = np.zeros(cotangents.shape[0], dtype=bool)
    found[column[below]] = True  # the matrix is symmetric
    return found


def _is_closed(faces: NDArray[np.int32], count: int) -> bool:
    """Whether each edge has two faces, which go along it in opposite ways."""
    ends = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    forth = sparse.csr_array((np.ones(faces.size, dtype=np.int32), ends), shape=(count, count))
    back = forth.T.tocsr()
    return bool(
        forth.data.max() == 1
        and np.array_equal(forth.indptr, back.indptr)
        and np.array_equal(forth.indices, back.indices)
    )


def _thinnest(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> float:
    """The least height over its longest edge that a triangle has."""
    longest = igl.edge_lengths(vertices, faces).max(axis=1)
    return float((igl.doublearea(vertices, faces) / longest**2).min())

"""The Laplacian of a surface, safe on any mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError

__all__ = ["laplacian"]


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
    Sharp & Crane, "A Laplacian for nonmanifold triangle meshes", SGP 2020.
    """
    import robust_laplacian

    found, mass = robust_laplacian.mesh_laplacian(vertices, faces)
    matrix, mass = sparse.csr_array(found), mass.diagonal()
    if not (np.isfinite(matrix.data).all() and np.isfinite(mass).all()):
        raise GeometryError(
            "the triangles are too thin to measure; merge vertices that nearly coincide"
        )
    return matrix, mass

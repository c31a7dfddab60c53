"""Heat equilibrium on a surface: each vertex is pulled toward its sources and its neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from autoweight.methods import Progress, silent
from autoweight.surface import Surface

__all__ = ["equilibrium"]

NEGLIGIBLE = 1e-7


def equilibrium(
    surface: Surface,
    sources: sparse.csr_array,
    pull: NDArray[np.float64],
    *,
    progress: Progress = silent,
) -> sparse.csr_array:
    """Solve (L + M H) W = M H P.

    Parameters
    ----------
    surface : Surface
        L is its intrinsic Delaunay Laplacian, M its lumped mass.
    sources : csr_array, shape (n, j)
        P, the shares of the joints each vertex is pulled toward; a row sums to 1 or is empty.
    pull : ndarray, shape (n,)
        The diagonal of H in 1 / (scene units)²: how strongly, 0 where the row of P is empty.
        Every connected piece needs a vertex with pull, or its temperature is undetermined.
    progress : callable, optional

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1.

    References
    ----------
    Baran & Popović, "Automatic rigging and animation of 3D characters", TOG 26(3), 2007,
    section 4. Sharp & Crane, "A Laplacian for nonmanifold triangle meshes", SGP 2020.
    """
    import robust_laplacian

    laplacian, mass = robust_laplacian.mesh_laplacian(surface.vertices, surface.faces)
    heated = mass.diagonal() * pull
    factor = splu(
        sparse.csc_matrix(laplacian + sparse.diags_array(heated)),
        permc_spec="MMD_AT_PLUS_A",
        options={"SymmetricMode": True},
    )
    flow = (sparse.diags_array(heated) @ sources).tocsc()
    columns = []
    for joint in range(sources.shape[1]):
        progress("heat", joint / sources.shape[1])
        column = factor.solve(flow[:, [joint]].toarray().ravel())
        column[column < NEGLIGIBLE] = 0.0
        columns.append(sparse.csc_array(column[:, None]))
    found = sparse.csr_array(sparse.hstack(columns))
    return sparse.diags_array(1 / found.sum(axis=1), format="csr") @ found

"""Heat equilibrium on a surface: each vertex is pulled toward its sources and its neighbours."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.methods import Progress, silent
from autoweight.rows import scaled
from autoweight.surface import Surface
from autoweight.surface.laplacian import laplacian

__all__ = ["equilibrium"]

NEGLIGIBLE = 1e-5
"""Smaller weights are not kept: a hundredth of what tidying prunes."""

BLOCK = 4
"""Joints solved for at once; the solver is quickest while its columns stay in the cache."""


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
    progress : callable, optional

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1; weights below 1e-5 are left out.

    Raises
    ------
    GeometryError
        A connected piece that nothing pulls, whose temperature is undetermined; or a result that
        is not finite.

    References
    ----------
    Baran & Popović, "Automatic rigging and animation of 3D characters", TOG 26(3), 2007,
    section 4. Sharp & Crane, "A Laplacian for nonmanifold triangle meshes", SGP 2020.
    """
    stiffness, mass = laplacian(surface.vertices, surface.faces)
    heated = mass * pull
    cold = np.bincount(surface.components, heated) <= 0
    if cold.any():
        where = int(np.flatnonzero(cold[surface.components])[0])
        raise GeometryError(
            f"{int(cold.sum())} pieces of the surface have no source of weight, one of them at "
            f"{surface.vertices[where]}; give them a joint"
        )
    plan = igl.min_quad_with_fixed_data()
    igl.min_quad_with_fixed_precompute(
        sparse.csc_matrix(stiffness + sparse.diags_array(heated)),
        np.zeros(0, dtype=np.int64),
        sparse.csc_matrix((0, len(surface))),
        True,
        plan,
    )
    flow = sparse.csc_array(sparse.diags_array(-heated) @ sources)
    warm = np.flatnonzero(np.diff(flow.indptr))
    found = []
    for start in range(0, len(warm), BLOCK):
        progress("heat", start / len(warm))
        joints = warm[start : start + BLOCK]
        free = np.zeros((0, len(joints)))
        block = igl.min_quad_with_fixed_solve(plan, flow[:, joints].toarray(order="C"), free, free)
        if not np.isfinite(block).all():
            raise GeometryError("the heat on this surface is not finite; check its triangles")
        kept = block > NEGLIGIBLE
        vertex, column = np.nonzero(kept)
        found.append((block[kept], vertex, joints[column]))
    weight, vertex, joint = (np.concatenate(each) for each in zip(*found, strict=True))
    return scaled(sparse.csr_array((weight, (vertex, joint)), shape=sources.shape))

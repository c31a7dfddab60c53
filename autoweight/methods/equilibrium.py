"""Heat equilibrium on a surface: each vertex is pulled toward its sources and its neighbours."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.methods import Progress, silent
from autoweight.rows import scaled
from autoweight.surface import Surface
from autoweight.surface.evenness import SAME
from autoweight.surface.halves import solve_halves
from autoweight.surface.laplacian import Measured, measure
from autoweight.surface.solver import solve_columns

__all__ = ["equilibrium"]

NEGLIGIBLE = 1e-5
"""Smaller weights are not kept: a hundredth of what tidying prunes."""


def equilibrium(
    surface: Surface,
    sources: sparse.csr_array,
    pull: NDArray[np.float64],
    *,
    measured: Measured | None = None,
    progress: Progress = silent,
) -> sparse.csr_array:
    """Solve (L + M H) W = M H P.

    Parameters
    ----------
    surface : Surface
        L is its intrinsic Delaunay Laplacian, M its lumped mass, as `measure` has them.
    sources : csr_array, shape (n, j)
        P, the shares of the joints each vertex is pulled toward; a row sums to 1 or is empty.
    pull : ndarray, shape (n,)
        The diagonal of H in 1 / (scene units)²: how strongly, 0 where the row of P is empty.
    measured : Measured, optional
        ``measure(surface)``, where it is there already; L is written over.
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
    stiffness, mass, even = measured or measure(surface)
    heated = mass * pull
    cold = np.bincount(surface.components, heated) <= 0
    if cold.any():
        where = int(np.flatnonzero(cold[surface.components])[0])
        raise GeometryError(
            f"{int(cold.sum())} pieces of the surface have no source of weight, one of them at "
            f"{surface.vertices[where]}; give them a joint"
        )
    stiffness.setdiag(stiffness.diagonal() + heated)
    heat = sparse.csr_array(sparse.diags_array(heated) @ sources)
    if even is not None and (np.abs(heated - heated[even.image]) <= SAME * heated).all():
        found = solve_halves(stiffness, heat, even.image, NEGLIGIBLE, partial(progress, "heat"))
    else:
        found = solve_columns(stiffness, heat, NEGLIGIBLE, partial(progress, "heat"))
    return scaled(found)

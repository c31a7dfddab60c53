"""Values over the unknown part of a surface that continue the known part smoothly."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.surface.laplacian import laplacian
from autoweight.surface.prepare import Surface

__all__ = ["Filling", "inpaint"]

BLOCK = 6
"""Right-hand sides solved at a time; more cost memory and are not faster."""

FLOOR = 1e-4
"""Values nearer to 0 are not stored."""


def inpaint(
    surface: Surface,
    known: NDArray[np.bool_],
    values: sparse.csr_array,
    *,
    span: float | NDArray[np.float64],
    fade: bool = False,
) -> sparse.csr_array:
    """Fill in values by minimising Wᵀ(−L + s² L M⁻¹ L)W.

    L is the Laplacian (negative semidefinite), M the mass matrix and s the span: the first term
    keeps the fill from swinging, the second carries slopes on across the rim, as far as about s.
    When the fill is to fade, (M/s² − L) M⁻¹ (M/s² − L) takes their place.

    Parameters
    ----------
    surface : Surface
    known : ndarray, shape (n,), bool
        Vertices whose values are kept.
    values : csr_array, shape (n, j)
        Rows of unknown vertices are not read.
    span : float or ndarray, shape (n,)
        How far slopes carry, in scene units; everywhere alike, or at each vertex.
    fade : bool
        Let the fill go to 0 over the span.

    Returns
    -------
    csr_array, shape (n, j)
        `values` with the unknown rows filled. Rows of pieces without a known vertex are empty.

    Raises
    ------
    GeometryError
        The system has no finite solution.

    References
    ----------
    Abdrashitov, Raichstat, Monsen & Hill, "Robust Skin Weights Transfer via Weight Inpainting",
    SIGGRAPH Asia 2023 technical communications, equation 3.
    """
    return Filling(surface, known, span=span, fade=fade)(values)


class Filling:
    """What `inpaint` does for one unknown part, ready for any values round it.

    Parameters
    ----------
    surface, known, span, fade :
        As for `inpaint`.
    """

    def __init__(
        self,
        surface: Surface,
        known: NDArray[np.bool_],
        *,
        span: float | NDArray[np.float64],
        fade: bool = False,
    ) -> None:
        reached = np.zeros(surface.components.max() + 1, dtype=bool)
        reached[surface.components[known]] = True
        unknown = ~known & reached[surface.components]
        self._known = known
        self._inside: NDArray[np.integer] = np.empty(0, dtype=np.int64)
        self._held = self._free = self._inside
        self._plan = igl.min_quad_with_fixed_data()
        if not unknown.any():
            return

        # Only the unknown vertices and two rings round them enter the energy.
        ring = _grown(surface, unknown)
        faces = np.flatnonzero(ring[surface.faces].any(axis=1))
        self._inside = inside = np.unique(surface.faces[faces])
        local = np.zeros(len(surface), dtype=np.int32)
        local[inside] = np.arange(len(inside))
        stiffness, mass = laplacian(surface.vertices[inside], local[surface.faces[faces]])
        inverse = sparse.diags_array(1 / np.maximum(mass, 1e-12 * mass.mean()))
        squared = np.broadcast_to(span, len(surface))[inside] ** 2
        if fade:
            stiffness = stiffness + sparse.diags_array(mass / squared)
            energy = stiffness @ inverse @ stiffness
        else:
            energy = stiffness + stiffness @ sparse.diags_array(squared) @ inverse @ stiffness
        self._held = np.flatnonzero(~unknown[inside]).astype(np.int64)
        self._free = np.flatnonzero(unknown[inside])
        igl.min_quad_with_fixed_precompute(
            sparse.csc_matrix(energy), self._held, sparse.csc_matrix((0, 0)), True, self._plan
        )

    def __call__(self, values: sparse.csr_array) -> sparse.csr_array:
        """Fill the unknown rows.

        Parameters
        ----------
        values : csr_array, shape (n, j)

        Returns
        -------
        csr_array, shape (n, j)
            See `inpaint`.

        Raises
        ------
        GeometryError
            The energy has no finite minimum.
        """
        kept = sparse.diags_array(self._known.astype(float)) @ values
        if len(self._free) == 0:
            return sparse.csr_array(kept)
        given = sparse.csc_array(kept[self._inside[self._held]])
        joints = np.flatnonzero(np.diff(given.indptr))
        filled = sparse.csr_array(values.shape, dtype=np.float64)
        for start in range(0, len(joints), BLOCK):
            columns = joints[start : start + BLOCK]
            solved = igl.min_quad_with_fixed_solve(
                self._plan,
                np.zeros((len(self._inside), len(columns))),
                given[:, columns].toarray(),
                np.zeros((0, len(columns))),
            )[self._free]
            if not np.isfinite(solved).all():
                raise GeometryError(
                    f"the fill of {len(self._free)} vertices has no finite solution; "
                    "check the mesh for slivers"
                )
            solved[np.abs(solved) < FLOOR] = 0
            row, column = np.nonzero(solved)
            filled += sparse.csr_array(
                (solved[row, column], (self._inside[self._free[row]], columns[column])),
                shape=values.shape,
            )
        return sparse.csr_array(kept + filled)


def _grown(surface: Surface, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The chosen vertices and all their neighbours."""
    grown = chosen.copy()
    grown[surface.faces[chosen[surface.faces].any(axis=1)]] = True
    return grown

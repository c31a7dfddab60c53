"""Weight that looks stray only because the mesh is open on the way to where it belongs."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from autoweight.rig import Skeleton
from autoweight.rows import entry_rows, selected
from autoweight.surface import Surface
from autoweight.surface.gaps import joined
from autoweight.weights.strays import unwanted

__all__ = ["cut_off"]


def cut_off(
    weights: sparse.csr_array,
    surface: Surface,
    skeleton: Skeleton,
    excess: sparse.csr_array,
    least: float,
) -> list[tuple[str, sparse.csr_array]]:
    """Part stray weight by what would make it none: nothing is wrong with weights that fit.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    surface : Surface
    skeleton : Skeleton
    excess : csr_array, shape (n, j)
        ``unwanted(weights, surface, skeleton, least)``.
    least : float

    Returns
    -------
    list of (str, csr_array)
        What of the mesh is not joined, and the stray weight that would not be if it were. Last
        comes, with an empty reason, what is stray on any mesh.
    """
    found: list[tuple[str, sparse.csr_array]] = []
    if excess.nnz:
        asked = np.zeros(weights.shape[1], dtype=bool)
        asked[excess.indices] = True
        for reason, whole in joined(surface):
            still = unwanted(weights, whole, skeleton, least, asked)
            there = still[entry_rows(excess), excess.indices] > 0
            found.append((reason, selected(excess, ~there)))
            excess = selected(excess, there)
            if excess.nnz == 0:
                break
    return [*((reason, part) for reason, part in found if part.nnz), ("", excess)]

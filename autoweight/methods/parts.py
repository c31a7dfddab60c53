"""Detached parts that belong to one joint: an eye, a button, a plate of armour."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from autoweight.surface import Surface

__all__ = ["rigid_parts"]

OWN = 0.7
"""Share of a part that one joint must hold."""

SMALL = 0.3
"""Share of the whole area above which a part is not an accessory but a body."""


def rigid_parts(surface: Surface, weights: sparse.csr_array) -> sparse.csr_array:
    """Give a part wholly to the joint that holds most of it, where that is clear.

    Parameters
    ----------
    surface : Surface
    weights : csr_array, shape (n, j)

    Returns
    -------
    csr_array, shape (n, j)
    """
    piece = surface.components
    count = len(surface)
    area = np.bincount(piece, surface.areas)
    gather = sparse.csr_array((surface.areas, (piece, np.arange(count))), shape=(len(area), count))
    held = (gather @ weights).toarray() / area[:, None]
    rigid = (held.max(axis=1) > OWN) & (area < SMALL * area.sum())
    if not rigid.any():
        return weights
    owner = np.where(rigid, held.argmax(axis=1), 0)[piece]
    whole = rigid[piece]
    stiff = sparse.csr_array((whole.astype(float), (np.arange(count), owner)), shape=weights.shape)
    loose = sparse.diags_array((~whole).astype(float), format="csr") @ weights
    found = sparse.csr_array(loose + stiff)
    found.eliminate_zeros()
    return found

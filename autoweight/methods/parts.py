"""Detached parts that belong to one joint: an eye, a button, a plate of armour."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.rig import Skeleton
from autoweight.surface import Surface

__all__ = ["rigid_parts"]

OWN = 0.7
"""Share of a part that one joint must hold."""

SMALL = 0.3
"""Share of the whole area above which a part is not an accessory but a body."""

MIDDLE = 0.15
"""A joint without children, nearer to a part's middle than this share of its radius and with no
other joint within the radius, is there to turn it, as an eye is turned."""


def rigid_parts(
    surface: Surface,
    weights: sparse.csr_array,
    skeleton: Skeleton,
    active: NDArray[np.bool_],
) -> sparse.csr_array:
    """Give a part wholly to one joint, where it is clear which.

    Parameters
    ----------
    surface : Surface
    weights : csr_array, shape (n, j)
    skeleton : Skeleton
    active : ndarray, shape (j,), bool
        The joints that may have weight.

    Returns
    -------
    csr_array, shape (n, j)
        A part is the joint's that is alone in its middle, or else that holds most of it.
    """
    piece, count = surface.components, len(surface)
    area = np.bincount(piece, surface.areas)
    gather = sparse.csr_array((surface.areas, (piece, np.arange(count))), shape=(len(area), count))
    held = (gather @ weights).toarray() / area[:, None]
    owner = held.argmax(axis=1)
    rigid = held.max(axis=1) > OWN

    joints = np.flatnonzero(active)
    if len(joints) > 1:
        middle = (gather @ surface.vertices) / area[:, None]
        spread = np.einsum("ij,ij->i", *(2 * [surface.vertices - middle[piece]]))
        radius = np.sqrt((gather @ spread) / area)
        near, which = cKDTree(skeleton.positions[joints]).query(middle, k=2)
        first = joints[which[:, 0]]
        leaf = ~np.isin(first, skeleton.parents)
        turned = leaf & (near[:, 0] < MIDDLE * radius) & (near[:, 1] > radius)
        owner = np.where(turned, first, owner)
        rigid |= turned

    rigid &= area < SMALL * area.sum()
    if not rigid.any():
        return weights
    whole = rigid[piece]
    stiff = sparse.csr_array(
        (whole.astype(float), (np.arange(count), owner[piece])), shape=weights.shape
    )
    loose = sparse.diags_array((~whole).astype(float), format="csr") @ weights
    found = sparse.csr_array(loose + stiff)
    found.eliminate_zeros()
    return found

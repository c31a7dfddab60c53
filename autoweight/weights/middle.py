"""Where the middle of a body is: the plane through the origin, or one beside it."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from autoweight.recipes.recipe import Mirror
from autoweight.rig import Skeleton
from autoweight.skeleton.sides import UNPAIRED, Plane, pairs
from autoweight.surface import Surface

__all__ = ["middle"]

WIDE = 10
"""Vertices so many reaches from a mirror image have a say in where the middle is."""

MANY = 1 << 12
"""Vertices that are asked, evenly of all."""

MOST = 0.5
"""A plane is in the middle of a body if this share of its vertices are each other's image there."""


def middle(
    surface: Surface, skeleton: Skeleton, plane: Plane, tolerance: float = Mirror.tolerance
) -> Plane:
    """The plane across which a body is even, of those that are parallel to one.

    Looked at are the middle of the box and that of the joints that names pair, each moved to the
    middle of the vertices that are nearly each other's image there.

    Parameters
    ----------
    surface : Surface
    skeleton : Skeleton
    plane : Plane
        Through the origin, as most characters stand.
    tolerance : float, optional
        How far a vertex may be from a mirror image to be its counterpart, in bounding-box
        diagonals.

    Returns
    -------
    Plane
        The same one, unless half of the vertices have counterparts across another and not there.
    """
    reach = tolerance * surface.diagonal
    at, height = surface.vertices, plane.heights(surface.vertices)
    some = np.arange(0, len(at), -(-len(at) // MANY))
    tree = cKDTree(at, compact_nodes=False, balanced_tree=False)

    def beside(aside: float) -> Plane:
        return Plane(plane.point + aside * plane.normal, plane.normal)

    def matched(aside: float, within: float) -> tuple[int, float]:
        """How many vertices are within a distance of each other's image, and their middle."""
        there = beside(aside)
        away, image = tree.query(there.reflect(at[some]), distance_upper_bound=within)
        near = np.isfinite(away)
        one, other = some[near], image[near]
        back = tree.query(there.reflect(at[other]))[1] == one
        one, other = one[back], other[back]
        return len(one), float(np.median(height[one] + height[other]) / 2) if len(one) else aside

    if matched(0.0, reach)[0] >= MOST * len(some):
        return plane
    own, partner = plane.heights(skeleton.positions), pairs(skeleton, plane)
    both = (partner != UNPAIRED) & (partner != np.arange(len(partner)))
    found = []
    asides = [(height.min() + height.max()) / 2]
    if both.any():
        asides.append(np.median((own + own[partner])[both]) / 2)
    for aside in asides:
        for _ in range(2):
            aside = matched(aside, WIDE * reach)[1]
        found.append((matched(aside, reach)[0], aside))
    most, best = max(found, key=lambda each: each[0])
    return beside(best) if most >= MOST * len(some) else plane

"""Which vertex is the mirror image of which: by place, then by walking the faces from there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.skeleton.sides import UNPAIRED, Plane
from autoweight.surface import Surface
from autoweight.surface.places import Ground

__all__ = ["Counterparts", "counterparts"]


@dataclass(frozen=True, eq=False)
class Counterparts:
    """Which vertex of a surface is the mirror image of which.

    Parameters
    ----------
    partner : ndarray, shape (n,), int32
        The vertex on the other side, the vertex itself where it is on the plane, and `UNPAIRED`
        where there is none. ``partner[partner[v]] == v`` where paired.
    walked : ndarray, shape (n,), bool
        Found by walking the faces, since no vertex is at the mirror image.
    side : ndarray, shape (n,), int8
        1 on the side of the normal, -1 on the other, 0 for a vertex that is its own partner.
    distance : ndarray, shape (n,)
        From the mirror image of the vertex to its partner, or to the surface if it has none, in
        scene units.
    """

    partner: NDArray[np.int32]
    walked: NDArray[np.bool_]
    side: NDArray[np.int8]
    distance: NDArray[np.float64]


def counterparts(surface: Surface, plane: Plane, reach: float) -> Counterparts:
    """Match the vertices of a surface with those at their mirror images.

    First by position, then by walking: two matched vertices of an edge match the vertices
    opposite it, wave by wave from the faces that positions matched. A walked match that does
    not carry every face on a face is dropped again.

    Parameters
    ----------
    surface : Surface
    plane : Plane
    reach : float
        How far a vertex may be from a mirror image to be its counterpart, in scene units.

    Returns
    -------
    Counterparts
    """
    image = plane.reflect(surface.vertices)
    numbers = np.arange(len(surface))
    apart, nearest = cKDTree(surface.vertices).query(image, distance_upper_bound=reach)
    near = np.isfinite(apart)
    nearest = np.where(near, nearest, numbers)
    by_position = near & (nearest[nearest] == numbers)
    partner = np.where(by_position, nearest, UNPAIRED)
    if not by_position.all():
        partner = _walk(surface.faces, partner)
    paired = partner != UNPAIRED

    distance = np.linalg.norm(image - surface.vertices[partner], axis=1)
    if not paired.all():
        distance[~paired] = Ground(surface).nearest(image[~paired]).distance
    height = plane.heights(surface.vertices)
    ahead = np.where(paired, height - height[partner], height)
    level = np.where(paired, np.sign(partner - numbers), 1)
    side = np.where(ahead != 0, np.sign(ahead), level)
    return Counterparts(
        partner.astype(np.int32), paired & ~by_position, side.astype(np.int8), distance
    )


def _walk(faces: NDArray[np.int32], partner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Match what positions did not, wave by wave, over edges whose ends are matched.

    A mirror image turns the faces round: the face left of the edge from a to b is matched by the
    one left of the edge from b's partner to a's.
    """
    count = len(partner)
    start, end, apex = (np.roll(faces, -turn, axis=1).ravel().astype(np.int64) for turn in range(3))
    keys, first, repeats = np.unique(start * count + end, return_index=True, return_counts=True)
    keys, first = keys[repeats == 1], first[repeats == 1]  # of an edge used twice, neither

    def opposite(edge: NDArray[np.int64]) -> NDArray[np.int64]:
        """The apex that the mirror image of each directed edge has, or `UNPAIRED`."""
        wanted = partner[end[edge]] * count + partner[start[edge]]
        at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        there = (partner[start[edge]] >= 0) & (partner[end[edge]] >= 0) & (keys[at] == wanted)
        return np.where(there, apex[first[at]], UNPAIRED)

    partner = partner.copy()
    unmatched = partner == UNPAIRED
    while True:
        edge = np.flatnonzero(partner[apex] == UNPAIRED)
        found = opposite(edge)
        lowest, highest = np.full(count, count), np.full(count, UNPAIRED)
        told = found >= 0
        told[told] = partner[found[told]] == UNPAIRED
        np.minimum.at(lowest, apex[edge[told]], found[told])
        np.maximum.at(highest, apex[edge[told]], found[told])
        new = np.flatnonzero(lowest == highest)  # every face that tells, tells the same
        new = new[lowest[lowest[new]] == new]
        new = new[highest[highest[new]] == new]
        if len(new) == 0:
            break
        partner[new] = lowest[new]

    whole = np.flatnonzero((partner[faces] >= 0).all(axis=1).repeat(3))
    wrong = whole[(opposite(whole) != partner[apex[whole]])]
    doubtful = np.unique(faces[wrong // 3])
    doubtful = doubtful[unmatched[doubtful]]
    partner[partner[doubtful]] = UNPAIRED
    partner[doubtful] = UNPAIRED
    return partner

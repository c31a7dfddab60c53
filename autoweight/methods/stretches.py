"""Which joint owns which stretch of the skeleton: bones, corrected where artists see it otherwise.

The rules were found by comparing with artists' weights (DEVELOPERS.md says on which rigs, and what
each is worth).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.rig import Skeleton
from autoweight.skeleton.bones import Bones, Frames, ending, frames, heirs, links
from autoweight.skeleton.descent import descent
from autoweight.surface import Surface
from autoweight.surface.visibility import Sight

__all__ = ["Stretches", "nearby", "reach", "stretches"]

CHUNK = 1 << 10
"""Vertices that are looked at one by one."""

TIP, LIMB = 0.25, 1.0
"""How far a leaf goes on beyond its joint, in lengths of the bone before it: the end of a chain,
and a joint that branches off and has a whole limb to itself."""

COINCIDENT = 0.1
"""Joints nearer to each other than this share of the flesh's radius are in one place."""

GIRDLE = 2 / 3
"""Share of a bone that begins in a branching joint's place that stays with that joint."""

CLOSE, EVEN, LEAP, STOUT = 1.3, 1.7, 1.8, 2.5
"""A vertebra is shorter than 1.3 radii of the flesh and as long as the one before it, by a factor
of 1.7 at most; what it leaps to is 1.8 times as far or more, and yet within 2.5 radii."""

BEYOND = 1.2
"""Past the end of a bone, distance counts this much more: of the two bones that meet at a joint,
equally far from a point in the wedge between them, the one it is more abreast of has it."""


@dataclass(frozen=True, eq=False)
class Stretches:
    """Segments, the joint that owns each, and whether its flesh goes on past the end.

    Parameters
    ----------
    bones : Bones
    free : ndarray, shape (b,), bool
        Nothing follows the segment: what lies past its tail is its own.
    """

    bones: Bones
    free: NDArray[np.bool_]

    def only(self, some: NDArray[np.integer]) -> Stretches:
        """Some of them, by number."""
        bones = Bones(
            *(each[some] for each in (self.bones.joint, self.bones.head, self.bones.tail))
        )
        return Stretches(bones, self.free[some])


def stretches(
    skeleton: Skeleton, active: NDArray[np.bool_], surface: Surface, frame: Frames | None = None
) -> Stretches:
    """Divide the skeleton among the joints that may have weight.

    Parameters
    ----------
    skeleton : Skeleton
    active : ndarray, shape (j,), bool
    surface : Surface
    frame : Frames, optional
        Of the skeleton in the surface, when they are there already.

    Returns
    -------
    Stretches
        A bone from each joint to each of its children is the joint's own, with two exceptions.

        The last of a column of vertebrae, closely and evenly spaced, is no longer than its
        neighbours: of the leap from there to the joint of a skull or pelvis it has half a
        spacing, and the rest belongs to the joint it leads to.

        A joint in the same place as its branching parent turns a limb's root inside the trunk:
        the first two thirds of its bone stay with the parent.
    """
    at, parents = skeleton.positions, descent(skeleton).above
    child = np.flatnonzero(parents >= 0)
    owner = parents[child]
    length = np.zeros(len(skeleton))
    length[child] = np.linalg.norm(at[child] - at[owner], axis=1)
    # Asked too little to be worth balancing.
    flesh = cKDTree(surface.vertices, CHUNK, compact_nodes=False, balanced_tree=False)
    radius = np.zeros(len(skeleton))  # round the middle of the bone that leads to the joint
    radius[child] = flesh.query((at[child] + at[owner]) / 2)[0]
    count = np.bincount(owner, minlength=len(skeleton))
    frame = frame or frames(skeleton, Sight(surface).depth)
    child = np.flatnonzero(links(skeleton, frame))
    owner = parents[child]

    above = parents[owner]
    inner = above >= 0
    last = np.maximum(above, 0)
    thin = np.maximum(length[owner], np.finfo(float).tiny)
    even = np.maximum(length[last], thin) <= EVEN * np.minimum(length[last], thin)
    leap = (
        (parents[last] >= 0)
        & inner
        & (count[owner] == 1)
        & (count[last] == 1)
        & even
        & (thin < CLOSE * radius[owner])
        & (length[child] > LEAP * thin)
        & (length[child] < STOUT * radius[child])
    )
    same = inner & (count[last] > 1) & (length[owner] < COINCIDENT * flesh.query(at[owner])[0])
    cut = np.where(leap, 0.5 * thin / np.maximum(length[child], thin), np.where(same, GIRDLE, 1.0))
    first = np.where(same, above, owner)
    then = np.where(same, owner, child)
    middle = at[owner] + cut[:, None] * (at[child] - at[owner])
    split = leap | same

    leaf = np.flatnonzero(ending(skeleton))
    before = np.maximum(parents[leaf], 0)
    step = frame.end[leaf] - at[leaf]
    step *= np.where(frame.told[leaf] | (count[before] > 1), LIMB, TIP)[:, None]
    joint = heirs(skeleton, active)[np.concatenate([first, then[split], leaf])]
    kept = joint >= 0
    bones = Bones(
        joint[kept].astype(np.int32),
        np.concatenate([at[owner], middle[split], at[leaf]])[kept],
        np.concatenate([middle, at[child][split], at[leaf] + step])[kept],
    )
    return Stretches(bones, np.repeat([False, True], [len(child) + split.sum(), len(leaf)])[kept])


def reach(points: NDArray[np.float64], stretches: Stretches) -> NDArray[np.float64]:
    """How far every point is from every stretch, distance past an end counting more.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    stretches : Stretches

    Returns
    -------
    ndarray, shape (n, b)
        In scene units.
    """
    bones = stretches.bones
    middle = points.mean(axis=0)  # near the points, so that squares lose no digits
    points, head = points - middle, bones.head - middle
    along = bones.tail - bones.head
    length = np.linalg.norm(along, axis=1)
    along /= np.maximum(length, np.finfo(float).tiny)[:, None]
    place = points @ along.T
    place -= np.einsum("ij,ij->i", head, along)
    square = points @ (-2 * head.T)
    square += np.einsum("ij,ij->i", points, points)[:, None]
    square += np.einsum("ij,ij->i", head, head)
    past = np.maximum(place - length, 0.0)
    past *= np.where(stretches.free, 1.0, BEYOND)
    square += past**2
    square += (BEYOND * np.minimum(place, 0.0)) ** 2
    square -= place**2
    return np.sqrt(np.maximum(square, 0.0))


def nearby(points: NDArray[np.float64], stretches: Stretches, factor: float) -> NDArray[np.intp]:
    """Stretches that may be within a factor of the nearest to some of the points.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        The nearer to each other, the fewer stretches are.
    stretches : Stretches
    factor : float

    Returns
    -------
    ndarray, shape (s,), int
        Their numbers; none is missing.
    """
    middle = points.mean(axis=0)
    away = reach(middle[None], stretches)[0]
    # By so much at the most `reach` changes from the middle to a point.
    change = BEYOND * np.sqrt(np.einsum("ij,ij->i", points - middle, points - middle).max())
    return np.flatnonzero(away - change <= factor * (away.min() + change) * (1 + 1e-9))

"""Joints that are nearly each other's mirror image, made so exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from autoweight.rig import Skeleton
from autoweight.skeleton.axes import ALONG
from autoweight.skeleton.bones import SAME
from autoweight.skeleton.sides import UNPAIRED, Plane, pairs
from autoweight.vectors import unit

__all__ = ["even_skeleton"]

NEAREST = np.cos(np.radians(45))
"""An axis that is nearer than this to one of three at right angles is nearest to that."""

TWICE = 2 * ALONG**2 - 1
"""Cosine between an axis `ALONG` the plane, or along its normal, and its image: twice the angle."""


def even_skeleton(skeleton: Skeleton, plane: Plane) -> Skeleton:
    """Joints half-way to the mirror images of their counterparts, those in the middle on the plane.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane
        Across which the body is even.

    Returns
    -------
    Skeleton
        With axes that are even too where each is nearest to the image of the same axis, either way
        along it, as those of one side may be mirrored copies. What has no counterpart stays.
    """
    at, partner = skeleton.positions, pairs(skeleton, plane)
    image = plane.reflect(at)
    # Two close beside the plane whose names tell no sides are not both in the middle.
    apart = cdist(image, at)
    own = partner == np.arange(len(partner))
    partner[own & (2 * apart.min(axis=1) < apart.diagonal())] = UNPAIRED
    some = np.flatnonzero(partner != UNPAIRED)
    other = partner[some]
    rest = skeleton.rest.copy()
    rest[some, :3, 3] = (at[some] + image[other]) / 2
    rest[some, :3, :3] = _axes(skeleton, plane, some, other)
    tips = dict(skeleton.tips)
    for joint, mate in zip(some.tolist(), other.tolist(), strict=True):
        if joint in tips and mate in tips:
            there = plane.reflect(skeleton.tips[mate][None])[0]
            tips[joint] = (skeleton.tips[joint] + there) / 2
    return replace(skeleton, rest=rest, tips=tips)


def _axes(
    skeleton: Skeleton, plane: Plane, some: NDArray[np.intp], other: NDArray[np.int32]
) -> NDArray[np.float64]:
    """Of some joints, half-way to the images of the others' where those are near, (k, 3, 3)."""
    linear, turns = (
        each.transpose(0, 2, 1) for each in (skeleton.rest[:, :3, :3], skeleton.orientations)
    )
    image = plane.turn(turns.reshape(-1, 3)).reshape(-1, 3, 3)
    across = image[other]
    lean = np.einsum("kai,kai->ka", turns[some], across)
    mean = unit(turns[some] + np.sign(lean)[..., None] * across)
    mean *= np.linalg.norm(linear[some], axis=2, keepdims=True)
    # Of two in one place in the middle each may point to a side: nearer to the other's image.
    at = skeleton.positions
    alike = np.abs(np.einsum("jai,kai->jka", image, turns)).min(axis=2)
    there = cdist(at, at) <= SAME * np.ptp(at, axis=0).max()
    sided = np.where(there, alike, 0.0).max(axis=1) > alike.diagonal() + SAME
    least = np.where((some == other) & sided[some], TWICE, NEAREST)
    within = (np.abs(lean) > least[:, None]).all(axis=1)
    return np.where(within[:, None, None], mean, linear[some]).transpose(0, 2, 1)

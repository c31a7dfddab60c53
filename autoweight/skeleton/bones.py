"""The segments that joints move: from each joint to its children, or to a tip beyond a leaf."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autoweight.rig import Skeleton

__all__ = ["Bones", "bones", "closest", "distances", "heirs"]


CHUNK = 1 << 15
"""Points whose distances to all bones are held at once."""


@dataclass(frozen=True, eq=False)
class Bones:
    """Segments and the joint that moves each.

    Parameters
    ----------
    joint : ndarray, shape (b,), int32
        A joint with two children has two bones.
    head, tail : ndarray, shape (b, 3)
        Ends in bind space; they coincide where nothing tells a leaf's direction.
    """

    joint: NDArray[np.int32]
    head: NDArray[np.float64]
    tail: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.joint)


def bones(skeleton: Skeleton, active: NDArray[np.bool_] | None = None) -> Bones:
    """Bones of a skeleton.

    Parameters
    ----------
    skeleton : Skeleton
    active : ndarray, shape (j,), bool, optional
        Joints that may have weight; the bones of the others go to their nearest ancestor that
        may, and are dropped where there is none. All may when left out.

    Returns
    -------
    Bones
        One for each parent-child pair, moved by the parent, then one for each leaf, which goes
        on from its parent's bone for as far again.
    """
    at = skeleton.positions
    child = np.flatnonzero(skeleton.parents >= 0)
    parent = skeleton.parents[child]
    leaf = np.setdiff1d(np.arange(len(skeleton)), parent)
    above = skeleton.parents[leaf]
    step = np.where((above >= 0)[:, None], at[leaf] - at[np.maximum(above, 0)], 0.0)
    joint = np.concatenate([parent, leaf])
    head, tail = (
        np.concatenate([at[parent], at[leaf]]),
        np.concatenate([at[child], at[leaf] + step]),
    )
    if active is not None:
        joint = heirs(skeleton, active)[joint]
    kept = joint >= 0
    return Bones(joint[kept].astype(np.int32), head[kept], tail[kept])


def heirs(skeleton: Skeleton, active: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Who takes over from each joint that may not have weight.

    Parameters
    ----------
    skeleton : Skeleton
    active : ndarray, shape (j,), bool

    Returns
    -------
    ndarray, shape (j,)
        The joint itself where it is active, else its nearest ancestor that is, -1 for none.
    """
    heir = np.arange(len(skeleton))
    for each in np.flatnonzero(~active):  # parents come first, so heirs are settled
        heir[each] = heir[skeleton.parents[each]] if skeleton.parents[each] >= 0 else -1
    return heir


def closest(
    points: NDArray[np.float64], bones: Bones, which: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Closest place on one bone to each point.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones
    which : ndarray, shape (n,), int
        The bone asked about for each point.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    head = bones.head[which]
    along = bones.tail[which] - head
    length = np.einsum("ij,ij->i", along, along)
    share = np.einsum("ij,ij->i", points - head, along) / np.where(length > 0, length, 1.0)
    return head + np.clip(share, 0, 1)[:, None] * along


def distances(points: NDArray[np.float64], bones: Bones) -> NDArray[np.float64]:
    """Straight-line distance of every point to every bone.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones

    Returns
    -------
    ndarray, shape (n, b)
        In scene units.
    """
    found = np.empty((len(bones), len(points)))
    points = np.ascontiguousarray(points.T)
    for number, (head, tail) in enumerate(zip(bones.head, bones.tail, strict=True)):
        along = tail - head
        length = along @ along
        way = points - head[:, None]
        if length > 0:
            share = along @ way / length
            way -= along[:, None] * np.clip(share, 0, 1, out=share)
        np.sqrt(np.einsum("in,in->n", way, way), out=found[number])
    return found.T


def reaches(points: NDArray[np.float64], bones: Bones) -> NDArray[np.float64]:
    """Straight-line distance of every point to the nearest bone, (n,), in scene units."""
    found = [
        distances(points[start : start + CHUNK], bones).min(axis=1)
        for start in range(0, len(points), CHUNK)
    ]
    return np.concatenate([np.zeros(0), *found])

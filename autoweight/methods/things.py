"""Things that joints are called for, such as a weapon or an eye: whether the mesh has them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.rig import Skeleton
from autoweight.skeleton.bones import Bones, bones, distances, nearest
from autoweight.surface.visibility import ROUND, Sight

__all__ = ["lacking"]

LOOKED_AT = 1 << 14
"""Vertices that are looked at, where there are many more: one of so and so many."""

BESIDE = 0.5
"""A piece is a joint's if it is less than this times as far from it as from its parent."""

AWAY = 2.0
"""What other bones have no flesh of is more than this times as far from them as the parent's own
is, or as the joint is from its parent."""

ABOUT = 1.1
"""What is no more than this times as far from a joint as from any bone is as near to it."""

BALL, HALF = 1.25, 0.5
"""In the middle of a ball the skin is no farther than this, by how far it is at least, on this
share of the ways all round."""


def lacking(
    sight: Sight, skeleton: Skeleton, joints: NDArray[np.intp], built_in: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether the mesh lacks what some joints are called for.

    Parameters
    ----------
    sight : Sight
        Of the body.
    skeleton : Skeleton
    joints : ndarray, shape (k,), int
        Each with a parent.
    built_in : ndarray, shape (k,), bool
        Which of them are called for what turns in the flesh of the parent, as an eye does.

    Returns
    -------
    ndarray, shape (k,), bool
        No piece of the mesh is the joint's, but for the piece that is round the parent; of what is
        nearest to the joint nothing leads away from all other bones, as a sword that is
        one with the hand does; and what is built in is no ball that is one with the parent.
    """
    surface, at, parents = sight.surface, skeleton.positions, skeleton.parents[joints]
    step = max(len(surface) // LOOKED_AT, 1)
    points, piece = surface.vertices[::step], surface.components[::step]
    others = bones(skeleton, ~np.isin(np.arange(len(skeleton)), joints))
    bone, reach = nearest(points, others)
    owner = others.joint[bone]
    ways, tree = np.tile(ROUND, (len(joints), 1)), cKDTree(points)
    starts = np.repeat(at[parents], len(ROUND), axis=0)
    out = sight.depth(starts, ways)
    left = np.isfinite(out)  # where ways from the parent leave what is round it
    round_parent = np.full(len(ways), -1)
    round_parent[left] = piece[tree.query(starts[left] + out[left, None] * ways[left])[1]]
    lacks = np.zeros(len(joints), dtype=bool)
    for number, met in enumerate(np.split(round_parent, len(joints))):
        both = np.array([joints[number], parents[number]], dtype=np.int32)
        away = distances(points, Bones(both, at[both], at[both]))
        least = np.full((int(piece.max()) + 1, 2), np.inf)
        np.minimum.at(least, piece, away)
        own = least[:, 0] < BESIDE * least[:, 1]
        own[np.bincount(met[met >= 0], minlength=len(own)).argmax()] = False
        mine = away[:, 0] <= ABOUT * reach
        flesh = reach[~mine & (owner == both[1])].max(initial=np.linalg.norm(np.diff(at[both].T)))
        lacks[number] = not own.any() and reach[mine].max(initial=0.0) <= AWAY * flesh
    out = sight.depth(np.repeat(at[joints], len(ROUND), axis=0), ways).reshape(len(joints), -1)
    ball = (out <= BALL * out.min(axis=1, keepdims=True)).mean(axis=1) >= HALF
    return lacks & ~(built_in & ball)

"""Rigs of one kind and one taste: two legs of two bones each, hung from a pelvis, in any size."""

from __future__ import annotations

import numpy as np
from bodies import straight, tube
from scipy import sparse

from autoweight.rig import Mesh, Rig, Skeleton, Weights

NAMES = ("root", "thigh_R", "shin_R", "thigh_L", "shin_L")


def cousin(length=2.0, radius=0.4, *, below=0.3, names=NAMES, around=24, scale=1.0) -> Rig:
    """Hands over from thigh to shin a share of the bone below the knee, not on it as heat does."""
    one, along = tube(straight, 2 * length, radius, 41, around)
    right = one.vertices - np.array([0, 0, 1.5 * radius])
    vertices = np.concatenate([right, right * [1, 1, -1]])
    faces = np.concatenate([one.faces, one.faces[:, ::-1] + len(right)])
    rest = np.tile(np.eye(4), (5, 1, 1))
    off = 1.5 * radius
    rest[1:, :3, 3] = [(0, 0, -off), (length, 0, -off), (0, 0, off), (length, 0, off)]
    rest[0, :3, 3] = (-0.5 * length, 0, 0)
    rest[:, :3, 3] *= scale
    share = np.clip((along / length - 1 - below) / 0.4 + 0.5, 0, 1)
    weights = np.zeros((len(vertices), 5))
    weights[: len(along), 1:3] = weights[len(along) :, 3:5] = np.column_stack([1 - share, share])
    return Rig(
        Mesh(vertices * scale, faces),
        Skeleton(names, [-1, 0, 1, 0, 3], rest),
        Weights(sparse.csr_array(weights)),
    )

"""Levels of detail: joints that one does without, and how far it strays from the densest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.pose.motion import random_poses
from autoweight.pose.skinning import linear_blend
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.rows import one_each
from autoweight.surface import Surface, prepare
from autoweight.surface.places import Ground, Places
from autoweight.weights.inheriting import inherit, standing_in

__all__ = ["Gap", "folded", "gap"]

POSES = 10

TIMES = 3.0
"""How many times as far as the surface itself moved a vertex may be off."""

SLACK = 1e-3
"""Bounding-box diagonals by which a vertex may be off anyway: caps and rounding show that much."""


@dataclass(frozen=True, eq=False)
class Gap:
    """How far a level is from the densest, in random poses.

    Parameters
    ----------
    mean, worst : float
        Over its vertices, of the farthest in any pose; in bounding-box diagonals.
    over : ndarray, shape (k,), int
        Vertices further off than three times what the surface itself moved there, and a
        thousandth of the diagonal; the worst first.
    """

    mean: float
    worst: float
    over: NDArray[np.integer]


def folded(weights: Weights, skeleton: Skeleton, kept: NDArray[np.bool_]) -> Weights:
    """Weights of fewer joints: that of each other goes to its nearest ancestor that is kept.

    Parameters
    ----------
    weights : Weights
    skeleton : Skeleton
    kept : ndarray, shape (j,), bool
        At least one of them.

    Returns
    -------
    Weights
        For the same skeleton; columns of joints that are not kept are empty.
    """
    if kept.all():
        return weights
    return Weights(sparse.csr_array(weights.matrix @ _folding(skeleton, kept)))


def _folding(skeleton: Skeleton, kept: NDArray[np.bool_]) -> sparse.csr_array:
    """The matrix that takes the weights of all joints to those that are kept, (j, j)."""
    return one_each(standing_in(skeleton, kept), len(skeleton))


def gap(
    densest: Rig,
    level: Rig,
    *,
    surface: Surface | None = None,
    own: Surface | None = None,
) -> Gap:
    """Measure how far a level strays from the densest in motion.

    A vertex is compared with the place of the dense surface that it stands for: the nearest, the
    nearest on the piece that most of its own piece lies on, or the nearest that faces the same
    way, whichever explains it best. Joints that the level does without are still in the dense
    one too: to have fewer is asked for, and no fault.

    Parameters
    ----------
    densest, level : Rig
        With weights.
    surface : Surface, optional
        ``prepare(densest.mesh)``, when it is there already.
    own : Surface, optional
        ``prepare(level.mesh)``, when it is there already.

    Returns
    -------
    Gap
    """
    assert densest.weights is not None and level.weights is not None
    ground = Ground(surface or prepare(densest.mesh))
    matrix = densest.weights.matrix
    heirs = inherit(densest.skeleton, level.skeleton, matrix, near=1e-3 * ground.diagonal)
    used = np.zeros(len(level.skeleton), dtype=bool)
    used[level.weights.matrix.indices] = True
    carries = np.zeros(len(level.skeleton), dtype=bool)
    carries[heirs.table[np.unique(matrix.indices)].indices] = True
    kept = used | ~carries
    rows = sparse.csr_array(matrix[ground.surface.speakers] @ heirs.table)
    if not kept.all() and used.any():
        rows = sparse.csr_array(rows @ _folding(level.skeleton, kept))
    poses = random_poses(level.skeleton)[:POSES]
    posed = linear_blend(level.mesh.vertices, level.weights.matrix, poses)
    ratio = np.full(len(level.mesh.vertices), np.inf)
    off = ratio.copy()
    for each in _places(ground, level.mesh, own or prepare(level.mesh)):
        there = linear_blend(
            each.position, sparse.csr_array(each.interpolator(ground.surface) @ rows), poses
        )
        worst = np.linalg.norm(posed - there, axis=2).max(axis=0) / ground.diagonal
        moved = np.maximum(each.distance / ground.diagonal, 1e-12)
        here = np.maximum(worst - SLACK, 0) / moved
        better = (here < ratio) | ((here == ratio) & (worst < off))
        ratio[better], off[better] = here[better], worst[better]
    drawn = np.unique(level.mesh.faces)
    order = drawn[np.argsort(-ratio[drawn], kind="stable")]
    return Gap(float(off[drawn].mean()), float(off[drawn].max()), order[ratio[order] > TIMES])


def _places(ground: Ground, mesh: Mesh, target: Surface) -> list[Places]:
    """Where each vertex of a mesh and its surface may be said to lie on the dense surface."""
    surface = ground.surface
    nearest = ground.nearest(mesh.vertices)
    piece = surface.components[surface.faces[:, 0]]
    own, landed = target.components[target.weld], piece[nearest.face]
    alike = nearest
    if piece.max() > 0:
        for each in np.unique(own):
            at = np.flatnonzero(own == each)
            faces = np.flatnonzero(piece == np.bincount(landed[at]).argmax())
            alike = alike.put(at, ground.nearest(mesh.vertices[at], faces))
    ways = target.normals[target.weld]
    facing = ground.facing(mesh.vertices, ways, np.pi / 2, otherwise=nearest)
    return [nearest, alike, facing]

"""How far two sets of weights are apart: in the weights themselves, and in how the mesh bends.

The artists' weights of open rigs are the yardstick of `benchmarks/artists.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.errors import WeightsError
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.surface import Surface, prepare

__all__ = ["Difference", "compare", "random_poses"]


@dataclass(frozen=True)
class Difference:
    """Two measures of how far weights are from others of the same rig.

    Parameters
    ----------
    weights : float
        Area-weighted mean over the welded vertices of Σ_j |w_j − a_j|: 0 for the same weights,
        2 where no vertex shares a joint.
    deformation : float
        Mean distance between the two linear-blend results, over the welded vertices (weighted
        by area) and the poses, as a share of the bounding-box diagonal.
    """

    weights: float
    deformation: float


def random_poses(
    skeleton: Skeleton, count: int = 10, degrees: float = 30.0, seed: int = 0
) -> NDArray[np.float64]:
    """Poses in which every joint turns on its own, about itself.

    Parameters
    ----------
    skeleton : Skeleton
    count : int
    degrees : float
        Each joint turns about a random axis by an angle drawn evenly from ± this.
    seed : int
        The same seed gives the same poses.

    Returns
    -------
    ndarray, shape (count, j, 4, 4)
        What carries a bind-space point that follows one joint alone into the pose.
    """
    random = np.random.default_rng(seed)
    joints = len(skeleton)
    axis = random.normal(size=(count, joints, 3))
    axis /= np.linalg.norm(axis, axis=2, keepdims=True)
    angle = np.radians(random.uniform(-degrees, degrees, size=(count, joints, 1)))
    turn = Rotation.from_rotvec((axis * angle).reshape(-1, 3)).as_matrix()
    own = np.tile(np.eye(4), (count, joints, 1, 1))
    own[:, :, :3, :3] = turn.reshape(count, joints, 3, 3)
    at = skeleton.positions
    own[:, :, :3, 3] = at - np.einsum("pjab,jb->pja", own[:, :, :3, :3], at)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            own[:, joint] = own[:, parent] @ own[:, joint]
    return own


def compare(rig: Rig, weights: Weights, *, surface: Surface | None = None) -> Difference:
    """Measure weights against those the rig has.

    Parameters
    ----------
    rig : Rig
        With weights.
    weights : Weights
        Others for the same mesh and skeleton.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    Difference

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("the rig has no weights to compare with; give one that has")
    surface = surface or prepare(rig.mesh)
    own, other = (_on_surface(each, surface) for each in (rig.weights, weights))
    share = surface.areas / surface.areas.sum()
    apart = abs(own - other).sum(axis=1)
    moved = 0.0
    gap = sparse.csr_array(own - other)
    points = np.column_stack([surface.vertices, np.ones(len(surface))])
    poses = random_poses(rig.skeleton)
    for pose in poses:
        blend = (gap @ pose[:, :3].reshape(len(pose), 12)).reshape(-1, 3, 4)
        shift = np.einsum("nab,nb->na", blend, points)
        moved += share @ np.linalg.norm(shift, axis=1)
    return Difference(float(share @ apart), float(moved / len(poses) / rig.mesh.diagonal))


def _on_surface(weights: Weights, surface: Surface) -> sparse.csr_array:
    """Mean over the vertices of the mesh that each surface vertex stands for."""
    count = np.bincount(surface.weld, minlength=len(surface))
    gather = sparse.csr_array(
        (1 / count[surface.weld], (surface.weld, np.arange(len(surface.weld)))),
        shape=(len(surface), len(surface.weld)),
    )
    return gather @ weights.matrix

"""How far two sets of weights are apart: in the weights themselves, and in how the mesh bends.

The artists' weights of open rigs are the yardstick of `benchmarks/artists.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from autoweight.errors import WeightsError
from autoweight.pose.motion import random_poses
from autoweight.pose.skinning import linear_blend
from autoweight.rig import Rig, Weights
from autoweight.surface import Surface, prepare

__all__ = ["Difference", "compare"]


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
    # Blending is linear in the weights: their gap, skinned, is the gap of the results.
    shift = linear_blend(
        surface.vertices, sparse.csr_array(own - other), random_poses(rig.skeleton)
    )
    moved = share @ np.linalg.norm(shift, axis=2).mean(axis=0)
    return Difference(float(share @ apart), float(moved / rig.mesh.diagonal))


def _on_surface(weights: Weights, surface: Surface) -> sparse.csr_array:
    """Mean over the vertices of the mesh that each surface vertex stands for."""
    count = np.bincount(surface.weld, minlength=len(surface))
    gather = sparse.csr_array(
        (1 / count[surface.weld], (surface.weld, np.arange(len(surface.weld)))),
        shape=(len(surface), len(surface.weld)),
    )
    return gather @ weights.matrix

"""How far two sets of weights are apart: in the weights themselves, and in how the mesh bends.

The artists' weights of open rigs are the yardstick of `benchmarks/artists.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import SkeletonError, WeightsError
from autoweight.pose.motion import random_poses
from autoweight.pose.skinning import linear_blend
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.surface import Surface, prepare
from autoweight.surface.places import Ground

__all__ = ["Comparison", "Difference", "compare", "compare_rigs", "weights_for"]

INFLUENCE = 1e-4
"""A weight above this counts as an influence."""


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
    own, other = (surface.mean @ each.matrix for each in (rig.weights, weights))
    return _difference(rig, surface, *_gaps(rig, surface, sparse.csr_array(own - other)))


@dataclass(frozen=True, eq=False)
class Comparison:
    """How another rig's weights differ from the weights of one.

    Parameters
    ----------
    difference : Difference
        Over the surface of the first rig.
    precision, recall : float
        Of the influences above 1e-4: the share of the other's that the first has too, and the
        share of the first's that the other has.
    deformation_max : float
        The largest distance between the two results in any pose, in bounding-box diagonals.
    joints : ndarray, shape (j,)
        Area-weighted mean of |w_j − a_j| by joint of the first rig.
    vertices : ndarray, shape (n,)
        Σ_j |w_j − a_j| at every vertex of the first rig.

    References
    ----------
    Z. Xu, Y. Zhou, E. Kalogerakis, C. Landreth, K. Singh, TOG 39(4), 2020, section 6: influence
    precision and recall, mean L1, mean and largest distance over random poses.
    """

    difference: Difference
    precision: float
    recall: float
    deformation_max: float
    joints: NDArray[np.float64]
    vertices: NDArray[np.float64]


def compare_rigs(rig: Rig, other: Rig, *, surface: Surface | None = None) -> Comparison:
    """Compare the weights of two rigs, joint by name, place by place.

    Parameters
    ----------
    rig, other : Rig
        With weights. Vertices are matched by number where both meshes have the same positions;
        otherwise the other's weights are read at the closest point of its surface.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    Comparison

    Raises
    ------
    WeightsError
        One has no weights.
    SkeletonError
        A joint of the other that carries weight is not among the rig's.
    """
    surface = surface or prepare(rig.mesh)
    own = surface.mean @ _weights_of(rig).matrix
    theirs = _at(surface.vertices, _renamed(other, rig.skeleton), other.mesh, rig.mesh, surface)
    share = surface.areas / surface.areas.sum()
    gap = sparse.csr_array(own - theirs)
    vertices, moved = _gaps(rig, surface, gap)
    mine, its = own > INFLUENCE, theirs > INFLUENCE
    both = share @ mine.multiply(its).sum(axis=1)
    return Comparison(
        _difference(rig, surface, vertices, moved),
        precision=float(both / (share @ its.sum(axis=1))),
        recall=float(both / (share @ mine.sum(axis=1))),
        deformation_max=float(moved.max() / rig.mesh.diagonal),
        joints=share @ abs(gap),
        vertices=vertices[surface.weld],
    )


def _gaps(
    rig: Rig, surface: Surface, gap: sparse.csr_array
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Size of a gap of weights at each vertex, (n,), and its shift in each pose, (f, n)."""
    # Blending is linear in the weights: their gap, skinned, is the gap of the results.
    shift = linear_blend(surface.vertices, gap, random_poses(rig.skeleton))
    return abs(gap).sum(axis=1), np.linalg.norm(shift, axis=2)


def _difference(
    rig: Rig, surface: Surface, vertices: NDArray[np.float64], moved: NDArray[np.float64]
) -> Difference:
    share = surface.areas / surface.areas.sum()
    return Difference(
        float(share @ vertices), float(share @ moved.mean(axis=0) / rig.mesh.diagonal)
    )


def weights_for(rig: Rig, other: Rig) -> Weights:
    """Weights of another rig with the same vertices, in the order of a rig's joints.

    Parameters
    ----------
    rig, other : Rig

    Returns
    -------
    Weights

    Raises
    ------
    WeightsError
        The other has no weights, or another number of vertices.
    SkeletonError
        A joint of the other that carries weight is not among the rig's.
    """
    found = _renamed(other, rig.skeleton)
    if found.shape[0] != len(rig.mesh.vertices):
        raise WeightsError(
            f"the rigs have {len(rig.mesh.vertices)} and {found.shape[0]} vertices; "
            "give two weightings of one mesh"
        )
    return Weights(found)


def _weights_of(rig: Rig) -> Weights:
    if rig.weights is None:
        raise WeightsError("a rig without weights cannot be compared; weight it first")
    return rig.weights


def _renamed(rig: Rig, skeleton: Skeleton) -> sparse.csr_array:
    """Weights of a rig in the columns of another skeleton."""
    matrix = _weights_of(rig).matrix
    unknown = {rig.skeleton.names[each] for each in np.unique(matrix.indices)} - set(skeleton.names)
    if unknown:
        raise SkeletonError(
            f"{len(unknown)} joints with weights are in one rig alone, such as "
            f"{min(unknown)!r}; rename them, or carry the weights over first"
        )
    column = np.array([skeleton.index.get(name, 0) for name in rig.skeleton.names])
    return sparse.csr_array(
        (matrix.data, column[matrix.indices], matrix.indptr),
        shape=(matrix.shape[0], len(skeleton)),
    )


def _at(
    points: NDArray[np.float64],
    weights: sparse.csr_array,
    mesh: Mesh,
    wanted: Mesh,
    surface: Surface,
) -> sparse.csr_array:
    """Rows of weights of a mesh at the vertices of the surface of another."""
    if np.array_equal(mesh.vertices, wanted.vertices):
        return surface.mean @ weights
    there = prepare(mesh)
    return Ground(there).nearest(points).interpolator(there) @ (there.mean @ weights)

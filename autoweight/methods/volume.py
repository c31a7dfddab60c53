"""Bands by distance through the body: for meshes that are open, tangled or in many pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.methods import Problem
from autoweight.methods.bands import blend
from autoweight.methods.limbs import limbs
from autoweight.methods.territory import TIE, Territory, owned, segments, straight
from autoweight.skeleton.bones import Bones
from autoweight.surface.voxels import Voxels, voxelise

__all__ = ["solve"]

EQUAL = 8
"""Cells that may be as far from one place: it is in the middle of so many."""


def solve(problem: Problem) -> sparse.csr_array:
    """Weights of bands round the joints, where chains compete through a grid of solid cells.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)

    References
    ----------
    Dionne & de Lasa, "Geodesic voxel binding for production character meshes", SCA 2013.
    """
    vertices = problem.surface.vertices
    parts = limbs(problem)
    problem.progress("filling the body with cells", 0.0)
    voxels = problem.recall("voxels", None, lambda: voxelise(problem.surface))
    problem.progress("distances through the body", 0.5)
    points = np.concatenate([vertices, voxels.centres])
    graph = _network(vertices, voxels)
    bones = segments(problem)
    seeds, labels, offsets = _seeds(bones, voxels)
    owner, away = owned(problem, graph, len(vertices) + seeds, labels, offsets)
    lost = np.flatnonzero(np.isinf(away))
    if len(lost):  # a piece of the body that no bone is in or near
        apart = sparse.csr_array((len(lost), len(lost)))
        owner[lost], away[lost] = owned(problem, apart, *straight(points[lost], bones))
    problem.progress("bands", 0.8)
    found = blend(problem, parts, Territory(points, graph, owner, away))
    problem.progress("bands", 1.0)
    return found


def _network(vertices: NDArray[np.float64], voxels: Voxels) -> sparse.csr_array:
    """Ways between vertices and cells: each vertex to the cell it is in, and cell to cell."""
    cell = voxels.at(vertices)
    away = np.linalg.norm(vertices - voxels.centres[cell], axis=1)
    count = len(vertices)
    door = sparse.csr_array(
        (np.maximum(away, 1e-9 * voxels.size), (np.arange(count), cell)),
        shape=(count, len(voxels)),
    )
    return sparse.csr_array(sparse.block_array([[None, door], [door.T, voxels.network()]]))


def _seeds(
    bones: Bones, voxels: Voxels
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Cells that bones go through, or that are nearest to where they leave the body."""
    length = np.linalg.norm(bones.tail - bones.head, axis=1)
    points, which = bones.places(np.ceil(2 * length / voxels.size).astype(int) + 1)
    inside = voxels.at(points)
    out = np.flatnonzero(inside < 0)
    away, cell = cKDTree(voxels.centres).query(points[out], range(1, min(EQUAL, len(voxels)) + 1))
    place, rank = np.nonzero(away <= away[:, :1] * (1 + TIE))
    within = np.flatnonzero(inside >= 0)
    return (
        np.append(inside[within], cell[place, rank]),
        bones.joint[which[np.append(within, out[place])]].astype(np.intp),
        np.append(np.zeros(len(within)), away[place, rank]),
    )

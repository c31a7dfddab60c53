"""What is looked at where a joint may have weight: where it is from there, and who else pulls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem, reaches_of
from autoweight.surface import Surface
from autoweight.taste.builds import Build

__all__ = ["PLACE", "TRAITS", "Sight", "candidates", "sight", "traits", "turned"]

FAINT = 1e-3
"""A joint the solver gave more than this at a vertex may have weight there."""

SOLID = 0.1
"""So may the parent and the children of one that it gave more than this."""

GRID = 2.0**20
"""Traits are whole multiples of one over this, so that rounding tells left and right alike."""

TRAITS = (
    *("along", "away", "across", "up", "front"),
    *("along_flesh", "away_flesh", "across_flesh", "up_flesh", "front_flesh"),
    *("normal_across", "normal_up", "normal_front", "normal_along"),
    *("away_girths", "girth"),
    *(
        f"{who}_{ring}"
        for ring in ("here", "near", "about")
        for who in ("own", "parent", "children")
    ),
)
"""Their names, in order. Bone lengths, radii of the joint's flesh, cosines, shares."""

PLACE = slice(2, 5)
"""Those that say where a vertex is from its joint, in bone lengths."""

DIRECTIONS = (PLACE, slice(7, 10), slice(10, 13))
"""Those that turn with the joint."""


@dataclass(frozen=True, eq=False)
class Sight:
    """What traits are taken from, for one rig.

    Parameters
    ----------
    surface : Surface
    positions : ndarray, shape (j, 3)
        Of the joints.
    build : Build
    solved : csr_array, shape (n, j)
        What the default makes of it.
    flesh : ndarray, shape (j,)
        Root mean square distance from each joint of what it was given, in scene units.
    girth : ndarray, shape (n,)
        Distance to the nearest bone, in scene units.
    kin : tuple of csr_array, shape (n, j)
        Shares of each joint, its parent and its children here, then over a ring, then three.
    """

    surface: Surface
    positions: NDArray[np.float64]
    build: Build
    solved: sparse.csr_array
    flesh: NDArray[np.float64]
    girth: NDArray[np.float64]
    kin: tuple[sparse.csr_array, ...]


def sight(problem: Problem, build: Build, solved: sparse.csr_array) -> Sight:
    """Gather what the traits of a rig need.

    Parameters
    ----------
    problem : Problem
    build : Build
        Of its joints.
    solved : csr_array, shape (n, j)
        What the default makes of it.

    Returns
    -------
    Sight
    """
    surface, positions = problem.surface, problem.skeleton.positions
    held = sparse.csr_array(sparse.diags_array(surface.areas) @ solved)
    mass = np.asarray(held.sum(axis=0)).ravel()
    moment = held.T @ surface.vertices
    spread = held.T @ np.einsum("ij,ij->i", surface.vertices, surface.vertices)
    spread += mass * np.einsum("ij,ij->i", positions, positions)
    spread -= 2 * np.einsum("ij,ij->i", positions, moment)
    flesh = np.sqrt(np.maximum(spread, 0) / np.where(mass > 0, mass, 1.0))
    flesh = np.where(flesh > 1e-3 * build.size, flesh, build.length)

    links = surface.adjacency.copy()
    links.data = np.ones_like(links.data)
    links = sparse.csr_array(links + sparse.eye_array(len(surface), format="csr"))
    ring = sparse.csr_array(sparse.diags_array(1 / np.diff(links.indptr)) @ links)
    below = np.flatnonzero(build.parent >= 0)
    count = len(positions)
    hangs = sparse.csr_array(
        (np.ones(len(below)), (below, build.parent[below])), shape=(count, count)
    )
    kin: list[sparse.csr_array] = []
    rows = solved
    for rounds in (0, 1, 2):
        for _ in range(rounds):
            rows = sparse.csr_array(ring @ rows)
            rows.data[rows.data < 1e-6] = 0
            rows.eliminate_zeros()
        kin += [rows, sparse.csr_array(rows @ hangs.T), sparse.csr_array(rows @ hangs)]
    return Sight(surface, positions, build, solved, flesh, reaches_of(problem), tuple(kin))


def candidates(seen: Sight) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Vertices and joints that may have weight there, in their order.

    Nothing that the surface keeps apart is among them: a joint has been given some of the vertex
    by the default, or is parent or child of one that has been given much.
    """
    given, build = seen.solved, seen.build
    faint, solid = given > FAINT, given > SOLID
    below = np.flatnonzero((build.parent >= 0) & build.fleshed)
    count = len(build.parent)
    hangs = sparse.csr_array(
        (np.ones(len(below)), (below, build.parent[below])), shape=(count, count)
    )
    near = sparse.csr_array(
        faint.astype(float) + solid.astype(float) @ sparse.csr_array(hangs + hangs.T)
    )
    near = sparse.csr_array(near @ sparse.diags_array(build.fleshed.astype(float)))
    near.eliminate_zeros()
    near.sort_indices()
    return (
        np.repeat(np.arange(near.shape[0]), np.diff(near.indptr)),
        near.indices.astype(np.intp),
    )


def traits(seen: Sight, vertex: NDArray[np.intp], joint: NDArray[np.intp]) -> NDArray[np.float32]:
    """Traits of some vertices and joints.

    Parameters
    ----------
    seen : Sight
    vertex, joint : ndarray, shape (m,)

    Returns
    -------
    ndarray, shape (m, len(TRAITS)), float32
        Alike on both sides of a rig whose sides are alike.
    """
    build = seen.build
    offset = seen.surface.vertices[vertex] - seen.positions[joint]
    normal = seen.surface.outward[vertex]
    side = build.side[joint]
    other = (side < 0) | ((side == 0) & (offset @ build.lateral < 0))
    offset[other] = offset[other] @ build.mirror
    normal[other] = normal[other] @ build.mirror
    way = build.way[joint]
    along = np.einsum("ij,ij->i", offset, way)
    away = np.linalg.norm(offset - along[:, None] * way, axis=1)
    spot = np.column_stack([along, away, offset])
    girth = np.maximum(seen.girth[vertex], 1e-3 * build.size)
    found = np.column_stack(
        [
            spot / build.length[joint, None],
            spot / seen.flesh[joint, None],
            normal,
            np.einsum("ij,ij->i", normal, way),
            np.minimum(away / girth, 20.0),
            girth / build.length[joint],
            *(_entries(each, vertex, joint) for each in seen.kin),
        ]
    )
    return _rounded(np.clip(found, -1e3, 1e3))


def turned(
    traits: NDArray[np.float32],
    ways: NDArray[np.float64],
    onto: NDArray[np.float64],
    which: NDArray[np.integer],
) -> NDArray[np.float32]:
    """Traits as they would be if bones pointed elsewhere, so that a pose makes no difference.

    Parameters
    ----------
    traits : ndarray, shape (m, t)
    ways, onto : ndarray, shape (k, 3)
        Where bones point, and where they should; unit vectors.
    which : ndarray, shape (m,)
        The bone of each.

    Returns
    -------
    ndarray, shape (m, t), float32
    """
    turn = _turns(ways, onto)[which]
    found = traits.astype(np.float64)
    for three in DIRECTIONS:
        found[:, three] = np.einsum("mij,mj->mi", turn, found[:, three])
    return _rounded(found)


def _rounded(values: NDArray[np.float64]) -> NDArray[np.float32]:
    return (np.round(values * GRID) / GRID).astype(np.float32)


def _turns(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """The smallest rotations of unit vectors onto others, (k, 3, 3); none where they oppose."""
    axis = np.cross(first, second)
    cosine = np.einsum("ij,ij->i", first, second)
    cross = np.zeros((len(axis), 3, 3))
    cross[:, [2, 0, 1], [1, 2, 0]] = axis
    cross[:, [1, 2, 0], [2, 0, 1]] = -axis
    opposed = cosine < -0.999
    found = np.eye(3) + cross + cross @ cross / np.where(opposed, 1.0, 1 + cosine)[:, None, None]
    found[opposed] = np.eye(3)
    return found


def _entries(
    matrix: sparse.csr_array, row: NDArray[np.intp], column: NDArray[np.intp]
) -> NDArray[np.float64]:
    return np.asarray(matrix[row, column]).ravel()

"""What is looked at where a joint may have weight: where it is from there, and who else pulls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.rows import entry_rows, normalised, one_each
from autoweight.surface import Surface
from autoweight.surface.pieces import pieces_of
from autoweight.taste.builds import Build

__all__ = [
    "COUNTERPART",
    "FACING",
    "OWN",
    "PLACE",
    "SHARES",
    "TELLING",
    "TRAITS",
    "Sight",
    "candidates",
    "sight",
    "traits",
    "turned",
]

FAINT = 1e-3
"""A joint the solver gave more than this at a vertex may have weight there."""

SOLID = 0.1
"""So may the parent and the children of one that it gave more than this."""

GRID = 2.0**20
"""Traits are whole multiples of one over this, so that rounding tells left and right alike."""

TRAITS = (
    *("along", "away", "across", "up", "front"),
    *("normal_across", "normal_up", "normal_front", "normal_along"),
    *("away_girths", "from_start", "from_end", "from_bone"),
    *("girth", "bone", "body"),
    *("own", "parent", "children", "counterpart", "others", "most", "behind"),
    *("piece", "piece_area"),
)
"""Their names, in order. Bone lengths, cosines; girths; the girth in bones, how many parents' bones
the bone is, the girth in bodies; shares that the default gives; the same over the whole piece, and
the piece's share of the surface."""

OWN = TRAITS.index("own")
"""What the default gives the joint."""

COUNTERPART = TRAITS.index("counterpart")
"""What it gives the joint's counterpart on the other side."""

PLACE = slice(2, 5)
"""Those that say where a vertex is from its joint, in bone lengths."""

FACING = slice(5, 8)
"""Its normal, in the axes of the joint."""

SHARES = slice(OWN, OWN + 3)
"""What the default gives the joint, its parent and its children."""

TELLING = tuple(TRAITS.index(name) for name in ("bone", "body", "piece", "piece_area"))
"""Those that tell one rig from another, or one joint, more than they tell places apart."""

DIRECTIONS = (PLACE, FACING)
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
    girth : ndarray, shape (n,)
        Distance to the nearest bone, in scene units.
    parents, children : csr_array, shape (n, j)
        What it gives to the parent of each joint, and to its children.
    kinds : csr_array, shape (n, kinds)
        What it gives to the joints of each kind, on both sides.
    most : ndarray, shape (n,)
        What it gives to the joint that has most of each.
    pieces : csr_array, shape (pieces, j)
        What it gives to each joint on the mean of each piece.
    """

    surface: Surface
    positions: NDArray[np.float64]
    build: Build
    solved: sparse.csr_array
    girth: NDArray[np.float64]
    parents: sparse.csr_array
    children: sparse.csr_array
    kinds: sparse.csr_array
    most: NDArray[np.float64]
    pieces: sparse.csr_array


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
    hangs, surface = _hangs(build), problem.surface
    return Sight(
        surface,
        problem.skeleton.positions,
        build,
        solved,
        problem.away[:],
        sparse.csr_array(solved @ hangs.T),
        sparse.csr_array(solved @ hangs),
        sparse.csr_array(solved @ one_each(build.kinds, len(build.keys))),
        solved.max(axis=1).toarray(),
        normalised(pieces_of(surface).gather @ solved),
    )


def _hangs(build: Build) -> sparse.csr_array:
    """Which joints hang from which, among those with flesh, (j, j)."""
    below = np.flatnonzero((build.parent >= 0) & build.fleshed)
    count = len(build.parent)
    return sparse.csr_array(
        (np.ones(len(below)), (below, build.parent[below])), shape=(count, count)
    )


def candidates(seen: Sight) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Vertices and joints that may have weight there, in their order.

    Nothing that the surface keeps apart is among them: a joint has been given some of the vertex
    by the default, or is parent or child of one that has been given much.
    """
    given, build = seen.solved, seen.build
    faint, solid = given > FAINT, given > SOLID
    hangs = _hangs(build)
    near = sparse.csr_array(
        faint.astype(float) + solid.astype(float) @ sparse.csr_array(hangs + hangs.T)
    )
    near = sparse.csr_array(near @ sparse.diags_array(build.fleshed.astype(float)))
    near.eliminate_zeros()
    near.sort_indices()
    return entry_rows(near), near.indices.astype(np.intp)


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
    build, surface = seen.build, seen.surface
    offset = surface.vertices[vertex] - seen.positions[joint]
    normal = surface.outward(vertex)
    side = build.side[joint]
    other = (side < 0) | ((side == 0) & (offset @ build.lateral < 0))
    offset[other] = offset[other] @ build.mirror
    normal[other] = normal[other] @ build.mirror
    way, length = build.way[joint], build.length[joint]
    along = np.einsum("ij,ij->i", offset, way)
    away = np.linalg.norm(offset - along[:, None] * way, axis=1)
    girth = np.maximum(seen.girth[vertex], 1e-3 * build.size)
    bone = np.hypot(away, along - np.clip(along, 0, length))
    own, parent, children = (
        _entries(each, vertex, joint) for each in (seen.solved, seen.parents, seen.children)
    )
    above = build.parent[joint]
    piece, area = surface.components, surface.areas
    share = np.bincount(piece, area) / area.sum()
    found = np.column_stack(
        [
            np.column_stack([along, away, offset]) / length[:, None],
            normal,
            np.einsum("ij,ij->i", normal, way),
            np.minimum(np.column_stack([away, along, length - along, bone]) / girth[:, None], 20.0),
            girth / length,
            np.where(above >= 0, length / build.length[above], 0.0),
            girth / build.size,
            own,
            parent,
            children,
            _entries(seen.kinds, vertex, build.kinds[joint]) - own,
            1 - own - parent - children,
            seen.most[vertex],
            own - seen.most[vertex],
            _entries(seen.pieces, piece[vertex].astype(np.intp), joint),
            share[piece[vertex]],
        ]
    )
    return _rounded(np.clip(found, -1e3, 1e3))


def turned(
    traits: NDArray[np.float32],
    ways: NDArray[np.float64],
    onto: NDArray[np.float64],
    which: NDArray[np.integer],
    whole: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Traits as they would be if bones pointed elsewhere, so that a pose makes no difference.

    Parameters
    ----------
    traits : ndarray, shape (m, t)
    ways, onto : ndarray, shape (k, 3)
        Where bones point, and where they should; unit vectors.
    which : ndarray, shape (m,)
        The bone of each.
    whole : ndarray, shape (3, 3)
        Turns the whole rig, before its bones are turned.

    Returns
    -------
    ndarray, shape (m, t), float32
    """
    turn = (_turns(ways @ whole.T, onto) @ whole)[which]
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

"""Bounded biharmonic weights in the body's volume: a published yardstick, not a quick method."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError
from autoweight.methods import Problem
from autoweight.rows import scaled
from autoweight.skeleton.bones import Bones, nearest
from autoweight.surface.tetrahedra import Tetrahedra, tetrahedra
from autoweight.vectors import diagonal

__all__ = ["bounded", "energy", "solve"]

ALONG = 48
"""Places along a bone of the length of the bounding-box diagonal that are held to its joint."""

BLOCK = 4
"""Joints solved for at once where nothing bounds them."""

OFF = 3e-3
"""Weights are taken that are no further out of bounds, before they are cut off there, and moved no
further in the last step."""

FAR = 1e-4
"""Where a joint's weight would not reach this even without bounds it is 0 from the start. Less than
half the time; with `OFF` it costs a mean L1 of 0.0016 (a figure of 19 joints) against neither."""

STEPS = 60


def solve(problem: Problem) -> sparse.csr_array:
    """Bounded biharmonic weights, joint by joint, scaled to sum to 1.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)

    Raises
    ------
    GeometryError
        The mesh encloses no volume, or no solution within the bounds is found.

    Notes
    -----
    The volume is that of `autoweight.surface.tetrahedra`. Places along each bone, its ends
    included, are held to 1 for its joint and to 0 for others, and to equal shares where bones
    meet; a joint whose bones are all outside holds the corner nearest to the middle of one, if no
    other joint's bone is nearer to that (a root on the floor has no weight); a detached piece
    without a bone is held at the corner nearest to one. As in the paper's section 4, sums are not
    constrained but scaled afterwards.

    Seventeen seconds for 23 thousand vertices and 84 joints on one core; time grows with their
    product and more.

    References
    ----------
    Jacobson, Baran, Popović & Sorkine, "Bounded biharmonic weights for real-time deformation",
    TOG 30(4), 2011.
    """
    surface = problem.surface
    count, joints = len(surface), len(problem.skeleton)
    problem.progress("cutting the body", 0.0)
    length = np.linalg.norm(problem.bones.tail - problem.bones.head, axis=1)
    counts = np.maximum(np.ceil(ALONG * length / surface.diagonal).astype(int), 2) + 1
    places, which = problem.bones.places(counts)
    body = tetrahedra(surface, places)
    held, values = _handles(body, problem.bones, places, which, joints)
    found = bounded(energy(body), held, values, problem)
    used = np.zeros(len(body.points), dtype=bool)
    used[body.corners] = True
    row = np.arange(count)
    bare = np.flatnonzero(~used[:count])  # no tetrahedron has it: as the nearest that one has
    row[bare] = np.flatnonzero(used)[cKDTree(body.points[used]).query(body.points[bare])[1]]
    return scaled(sparse.csr_array(found.tocsr()[row]))


def energy(body: Tetrahedra) -> sparse.csr_array:
    """The matrix of the Laplacian energy, L M⁻¹ L, (p, p), of the body at unit size."""
    points = body.points / diagonal(body.points)
    used = np.zeros(len(body.points), dtype=bool)
    used[body.corners] = True
    stiffness = sparse.csr_array(igl.cotmatrix(points, body.corners))
    mass = np.where(used, igl.massmatrix(points, body.corners, 0).diagonal(), 1.0)
    return sparse.csr_array(stiffness @ sparse.diags_array(1 / mass) @ stiffness)


def _handles(
    body: Tetrahedra,
    bones: Bones,
    places: NDArray[np.float64],
    which: NDArray[np.intp],
    joints: int,
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Corners that are held, (h,), and to what, (h, j)."""
    used = np.unique(body.corners)
    tree = cKDTree(body.points[used])
    away, at = tree.query(places)
    on = away < 1e-4 * diagonal(body.points)
    corner, joint = used[at[on]], bones.joint[which[on]]

    outside = np.flatnonzero(~np.isin(bones.joint, joint))
    outside = outside[np.unique(bones.joint[outside], return_index=True)[1]]
    middle = (bones.head[outside] + bones.tail[outside]) / 2
    closest = used[tree.query(middle)[1]]
    bone, _ = nearest(body.points[closest], bones)
    mutual = bones.joint[bone] == bones.joint[outside]
    corner = np.append(corner, closest[mutual])
    joint = np.append(joint, bones.joint[outside[mutual]])

    links = np.repeat(body.corners[:, :1], 3, axis=1).ravel(), body.corners[:, 1:].ravel()
    linked = sparse.coo_array((np.ones(len(links[0])), links), shape=(len(body.points),) * 2)
    piece = connected_components(linked, directed=False)[1]
    # A corner that no tetrahedron has is a piece too, and held like one.
    for lost in np.setdiff1d(piece, piece[corner]):
        own = np.flatnonzero(piece == lost)
        bone, away = nearest(body.points[own], bones)
        first = away.argmin()
        corner, joint = np.append(corner, own[first]), np.append(joint, bones.joint[bone[first]])

    held, row = np.unique(corner, return_inverse=True)
    values = np.zeros((len(held), joints))
    values[row, joint] = 1.0
    return held, values / values.sum(axis=1, keepdims=True)


def bounded(
    matrix: sparse.csr_array,
    held: NDArray[np.intp],
    values: NDArray[np.float64],
    problem: Problem | None = None,
) -> sparse.csc_array:
    """Minimise ½ wᵀ A w for each column, with 0 ≤ w ≤ 1 and some values held.

    Parameters
    ----------
    matrix : csr_array, shape (p, p)
        A, positive definite where nothing is held.
    held : ndarray, shape (h,), int
    values : ndarray, shape (h, j)
    problem : Problem, optional
        Told of progress.

    Returns
    -------
    csc_array, shape (p, j)

    Raises
    ------
    GeometryError
        A column that does not come within its bounds.

    References
    ----------
    Hintermüller, Ito & Kunisch, "The primal-dual active set strategy as a semismooth Newton
    method", SIAM J. Optimization 13(3), 2002.
    """
    count, joints = matrix.shape[0], values.shape[1]
    free = np.ones(count, dtype=bool)
    free[held] = False
    moved = np.flatnonzero(free)
    right = matrix[moved][:, held] @ values
    start = np.zeros((count, joints))
    start[held] = values
    start[moved] = _solved(matrix[moved][:, moved], -right)
    columns = []
    for joint in range(joints):
        if problem:
            problem.progress("biharmonic", joint / joints)
        column = start[:, joint]
        if values[:, joint].any():
            near = np.abs(column) >= FAR
            column = _within(matrix, free & near, np.where(near, column, 0.0))
        columns.append(sparse.csc_array(np.clip(column, 0, 1)[:, None]))
    return sparse.csc_array(sparse.hstack(columns, format="csc"))


def _within(
    matrix: sparse.csr_array, free: NDArray[np.bool_], column: NDArray[np.float64]
) -> NDArray[np.float64]:
    scale = np.where(free, matrix.diagonal(), 1.0)
    push = np.zeros(len(column))
    fixed = np.where(free, 0.0, column)
    for _ in range(STEPS):
        low = free & (column - push / scale < 0)
        high = free & (column - push / scale > 1)
        inner = np.flatnonzero(free & ~low & ~high)
        before, column = column, fixed + high
        rows = matrix[inner]
        column[inner] = _solved(rows[:, inner], -(rows @ column)[:, None])[:, 0]
        out = max(-column.min(), column.max() - 1, np.abs(column - before).max())
        if out < OFF:
            return column
        push = matrix @ column
        push[inner] = 0
    raise GeometryError("no weights within bounds were found; take another method")


def _solved(matrix: sparse.csr_array, right: NDArray[np.float64]) -> NDArray[np.float64]:
    plan = igl.min_quad_with_fixed_data()
    none = np.zeros(0, dtype=np.int64), sparse.csc_matrix((0, matrix.shape[0]))
    igl.min_quad_with_fixed_precompute(sparse.csc_matrix(matrix), *none, True, plan)
    found = []
    for begin in range(0, right.shape[1], BLOCK):
        # libigl minimises ½ xᵀ A x + xᵀ b, whence the sign.
        some = np.ascontiguousarray(-right[:, begin : begin + BLOCK])
        empty = np.zeros((0, some.shape[1]))
        found.append(igl.min_quad_with_fixed_solve(plan, some, empty, empty))
    solution = np.concatenate(found, axis=1)
    if not np.isfinite(solution).all():
        raise GeometryError("the body cannot be solved in; check its mesh for slivers")
    return solution

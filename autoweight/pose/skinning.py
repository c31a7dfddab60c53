"""Where posed joints take the vertices: linear blend and dual quaternion skinning."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.rig import Skeleton
from autoweight.rows import entry_rows, owners

__all__ = [
    "SKINNINGS",
    "Skinning",
    "carried",
    "dual_quaternion",
    "linear_blend",
    "moved_by_each",
    "turning",
]

FRAMES_AT_ONCE = 32
"""So many frames are worked on together: enough to fill a row, few enough to stay in cache."""

RIGID = 1e-6
"""A transform whose stretch is nearer than this to none is a rotation and a translation."""

FLAT = 1e-9
"""A map that leaves less than this of a cube, its edges' lengths aside, has flattened it."""


def carried(skeleton: Skeleton, world: NDArray) -> NDArray:
    """What a pose does to a point that is held by one joint alone.

    Parameters
    ----------
    skeleton : Skeleton
    world : ndarray, shape (..., j, 4, 4)
        World transforms of the joints.

    Returns
    -------
    ndarray, shape (..., j, 4, 4)
        World transform after inverse bind transform; the identity in the bind pose.
    """
    return world @ np.linalg.inv(skeleton.rest)


def moved_by_each(points: NDArray[np.float64], transforms: NDArray) -> NDArray[np.float64]:
    """Where each transform by itself takes each point.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    transforms : ndarray, shape (k, 4, 4)

    Returns
    -------
    ndarray, shape (n, k, 3)
    """
    return np.einsum("kab,nb->nka", transforms[:, :3, :3], points) + transforms[:, :3, 3]


def linear_blend(
    vertices: NDArray[np.float64], weights: sparse.csr_array, transforms: NDArray
) -> NDArray:
    """Move vertices by the weighted mean of their joints' transforms.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
        In bind space.
    weights : csr_array, shape (n, j)
    transforms : ndarray, shape (j, 4, 4) or (f, j, 4, 4)
        From `carried`; float32 halves memory and time.

    Returns
    -------
    ndarray, shape (n, 3) or (f, n, 3)
        Of the floating-point type of the transforms.
    """
    if transforms.ndim == 3:
        return linear_blend(vertices, weights, transforms[None])[0]
    frames, joints = transforms.shape[:2]
    count = len(vertices)
    # w·(x, y, z, 1) of each influence in one row, so that all frames are one sparse product.
    homogeneous = np.column_stack([vertices, np.ones(count)])
    row = entry_rows(weights)
    spread = sparse.csr_array(
        (
            (weights.data[:, None] * homogeneous[row]).astype(transforms.dtype).ravel(),
            (4 * weights.indices[:, None] + np.arange(4)).astype(weights.indices.dtype).ravel(),
            4 * weights.indptr,
        ),
        shape=(count, 4 * joints),
    )
    moved = np.empty((frames, count, 3), dtype=transforms.dtype)
    for begin in range(0, frames, FRAMES_AT_ONCE):
        chunk = transforms[begin : begin + FRAMES_AT_ONCE, :, :3, :]
        columns = chunk.transpose(1, 3, 0, 2).reshape(4 * joints, -1)
        product = spread @ np.ascontiguousarray(columns)
        moved[begin : begin + len(chunk)] = product.reshape(count, -1, 3).swapaxes(0, 1)
    return moved


def dual_quaternion(
    vertices: NDArray[np.float64], weights: sparse.csr_array, transforms: NDArray
) -> NDArray:
    """Move vertices by the weighted mean of their joints' screw motions.

    Stretch and shear of a joint are blended linearly first, its rotation and translation as
    unit dual quaternions after. Of the two quaternions for each rotation the one on the side of
    the vertex's heaviest joint is taken, so that the way round is the short one.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
        In bind space.
    weights : csr_array, shape (n, j)
    transforms : ndarray, shape (j, 4, 4) or (f, j, 4, 4)
        From `carried`, none of them mirroring.

    Returns
    -------
    ndarray, shape (n, 3) or (f, n, 3)
        Of the floating-point type of the transforms.

    References
    ----------
    L. Kavan, S. Collins, J. Žára, C. O'Sullivan, Geometric skinning with approximate dual
    quaternion blending, ACM Transactions on Graphics 27(4), 2008.
    """
    if transforms.ndim == 3:
        return dual_quaternion(vertices, weights, transforms[None])[0]
    moved = np.empty((len(transforms), len(vertices), 3), dtype=transforms.dtype)
    for begin in range(0, len(transforms), FRAMES_AT_ONCE):
        chunk = transforms[begin : begin + FRAMES_AT_ONCE]
        real, dual, stretch = _dual_quaternions(chunk)
        if np.abs(stretch - np.eye(3)).max() > RIGID:
            affine = np.zeros_like(chunk)
            affine[..., :3, :3] = stretch
            affine[..., 3, 3] = 1
            start = linear_blend(vertices, weights, affine)
        else:
            start = np.broadcast_to(vertices.astype(chunk.dtype), moved[: len(chunk)].shape)
        for joint, rows in _by_heaviest(weights):
            side = np.where(np.einsum("fjq,fq->fj", real, real[:, joint]) < 0, -1, 1)
            both = np.concatenate([real, dual], axis=-1) * side[..., None].astype(chunk.dtype)
            columns = np.ascontiguousarray(both.transpose(1, 0, 2).reshape(len(side[0]), -1))
            mean = (weights[rows].astype(chunk.dtype) @ columns).reshape(len(rows), -1, 8)
            moved[begin : begin + len(chunk), rows] = _applied(mean.swapaxes(0, 1), start[:, rows])
    return moved


Skinning = Callable[[NDArray[np.float64], sparse.csr_array, NDArray], NDArray]
"""Bind-space vertices, weights and `carried` transforms in, moved vertices out."""

SKINNINGS: dict[str, Skinning] = {"linear": linear_blend, "dual": dual_quaternion}
"""The ways to skin, by the name a user gives."""


def turning(linear: NDArray) -> tuple[Rotation, NDArray[np.bool_]]:
    """The rotation in each linear map, and whether there is one.

    Parameters
    ----------
    linear : ndarray, shape (n, 3, 3)

    Returns
    -------
    Rotation
        The nearest one, of length n; none at all for a map that flattens or mirrors.
    ndarray, shape (n,), bool
        False where the map flattens or mirrors, as a joint does that is scaled to nothing to hide
        what hangs on it.
    """
    linear = linear.astype(np.float64)
    lengths = np.linalg.norm(linear, axis=1).prod(axis=1)
    turns = np.linalg.det(linear) > FLAT * lengths
    return Rotation.from_matrix(np.where(turns[:, None, None], linear, np.eye(3))), turns


def _dual_quaternions(transforms: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Real and dual part, (f, j, 4) with the scalar last, and the stretch, (f, j, 3, 3)."""
    linear = transforms[..., :3, :3]
    rotation, _ = turning(linear.reshape(-1, 3, 3))
    real = rotation.as_quat().reshape(*linear.shape[:2], 4).astype(transforms.dtype)
    stretch = rotation.as_matrix().reshape(linear.shape).swapaxes(-1, -2) @ linear
    shift = transforms[..., :3, 3]
    dual = np.empty_like(real)
    dual[..., :3] = (shift * real[..., 3:] + np.cross(shift, real[..., :3])) / 2
    dual[..., 3] = -(shift * real[..., :3]).sum(axis=-1) / 2
    return real, dual, stretch


def _by_heaviest(weights: sparse.csr_array) -> list[tuple[int, NDArray[np.int64]]]:
    """Rows grouped by the joint with the largest weight in them, the first of equals."""
    owner = owners(weights)
    grouped = np.argsort(owner, kind="stable")
    joints, begin = np.unique(owner[grouped], return_index=True)
    return list(zip(joints.tolist(), np.split(grouped, begin[1:]), strict=True))


def _applied(mean: NDArray, points: NDArray) -> NDArray:
    """Turn and shift points by blended dual quaternions, (f, n, 8), that are not unit yet."""
    mean = mean / np.linalg.norm(mean[..., :4], axis=-1, keepdims=True)
    real, real_w, dual, dual_w = np.split(mean, [3, 4, 7], axis=-1)
    turned = points + 2 * np.cross(real, np.cross(real, points) + real_w * points)
    return turned + 2 * (real_w * dual - dual_w * real + np.cross(real, dual))

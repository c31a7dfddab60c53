"""Where joints hand over: the stretch of skin that changes shape when a joint turns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.rig import Skeleton
from autoweight.surface import Surface

__all__ = ["Zone", "shares", "subtrees", "zones"]

FAINT = 0.01
"""Shares nearer than this to none or all hardly change the shape; they may still stray."""


@dataclass(frozen=True, eq=False)
class Zone:
    """The faces between what a joint carries wholly and what it does not carry.

    Parameters
    ----------
    joint : int
    vertices : ndarray, shape (z,)
        Surface vertices of the faces, ascending.
    faces : ndarray, shape (k, 3)
        Into `vertices`.
    caps : ndarray, shape (c, 3)
        Fans that close the zone's open ends, into `vertices` followed by the rows of `rims`.
    rims : csr_array, shape (r, z)
        The middle of each open end as a mean of vertices.
    contour : csr_array, shape (2 * s, z)
        The ends of segments, from the first to the second half, of the largest loop along
        which the joint carries half.
    """

    joint: int
    vertices: NDArray[np.int64]
    faces: NDArray[np.int64]
    caps: NDArray[np.int64]
    rims: sparse.csr_array
    contour: sparse.csr_array

    @cached_property
    def edges(self) -> NDArray[np.int64]:
        """Each undirected edge of the faces once, (e, 2)."""
        ends = np.concatenate([self.faces[:, [0, 1]], self.faces[:, [1, 2]], self.faces[:, [2, 0]]])
        low, high = np.sort(ends, axis=1).T
        count = len(self.vertices)
        return np.column_stack(np.divmod(np.unique(low * count + high), count))


def subtrees(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Whether joint i is joint k or below it, (j, j) as [i, k]."""
    found = np.eye(len(skeleton), dtype=bool)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            found[joint] |= found[parent]
    return found


def shares(skeleton: Skeleton, weights: sparse.csr_array) -> sparse.csc_array:
    """How much of each vertex a joint carries, with all that hangs below it, (n, j)."""
    return sparse.csc_array(weights @ sparse.csr_array(subtrees(skeleton).astype(np.float64)))


def zones(surface: Surface, skeleton: Skeleton, weights: sparse.csr_array) -> list[Zone]:
    """The zone of each joint that has one.

    Parameters
    ----------
    surface : Surface
    skeleton : Skeleton
    weights : csr_array, shape (n, j)
        One row for each surface vertex.

    Returns
    -------
    list of Zone
        In the order of the joints. A root that carries all has none.
    """
    carried = shares(skeleton, weights)
    found = []
    share = np.zeros(len(surface))
    for joint in range(len(skeleton)):
        held = carried.indices[carried.indptr[joint] : carried.indptr[joint + 1]]
        share[held] = carried.data[carried.indptr[joint] : carried.indptr[joint + 1]]
        corner = share[surface.faces]
        bends = (corner.max(axis=1) > FAINT) & (corner.min(axis=1) < 1 - FAINT)
        if bends.any():
            found.append(_zone(joint, surface.faces[bends], share))
        share[held] = 0
    return found


def _zone(joint: int, faces: NDArray[np.int32], share: NDArray[np.float64]) -> Zone:
    vertices, local = np.unique(faces, return_inverse=True)
    local = local.reshape(-1, 3)
    caps, rims = _ends(local, len(vertices))
    return Zone(
        joint,
        vertices.astype(np.int64),
        local,
        caps,
        rims,
        _half_way(local, share[vertices]),
    )


def _ends(faces: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], sparse.csr_array]:
    """Fans over the open ends of some faces, and their middles."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    key = start * count + end
    open_ = ~np.isin(key, end * count + start)
    start, end = start[open_], end[open_]
    on_rim, place = np.unique(np.concatenate([start, end]), return_inverse=True)
    start_place, end_place = place[: len(start)], place[len(start) :]
    joined = sparse.coo_array(
        (np.ones(len(start)), (start_place, end_place)), shape=(len(on_rim), len(on_rim))
    )
    number, rim = connected_components(joined, directed=False)
    size = np.bincount(rim, minlength=number)
    rims = sparse.csr_array((1 / size[rim], (rim, on_rim)), shape=(number, count))
    caps = np.column_stack([end, start, count + rim[start_place]])
    return caps, rims


def _half_way(faces: NDArray[np.int64], share: NDArray[np.float64]) -> sparse.csr_array:
    """Segments of the largest loop where a joint's share passes a half."""
    count = len(share)
    above = share[faces] > 0.5
    crossed = above.any(axis=1) & ~above.all(axis=1)
    faces, above = faces[crossed], above[crossed]
    # Turned so that the corner on its own side comes first; the segment joins its two edges.
    lone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), above.argmin(axis=1))
    turned = np.take_along_axis(faces, (lone[:, None] + np.arange(3)) % 3, axis=1)
    lone_above = above[np.arange(len(faces)), lone]
    first, second = turned[:, [0, 1]], turned[:, [2, 0]]
    start = np.where(lone_above[:, None], first, second)
    end = np.where(lone_above[:, None], second, first)
    ends = np.concatenate([start, end])
    low, high = np.sort(ends, axis=1).T
    part = (0.5 - share[low]) / (share[high] - share[low])
    row = np.arange(len(ends))
    points = sparse.csr_array(
        (
            np.concatenate([1 - part, part]),
            (np.concatenate([row, row]), np.concatenate([low, high])),
        ),
        shape=(len(ends), count),
    )
    if len(faces) == 0:
        return points
    _, crossing = np.unique(low * count + high, return_inverse=True)
    links = sparse.coo_array(
        (np.ones(len(faces)), (crossing[: len(faces)], crossing[len(faces) :])),
        shape=(crossing.max() + 1,) * 2,
    )
    loop = connected_components(links, directed=False)[1][crossing[: len(faces)]]
    largest = np.flatnonzero(loop == np.bincount(loop).argmax())
    return points[np.concatenate([largest, len(faces) + largest])]

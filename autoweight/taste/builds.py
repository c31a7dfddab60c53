"""How a skeleton is built: where its joints are and point, whatever its size, side and pose."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.distance import cdist

from autoweight.rig import Skeleton
from autoweight.skeleton.bones import Frames, heirs
from autoweight.skeleton.sides import PAIR_TOLERANCE, Plane, likely_plane, sideless
from autoweight.surface import Surface
from autoweight.vectors import unit

__all__ = ["Build", "build"]

SYMMETRIC = 0.8
"""Share of the joints that must have a joint in their mirror image for a plane to have two sides,
where no names say so."""

SHORT = 1e-3
"""A bone shorter than this, in sizes of the mesh, has no direction and a usual length."""


@dataclass(frozen=True, eq=False)
class Build:
    """Joints of a skeleton, as they would be if all were on one side.

    Parameters
    ----------
    words : tuple of str
        Their names in lower case, without the side.
    fleshed : ndarray, shape (j,), bool
        Which of them may have weight.
    side : ndarray, shape (j,), int
        1 and -1 on either side of the plane, 0 on it, and 1 for all where there is none.
    mirror : ndarray, shape (3, 3)
        Turns directions into their mirror images.
    lateral : ndarray, shape (3,)
        Normal of the plane; zero where there is none.
    parent : ndarray, shape (j,)
        The nearest ancestor that may have weight, -1 for none.
    place : ndarray, shape (j, 3)
        From the middle of the mesh, in diagonals of its box, on the positive side.
    way : ndarray, shape (j, 3)
        Unit direction of each bone, on the positive side; along the plane for joints on it.
    length : ndarray, shape (j,)
        Of the bone, in scene units, above 0.
    held : ndarray, shape (j,)
        Share of the surface that the default gives to each.
    size : float
        Diagonal of the mesh's box, in scene units.
    """

    words: tuple[str, ...]
    fleshed: NDArray[np.bool_]
    side: NDArray[np.int64]
    mirror: NDArray[np.float64]
    lateral: NDArray[np.float64]
    parent: NDArray[np.intp]
    place: NDArray[np.float64]
    way: NDArray[np.float64]
    length: NDArray[np.float64]
    held: NDArray[np.float64]
    size: float

    @cached_property
    def keys(self) -> tuple[tuple[str, bool], ...]:
        """The kinds of joint there are: their words, and whether they are off the plane."""
        each = zip(self.words, (self.side != 0).tolist(), strict=True)
        return tuple(dict.fromkeys(each))

    @cached_property
    def kinds(self) -> NDArray[np.int64]:
        """The kind of each joint, (j,); left and right are of one."""
        index = {key: number for number, key in enumerate(self.keys)}
        each = zip(self.words, (self.side != 0).tolist(), strict=True)
        return np.array([index[key] for key in each], dtype=np.int64)

    @cached_property
    def first(self) -> NDArray[np.intp]:
        """The first joint of each kind, of those with flesh where there are any, (kinds,)."""
        order = np.lexsort((np.arange(len(self.kinds)), ~self.fleshed, self.kinds))
        return order[np.unique(self.kinds[order], return_index=True)[1]]

    @cached_property
    def holds(self) -> NDArray[np.float64]:
        """Share of the surface that the joints of each kind have, (kinds,)."""
        return np.bincount(self.kinds, self.held).astype(np.float64)


def build(
    skeleton: Skeleton,
    fleshed: NDArray[np.bool_],
    frames: Frames,
    surface: Surface,
    solved: sparse.csr_array,
) -> Build:
    """Look at a skeleton as others are to be compared with it.

    Parameters
    ----------
    skeleton : Skeleton
    fleshed : ndarray, shape (j,), bool
        The joints that may have weight.
    frames : Frames
        Where their bones are.
    surface : Surface
        Has a size when joints have none, and says the same whoever carries flesh.
    solved : csr_array, shape (n, j)
        What the default makes of it.

    Returns
    -------
    Build
    """
    at = skeleton.positions
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    size = surface.diagonal
    plane = likely_plane(skeleton) or _even_plane(at, size)
    lateral, mirror, side = np.zeros(3), np.eye(3), np.ones(len(skeleton), dtype=np.int64)
    if plane is not None:
        height = plane.heights(at)
        side = np.where(np.abs(height) <= PAIR_TOLERANCE * size, 0, np.sign(height)).astype(int)
        lateral = plane.normal
        mirror = np.eye(3) - 2 * np.outer(lateral, lateral)
    way = frames.end - frames.start
    length = np.linalg.norm(way, axis=1)
    short = length < SHORT * size
    way[short] = [0.0, 1.0, 0.0]
    way = unit(way)
    length[short] = np.median(length[~short]) if (~short).any() else size
    place = (at - (low + high) / 2) / size
    if plane is not None:  # across, the middle is the plane and not that of the box
        place += np.outer(height / size - place @ lateral, lateral)
    place[side < 0] = place[side < 0] @ mirror
    way[side < 0] = way[side < 0] @ mirror
    centre = side == 0
    flat = way[centre] - np.outer(way[centre] @ lateral, lateral)
    long = np.linalg.norm(flat, axis=1, keepdims=True)
    way[centre] = np.where(long > 0.1, flat / np.maximum(long, 0.1), way[centre])
    above = heirs(skeleton, fleshed)
    parent = np.where(skeleton.parents >= 0, above[skeleton.parents], -1)
    return Build(
        tuple(sideless(name) for name in skeleton.names),
        fleshed,
        side,
        mirror,
        lateral,
        parent,
        place,
        way,
        length,
        surface.areas @ solved / surface.areas.sum(),
        size,
    )


def _even_plane(at: NDArray[np.float64], size: float) -> Plane | None:
    """A plane through the origin across which the joints lie alike, by place alone."""
    found = []
    for name in "xyz":
        plane = Plane.named(name)
        near = cdist(plane.reflect(at), at).min(axis=1) <= PAIR_TOLERANCE * size
        found.append((float(near.mean()), plane))
    share, plane = max(found, key=lambda each: each[0])  # x goes first among equals
    return plane if share >= SYMMETRIC else None

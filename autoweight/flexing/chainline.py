"""How evenly a chain turns: the rotation of rings of skin from station to station along it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.rig import Skeleton
from autoweight.skeleton.chains import Chain
from autoweight.surface import Surface

__all__ = ["Line", "kinks", "lines"]

STATIONS = (5, 3)
"""Stations a bone, odd so that a joint is amid them; the first that gives each a ring."""

RING = 4
"""Fewer vertices do not tell how a station is turned."""

LEAST_JOINTS = 4
LEAST_TURN = np.radians(4)
"""A stretch that turns by less than this round a joint is too little to tell."""


@dataclass(frozen=True, eq=False)
class Line:
    """A chain as rings of vertices.

    Parameters
    ----------
    chain : Chain
    stations : int
        To a bone.
    rings : csr_array, shape (bones * stations, n)
        Rows sum to 1.
    """

    chain: Chain
    stations: int
    rings: sparse.csr_array


def lines(
    surface: Surface, skeleton: Skeleton, owner: NDArray[np.int32], chains: tuple[Chain, ...]
) -> list[Line]:
    """Rings along the chains that are long enough to turn evenly or not.

    Parameters
    ----------
    surface : Surface
    skeleton : Skeleton
    owner : ndarray, shape (n,)
        The heaviest joint of each vertex.
    chains : tuple of Chain

    Returns
    -------
    list of Line
    """
    found = []
    for chain in chains:
        if len(chain.joints) < LEAST_JOINTS:
            continue
        mine = np.flatnonzero(np.isin(owner, chain.joints))
        along = _along(surface.vertices[mine], skeleton.positions[list(chain.joints)])
        bones = len(chain.joints) - 1
        for stations in STATIONS:
            ring = np.floor(along * stations).astype(np.int64)
            inside = (ring >= 0) & (ring < bones * stations)
            size = np.bincount(ring[inside], minlength=bones * stations)
            if (size >= RING).all():
                area = np.bincount(ring[inside], surface.areas[mine[inside]])
                part = surface.areas[mine[inside]] / area[ring[inside]]
                rings = sparse.csr_array(
                    (part, (ring[inside], mine[inside])),
                    shape=(bones * stations, len(surface)),
                )
                found.append(Line(chain, stations, rings))
                break
    return found


def kinks(line: Line, rest: NDArray, moved: NDArray) -> NDArray[np.float64]:
    """How much of a chain's turn is in one spot.

    Parameters
    ----------
    line : Line
    rest : ndarray, shape (n, 3)
    moved : ndarray, shape (f, n, 3)

    Returns
    -------
    ndarray, shape (f, joints)
        For each joint of the chain 0 where the rings turn evenly from half a bone before it to
        half a bone after, 1 where all of it is between two of them; NaN at the ends, and where
        the joint or both its neighbours hardly turn.
    """
    joints = len(line.chain.joints)
    turn = _turns(line, rest, moved)
    found = np.full((len(moved), joints), np.nan)
    # The step into a joint's own bone is amid its window.
    inner = np.arange(1, joints - 1)
    window = inner[:, None] * line.stations - 1 + np.arange(line.stations) - line.stations // 2
    local = turn[:, window]
    total = local.sum(axis=-1)
    even = total / line.stations
    spot = (local.max(axis=-1) - even) / np.maximum(total - even, 1e-12)
    turns = total > LEAST_TURN
    beside = np.pad(turns, ((0, 0), (1, 1)))
    found[:, 1:-1] = np.where(turns & (beside[:, :-2] | beside[:, 2:]), spot, np.nan)
    return found


def _along(points: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where the nearest point of a line of bones is: bone number and part of it."""
    best, found = np.full(len(points), np.inf), np.zeros(len(points))
    for number, (head, tail) in enumerate(itertools.pairwise(at)):
        step = tail - head
        part = (points - head) @ step / max(step @ step, 1e-300)
        end = number == len(at) - 2
        kept = np.clip(part, 0, 1)
        apart = np.linalg.norm(points - head - kept[:, None] * step, axis=1)
        nearer = apart < best
        # Beyond the last bone, and before the first, a vertex is on no bone.
        best[nearer] = apart[nearer]
        beyond = (part < 0) & (number == 0) | (part > 1) & end
        found[nearer] = np.where(beyond, -1.0, number + np.minimum(kept, 1 - 1e-9))[nearer]
    return found


def _turns(line: Line, rest: NDArray, moved: NDArray) -> NDArray[np.float64]:
    """Angle between the rotations of each ring and the next, (f, s - 1).

    The rotation that fits a ring best, by the singular value decomposition of its covariance
    with itself at rest (W. Kabsch, Acta Crystallographica A 32, 1976).
    """
    stations = line.rings.shape[0]
    columns = np.ascontiguousarray(moved.transpose(1, 0, 2)).reshape(moved.shape[1], -1)
    mean = (line.rings @ columns).reshape(stations, -1, 3)
    start = line.rings @ rest
    covariance = np.empty((len(moved), stations, 3, 3))
    for axis in range(3):
        weighed = sparse.csr_array(line.rings * rest[:, axis])
        mixed = (weighed @ columns).reshape(stations, -1, 3)
        covariance[..., axis] = (mixed - mean * start[:, None, axis, None]).swapaxes(0, 1)
    left, _, right = np.linalg.svd(covariance)
    left[..., -1] *= np.sign(np.linalg.det(left @ right))[..., None]
    spin = left @ right
    step = spin[:, :-1].swapaxes(-1, -2) @ spin[:, 1:]
    return Rotation.from_matrix(step.reshape(-1, 3, 3)).magnitude().reshape(len(moved), -1)

"""How evenly a chain bends: the turning of its middle line from station to station."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.chains import Chain
from autoweight.rig import Skeleton
from autoweight.surface import Surface

__all__ = ["Line", "kinks", "lines"]

STATIONS = (5, 4, 3)
"""Stations a bone; the first that leaves none of them without vertices."""

LEAST_JOINTS = 4
LEAST_TURN = np.radians(4)
"""A joint whose stretch of the line turns by less bends too little to tell."""


@dataclass(frozen=True, eq=False)
class Line:
    """The middle line of a chain as means of rings of vertices.

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
    """Middle lines of the chains that are long enough to bend evenly or not.

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
            area = np.bincount(
                ring[inside], surface.areas[mine[inside]], minlength=bones * stations
            )
            if (area > 0).all():
                part = surface.areas[mine[inside]] / area[ring[inside]]
                rings = sparse.csr_array(
                    (part, (ring[inside], mine[inside])),
                    shape=(bones * stations, len(surface)),
                )
                found.append(Line(chain, stations, rings))
                break
    return found


def kinks(line: Line, rest: NDArray, moved: NDArray) -> NDArray[np.float64]:
    """How much of a chain's bend is in one spot.

    Parameters
    ----------
    line : Line
    rest : ndarray, shape (n, 3)
    moved : ndarray, shape (f, n, 3)

    Returns
    -------
    ndarray, shape (f, joints)
        For each joint of the chain 0 where the curvature of the middle line is even from half a
        bone before it to half a bone after, 1 where all of it is at one station; NaN at the
        ends, and where the joint or a neighbour hardly bends.
    """
    turning = _turning(line, moved) - _turning(line, rest[None])
    joints = len(line.chain.joints)
    found = np.full((len(moved), joints), np.nan)
    half = line.stations // 2
    # Station k is in the middle of its stretch; joint i begins bone i.
    window = np.array(
        [
            np.arange(line.stations) + joint * line.stations - half - line.stations % 2
            for joint in range(1, joints - 1)
        ]
    )
    local = np.abs(turning[:, window])
    total = local.sum(axis=-1)
    peak = (local.max(axis=-1) / np.maximum(total, 1e-12) * line.stations - 1) / (line.stations - 1)
    bends = total > LEAST_TURN
    beside = np.pad(bends, ((0, 0), (1, 1)))
    found[:, 1:-1] = np.where(bends & (beside[:, :-2] | beside[:, 2:]), peak, np.nan)
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


def _turning(line: Line, points: NDArray) -> NDArray[np.float64]:
    """Angle between the steps to and from each station, (f, s), 0 at both ends."""
    columns = np.ascontiguousarray(points.transpose(1, 0, 2)).reshape(points.shape[1], -1)
    at = (line.rings @ columns).reshape(line.rings.shape[0], -1, 3).swapaxes(0, 1)
    step = np.diff(at, axis=1)
    one, other = step[:, :-1], step[:, 1:]
    angle = np.arctan2(
        np.linalg.norm(np.cross(one, other), axis=-1), np.einsum("fsi,fsi->fs", one, other)
    )
    return np.pad(angle, ((0, 0), (1, 1)))

"""Joints out of a Skeleton prim, and how they rest there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import SkeletonError
from autoweight.io.usd.library import bindings
from autoweight.io.usd.moment import Moment
from autoweight.pose.clip import rest_local
from autoweight.rig import Skeleton

__all__ = ["Frame", "frame_of", "read_skeleton", "spare_ends"]


@dataclass(frozen=True, eq=False)
class Frame:
    """How a skeleton rests in its stage, without motion.

    Parameters
    ----------
    rest : ndarray, shape (j, 4, 4)
        Each joint within its parent joint, a root within the skeleton prim.
    from_bind : ndarray, shape (4, 4)
        From bind space to that of the skeleton prim, by the first root.
    children : tuple of str
        Names of the prims below it.
    """

    rest: NDArray[np.float64]
    from_bind: NDArray[np.float64]
    children: tuple[str, ...]


def read_skeleton(prim: Any, moment: Moment) -> tuple[tuple[str, ...], Skeleton]:
    """The joints of a Skeleton prim, as paths, and as a skeleton in bind space."""
    pxr = bindings()
    schema = pxr.UsdSkel.Skeleton(prim)
    paths = tuple(schema.GetJointsAttr().Get() or ())
    topology = pxr.UsdSkel.Topology(list(paths))
    valid, reason = topology.Validate()
    if not valid:
        raise SkeletonError(f"{prim.GetPath()}: {reason.rstrip('.')}; export the skeleton again")
    parents = np.array(topology.GetParentIndices(), dtype=np.int32)
    rest = _matrices(schema.GetBindTransformsAttr().Get())
    if len(rest) == 0:
        rest = _matrices(schema.GetRestTransformsAttr().Get())
        world = moment.place(prim)
        for joint, parent in enumerate(parents[: len(rest)]):
            rest[joint] = (rest[parent] if parent >= 0 else world) @ rest[joint]
    if len(rest) != len(paths):
        raise SkeletonError(
            f"{prim.GetPath()}: has {len(paths)} joints but {len(rest)} bind transforms; "
            "export the skeleton again"
        )
    given = tuple(schema.GetJointNamesAttr().Get() or ())
    short = tuple(path.rsplit("/", 1)[-1] for path in paths)
    names = next(
        (each for each in (given, short) if len(each) == len(paths) == len(set(each))), paths
    )
    return paths, Skeleton(names, parents, rest)


def _matrices(values: Any) -> NDArray[np.float64]:
    return np.array(values if values else [], dtype=np.float64).reshape(-1, 4, 4).swapaxes(1, 2)


def spare_ends(
    queries: Iterable[Any], joints: tuple[str, ...], skeleton: Skeleton
) -> dict[int, NDArray[np.float64]]:
    """Last joints that no mesh lists, in the frame of the joint they hang from, (k, 3)."""
    listed: set[str] = set()
    for query in queries:
        order = query.GetJointOrder()
        if order is None:
            return {}
        listed |= set(order)
    spare = np.array([joint not in listed for joint in joints]) & bool(listed)
    spare &= [not below for below in skeleton.children]
    found = {}
    for joint, below in enumerate(skeleton.children):
        if below and spare[list(below)].all():
            places = np.column_stack([skeleton.positions[list(below)], np.ones(len(below))])
            found[joint] = np.linalg.solve(skeleton.rest[joint], places.T)[:3].T
    return found


def frame_of(prim: Any, skeleton: Skeleton, moment: Moment) -> Frame:
    """How the skeleton that was read from a prim rests there."""
    children = tuple(prim.GetAllChildrenNames())
    rest = _matrices(bindings().UsdSkel.Skeleton(prim).GetRestTransformsAttr().Get())
    sound = len(rest) == len(skeleton) and np.isfinite(rest).all()
    if sound and (np.abs(np.linalg.det(rest[:, :3, :3])) > 0).all():
        return Frame(rest, rest[0] @ np.linalg.inv(skeleton.rest[0]), children)
    from_bind = np.linalg.inv(moment.place(prim)).astype(np.float64)
    rest = rest_local(skeleton)
    roots = skeleton.parents < 0
    rest[roots] = from_bind @ rest[roots]
    return Frame(rest, from_bind, children)

"""Which meshes of a stage belong to which skeleton, and which of them are wanted."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Any

import numpy as np

from autoweight.errors import SkeletonError, suggestion
from autoweight.io.usd.library import bindings, within
from autoweight.io.usd.moment import Moment
from autoweight.io.usd.specs import define_skeleton, identifiers
from autoweight.pose.clip import rest_local
from autoweight.rig import Skeleton

__all__ = ["at_root", "called", "instances", "make_room", "moved", "names"]


def instances(prims: Sequence[Any]) -> tuple[str, ...]:
    """Paths of the instances that prims are in, outer ones first."""
    found: dict[str, None] = {}
    for prim in prims:
        line = []
        while prim:
            if prim.IsInstance():
                line.append(str(prim.GetPath()))
            prim = prim.GetParent()
        found.update(dict.fromkeys(reversed(line)))
    return tuple(found)


def names(prims: list[Any]) -> dict[Any, str]:
    """The name of each prim, or its path where several have one name."""
    short = [prim.GetName() for prim in prims]
    return {
        prim: name if short.count(name) == 1 else str(prim.GetPath())
        for prim, name in zip(prims, short, strict=True)
    }


def moved(prim: Any, meshes: dict[Any, Any]) -> list[Any]:
    """The meshes bound to a skeleton, else those under its root that are bound to none."""
    bound = [mesh for mesh, theirs in meshes.items() if theirs == prim]
    if bound:
        return bound
    root = bindings().UsdSkel.Root
    top = root.Find(prim).GetPrim()
    free = [mesh for mesh, theirs in meshes.items() if not theirs]
    return [mesh for mesh in free if top and root.Find(mesh).GetPrim() == top]


def called(skeletons: list[Any]) -> dict[Any, str]:
    """What the character of each skeleton is called: the highest prim that no other is below."""
    lines = {prim: prim.GetPath().GetPrefixes() for prim in skeletons}
    own = {
        prim: next(
            (path for path in line if not any(path in lines[other] for other in others)), line[-1]
        )
        for prim, line in lines.items()
        for others in [[other for other in skeletons if other != prim]]
    }
    short = [path.name for path in own.values()]
    return {
        prim: path.name if short.count(path.name) == 1 else str(path) for prim, path in own.items()
    }


def at_root(skeletons: list[Any], called: dict[Any, str], root: str) -> list[Any]:
    """The skeletons that a name chooses: their own, or that of a prim above them.

    Raises
    ------
    SkeletonError
        There is none.
    """
    named = [prim for prim in skeletons if called[prim] == root]
    if not named:
        named = [
            prim
            for prim in skeletons
            if any(root in (each.name, str(each)) for each in prim.GetPath().GetPrefixes())
        ]
    if not named:
        raise SkeletonError(f"has no skeleton at {root!r}; {suggestion(root, called.values())}")
    return named


def make_room(stage: Any, skeleton: Skeleton, moment: Moment) -> None:
    """Put a skeleton above the meshes of a stage that has none, for as long as it is open.

    Raises
    ------
    SkeletonError
        The stage has one, or no one prim above all of its meshes.
    """
    pxr = bindings()
    prims = within(stage.GetPseudoRoot())
    if any(prim.IsA(pxr.UsdSkel.Skeleton) for prim in prims):
        raise SkeletonError("has joints of its own; leave out --skeleton")
    above = [prim.GetPath().GetParentPath() for prim in prims if prim.IsA(pxr.UsdGeom.Mesh)]
    if not above:
        return
    top = reduce(lambda one, other: one.GetCommonPrefix(other), above)
    while stage.GetPrimAtPath(top).IsA(pxr.UsdGeom.Mesh):
        top = top.GetParentPath()
    if top.IsAbsoluteRootPath():
        raise SkeletonError("has no one prim above all its meshes; put them under one")
    taken = {child.GetName() for child in stage.GetPrimAtPath(top).GetAllChildren()}
    name = identifiers(["Skeleton"], taken)[0]
    rest, roots = rest_local(skeleton), skeleton.parents < 0
    rest[roots] = np.linalg.solve(moment.place(stage.GetPrimAtPath(top)), rest[roots])
    define_skeleton(stage.GetSessionLayer(), f"{top}/{name}", skeleton, rest)

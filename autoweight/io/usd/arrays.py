"""Points, faces, weights and custom values out of the prims of a stage."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, SkeletonError
from autoweight.io.parts import from_slots
from autoweight.io.usd.library import bindings, within
from autoweight.io.usd.moment import Moment
from autoweight.io.usd.specs import CUSTOM

__all__ = [
    "customs",
    "has_points",
    "indexed",
    "lookup",
    "queries",
    "refuse_unfit",
    "triangles",
    "weights",
]


def queries(meshes: Iterable[Any]) -> dict[Any, Any]:
    """How each prim below the roots of some meshes is skinned, what it inherits included."""
    pxr = bindings()
    instances = pxr.Usd.TraverseInstanceProxies(pxr.Usd.PrimDefaultPredicate)
    cache, tops = pxr.UsdSkel.Cache(), {}
    for mesh in meshes:
        top = pxr.UsdSkel.Root.Find(mesh)
        if not top:
            raise FileError(
                f"{mesh.GetPath()} is not under a SkelRoot, so nothing moves it; make a prim above "
                "it one"
            )
        tops[top.GetPath()] = top
    found = {}
    for top in tops.values():
        cache.Populate(top, instances)
        for prim in within(top.GetPrim()):
            found[prim.GetPath()] = cache.GetSkinningQuery(prim)
    return {path: query for path, query in found.items() if query}


def has_points(mesh: Any) -> bool:
    """Whether a mesh has any, at the time it would be read at."""
    points, first = mesh.GetPointsAttr(), bindings().Usd.TimeCode.EarliestTime()
    return bool(points.Get() or points.Get(first))


def triangles(mesh: Any, name: str, points: int, moment: Moment) -> NDArray[np.int64]:
    """Faces as triangles, in fans."""
    sides = np.array(moment.value(mesh.GetFaceVertexCountsAttr()), dtype=np.int64)
    corners = np.array(moment.value(mesh.GetFaceVertexIndicesAttr()), dtype=np.int64)
    if sides.sum() != len(corners) or (sides < 0).any():
        raise FileError(
            f"part {name!r}: its faces should have {sides.sum()} corners, {len(corners)} are "
            "there; export it again"
        )
    if len(corners) and (corners.min() < 0 or corners.max() >= points):
        raise FileError(
            f"part {name!r}: a face points outside its {points} points; export it again"
        )
    solid = sides >= 3
    if not solid.any():
        return np.zeros((0, 3), dtype=np.int64)
    corners, sides = corners[np.repeat(solid, sides)], sides[solid]
    triangles, _ = igl.polygons_to_triangles(corners, np.concatenate([[0], np.cumsum(sides)]))
    return triangles[:, ::-1] if mesh.GetOrientationAttr().Get() == "leftHanded" else triangles


def lookup(name: str, order: list[str], joints: tuple[str, ...]) -> NDArray[np.int32]:
    """The number among the skeleton's joints of each that a part lists, (k,).

    Raises
    ------
    SkeletonError
        The skeleton does not have one.
    """
    position = {joint: number for number, joint in enumerate(joints)}
    foreign = [joint for joint in order if joint not in position]
    if foreign:
        raise SkeletonError(
            f"part {name!r} is bound to {foreign[0]!r}, which its skeleton does not have; "
            "export them together"
        )
    return np.array([position[joint] for joint in order], dtype=np.int32)


def weights(
    query: Any, name: str, points: int, columns: NDArray[np.int32], joints: int, moment: Moment
) -> sparse.csr_array:
    """Influences of every point, constant ones spread over all."""
    indices, values = (
        np.array(moment.flat(primvar))
        for primvar in (query.GetJointIndicesPrimvar(), query.GetJointWeightsPrimvar())
    )
    width = query.GetNumInfluencesPerComponent()
    rows = 1 if query.IsRigidlyDeformed() else points
    if len(indices) != rows * width or len(values) != rows * width:
        raise FileError(
            f"part {name!r} has {len(indices)} joint indices and {len(values)} weights, not "
            f"{rows} times {width} each; export it again"
        )
    indices, values = indices.reshape(rows, width), values.reshape(rows, width)
    found = from_slots(indices, values, columns, joints, name)
    return found if rows == points else sparse.csr_array(found[[0] * points])


def refuse_unfit(prim: Any, name: str) -> None:
    """Refuse influences that the library warns of and then leaves out, as if there were none."""
    pxr = bindings()
    if not pxr.UsdSkel.BindingAPI(prim).GetInheritedSkeleton():
        return
    primvars = pxr.UsdGeom.PrimvarsAPI(prim)
    pair = [
        primvars.FindPrimvarWithInheritance(f"skel:{what}")
        for what in ("jointIndices", "jointWeights")
    ]
    if any(each.HasValue() for each in pair):
        told = " and ".join(
            f"{each.GetPrimvarName()[5:]} ({each.GetElementSize()} each, {each.GetInterpolation()})"
            if each.HasValue()
            else f"no {each.GetPrimvarName()[5:]}"
            for each in pair
        )
        raise FileError(
            f"part {name!r} has {told}, which OpenUSD does not use as they are; export it again"
        )


def customs(prim: Any, points: int) -> dict[str, NDArray[Any]]:
    """The primvars of a mesh that are custom values of its points."""
    found = {}
    for primvar in bindings().UsdGeom.PrimvarsAPI(prim).GetPrimvars():
        name = primvar.GetPrimvarName()
        if not name.startswith(CUSTOM) or primvar.GetInterpolation() not in ("vertex", "varying"):
            continue
        values = np.array(primvar.ComputeFlattened())
        if values.dtype.kind in "biuf" and len(values) and len(values) % points == 0:
            found[name] = values if len(values) == points else values.reshape(points, -1)
    return found


def indexed(prim: Any) -> frozenset[str]:
    """The primvars of a mesh whose values are kept once and referred to by their number."""
    primvars = bindings().UsdGeom.PrimvarsAPI(prim).GetPrimvars()
    return frozenset(each.GetName() for each in primvars if each.IsIndexed())

"""Joint motion in OpenUSD: SkelAnimation prims, written and read.

Source: OpenUSD, UsdSkel schemas (SkelAnimation, SkelBindingAPI). An animation gives each joint's
transform within its parent joint, a root's within the skeleton; its scales are half floats.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.io.usd.library import bindings, within
from autoweight.io.usd.skeletons import Frame
from autoweight.io.usd.specs import apply_schema, identifiers, set_attribute, set_relation
from autoweight.pose.clip import Clip
from autoweight.rig import Skeleton

__all__ = ["author", "read"]

STILL = 1e-6
"""A joint that stays where it rests to within this, in parts of its largest value, is left out."""
PARTS = ("translations", "rotations", "scales")


def author(
    layer: Any,
    prim: str,
    joints: Sequence[str],
    skeleton: Skeleton,
    frame: Frame,
    clips: Sequence[Clip],
) -> None:
    """Add clips below a Skeleton prim, and play the first.

    Parameters
    ----------
    layer : Sdf.Layer
        With the metadata of the stage it is for.
    prim : str
        Path of the skeleton.
    joints : sequence of str
        Its joints, as paths.
    skeleton : Skeleton
        The same in bind space.
    frame : Frame
        How the skeleton rests.
    clips : sequence of Clip
        In bind space.

    Raises
    ------
    SkeletonError
        A clip has other joints, or a joint is sheared, which no SkelAnimation can say.
    """
    pxr = bindings()
    holder = pxr.Sdf.CreatePrimInLayer(layer, prim)
    taken = {child.name for child in holder.nameChildren} | set(frame.children)
    roots = skeleton.parents < 0
    rate = layer.timeCodesPerSecond
    paths = []
    for clip, name in zip(clips, identifiers([clip.name for clip in clips], taken), strict=True):
        wanted = clip.of(skeleton)
        wanted[:, roots] = frame.from_bind @ wanted[:, roots]
        off = np.abs(wanted - frame.rest).max(axis=(0, 2, 3))
        moving = np.flatnonzero(off > STILL * np.abs(wanted).max(axis=(0, 2, 3))).tolist() or [0]
        names = [skeleton.names[joint] for joint in moving]
        values = clip.parts(wanted[:, moving], names, "a SkelAnimation")
        paths.append(f"{prim}/{name}")
        spec = pxr.Sdf.CreatePrimInLayer(layer, paths[-1])
        spec.specifier, spec.typeName = pxr.Sdf.SpecifierDef, "SkelAnimation"
        tokens = pxr.Vt.TokenArray([joints[joint] for joint in moving])
        set_attribute(spec, "joints", "TokenArray", tokens, uniform=True)
        for kind, arrays in zip(PARTS, values, strict=True):
            _samples(layer, spec, kind, clip.times * rate, arrays)
        for edge, best in (("startTimeCode", min), ("endTimeCode", max)):
            ends = [clip.times[0] * rate, clip.times[-1] * rate]
            if layer.pseudoRoot.HasInfo(edge):
                ends.append(layer.pseudoRoot.GetInfo(edge))
            layer.pseudoRoot.SetInfo(edge, float(best(ends)))
    apply_schema(holder, "SkelBindingAPI")
    set_relation(holder, "skel:animationSource", paths[:1])


def read(
    stage: Any, joints: Sequence[str], skeleton: Skeleton, frame: Frame, name: str
) -> list[Clip]:
    """The animations of a stage that move joints of a skeleton, at all their times.

    Parameters
    ----------
    stage : Usd.Stage
    joints, skeleton, frame
        See `author`.
    name : str
        Path of the skeleton prim.

    Returns
    -------
    list of Clip
        In bind space. The one that the skeleton plays comes first.
    """
    pxr = bindings()
    position = {joint: number for number, joint in enumerate(joints)}
    cache = pxr.UsdSkel.Cache()
    playing = pxr.UsdSkel.BindingAPI(stage.GetPrimAtPath(name)).GetInheritedAnimationSource()
    prims = [prim for prim in within(stage.GetPseudoRoot()) if prim.IsA(pxr.UsdSkel.Animation)]
    found = []
    for prim in sorted(prims, key=lambda prim: prim != playing):
        query = cache.GetAnimQuery(pxr.UsdSkel.Animation(prim))
        if not query:
            continue
        order = [position.get(joint) for joint in query.GetJointOrder()]
        moved = [(at, joint) for at, joint in enumerate(order) if joint is not None]
        times = query.GetJointTransformTimeSamples()
        if not moved or not times:
            continue
        source, target = np.array(moved).T
        local = np.tile(frame.rest, (len(times), 1, 1, 1))
        for number, time in enumerate(times):
            values = np.array(query.ComputeJointLocalTransforms(time), dtype=np.float64)
            local[number][target] = values.swapaxes(1, 2)[source]
        roots = skeleton.parents < 0
        local[:, roots] = np.linalg.inv(frame.from_bind) @ local[:, roots]
        seconds = np.array(times) / stage.GetTimeCodesPerSecond()
        found.append(Clip(prim.GetName(), seconds, local))
    return found


def _samples(
    layer: Any, spec: Any, name: str, times: NDArray[np.float64], values: NDArray[np.float64]
) -> None:
    """Set an attribute's value at each time."""
    sdf, vt = bindings().Sdf, bindings().Vt
    kind, array, stored = {
        "translations": (sdf.ValueTypeNames.Float3Array, vt.Vec3fArray, np.float32),
        "rotations": (sdf.ValueTypeNames.QuatfArray, vt.QuatfArray, np.float32),
        "scales": (sdf.ValueTypeNames.Half3Array, vt.Vec3hArray, np.float16),
    }[name]
    attribute = sdf.AttributeSpec(spec, name, kind)
    for time, row in zip(times.tolist(), values.astype(stored), strict=True):
        layer.SetTimeSample(attribute.path, time, array.FromNumpy(np.ascontiguousarray(row)))

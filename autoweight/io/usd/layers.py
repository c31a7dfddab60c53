"""Layers to write: on top of a file, with its content, or new; and their way to disk."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from autoweight.errors import WeightsError
from autoweight.io import atomic
from autoweight.io.usd import motion, packages
from autoweight.io.usd.library import bindings, opened
from autoweight.io.usd.skeletons import Frame
from autoweight.io.usd.specs import bind, define_skeleton, identifiers, set_custom, set_influences
from autoweight.pose.clip import Clip, rest_local
from autoweight.rig import Rig

__all__ = ["FRESH", "export", "fresh", "over"]

FRESH = "/Rig/Skeleton"
"""The skeleton of a layer that is new."""


def over(source: Path, path: Path, flatten: bool) -> Any:
    """A layer to be written to `path`, on top of a file or with its content."""
    sdf = bindings().Sdf
    stage = opened(source)
    if flatten or path.suffix.lower() == ".usdz":
        flat = stage.Flatten(addSourceFileComment=False)
        if path.suffix.lower() != ".usdz":
            packages.named_from(path, flat)
        return flat
    layer = sdf.Layer.CreateAnonymous(".usda")
    if path.exists() and path.samefile(source):
        layer.TransferContent(stage.GetRootLayer())
        return layer
    layer.subLayerPaths.append(packages.seen_from(path, source))
    # What holds for a whole stage is read from its strongest layer alone.
    below, above = stage.GetRootLayer().pseudoRoot, layer.pseudoRoot
    for key in below.ListInfoKeys():
        if key not in ("subLayers", "subLayerOffsets", "comment", "documentation"):
            above.SetInfo(key, below.GetInfo(key))
    return layer


def fresh(rig: Rig, bits: int, clips: Sequence[Clip]) -> Any:
    """A layer of its own for a rig from another format, in metres and Y up as glTF is."""
    if rig.weights is None:
        raise WeightsError("there are no weights to write; solve them first")
    pxr = bindings()
    geom, skel, vt = pxr.UsdGeom, pxr.UsdSkel, pxr.Vt
    layer = pxr.Sdf.Layer.CreateAnonymous(".usda")
    stage = pxr.Usd.Stage.Open(layer)
    geom.SetStageUpAxis(stage, geom.Tokens.y)
    geom.SetStageMetersPerUnit(stage, 1.0)
    stage.SetDefaultPrim(skel.Root.Define(stage, "/Rig").GetPrim())

    define_skeleton(layer, FRESH, rig.skeleton, rest_local(rig.skeleton))
    names = identifiers([part.name for part in rig.mesh.parts], taken={"Skeleton"})
    local = np.arange(len(rig.skeleton), dtype=np.int32)
    for part, name in zip(rig.mesh.parts, names, strict=True):
        mesh = geom.Mesh.Define(stage, f"/Rig/{name}")
        points = rig.mesh.vertices[part.vertices].astype(np.float32)
        faces = rig.mesh.faces[part.faces] - part.vertices.start
        mesh.CreatePointsAttr(vt.Vec3fArray.FromNumpy(points))
        mesh.CreateExtentAttr(vt.Vec3fArray.FromNumpy(np.stack([points.min(0), points.max(0)])))
        mesh.CreateFaceVertexCountsAttr(
            vt.IntArray.FromNumpy(np.full(len(faces), 3, dtype=np.int32))
        )
        mesh.CreateFaceVertexIndicesAttr(vt.IntArray.FromNumpy(faces.ravel().astype(np.int32)))
        mesh.CreateSubdivisionSchemeAttr(geom.Tokens.none)
        prim = layer.GetPrimAtPath(mesh.GetPath())
        bind(prim, FRESH, np.eye(4))
        set_influences(prim, rig.weights.matrix[part.vertices], local, bits, constant=False)
        for attribute, values in rig.attributes.items():
            set_custom(prim, attribute, np.asarray(values)[part.vertices])
    if clips:
        joints = list(skel.Skeleton(stage.GetPrimAtPath(FRESH)).GetJointsAttr().Get())
        frame = Frame(rest_local(rig.skeleton), np.eye(4), ())
        motion.author(layer, FRESH, joints, rig.skeleton, frame, clips)
    return layer


def export(layer: Any, path: Path) -> None:
    """Write a layer to a file in one step."""
    with TemporaryDirectory() as folder:
        name = Path(folder, path.name)
        if path.suffix.lower() == ".usdz":
            name = packages.pack(layer, path, Path(folder))
        else:
            layer.Export(str(name))
        atomic.write(path, [name.read_bytes()])

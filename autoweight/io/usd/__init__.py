"""Rigs in OpenUSD files: UsdSkel read in bind space, weights written as a layer on top.

Source: OpenUSD, UsdSkel schemas (SkelRoot, Skeleton, SkelBindingAPI). A skinned point p is drawn
from geomBindTransform · p, moved by inverse bind transforms and joints; so that product is its
place in bind space, the space of ``bindTransforms``. Matrices act on row vectors there and on
column vectors here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, SkeletonError
from autoweight.io import encode
from autoweight.io import joints as joint_file
from autoweight.io.parts import attributes as joined
from autoweight.io.parts import chosen, stacked
from autoweight.io.usd import arrays, characters, layers, motion
from autoweight.io.usd.document import Block, UsdDocument
from autoweight.io.usd.library import bindings, opened, ours, within
from autoweight.io.usd.moment import Moment
from autoweight.io.usd.skeletons import frame_of, read_skeleton, spare_ends
from autoweight.pose.clip import Clip
from autoweight.rig import Mesh, Part, Rig, Skeleton
from autoweight.skeleton.tips import with_tips

__all__ = ["UsdDocument", "load_all", "load_clips", "save_all"]

EXTRAS = ("clips", "flatten")


@ours()
def save_all(
    rigs: Sequence[Rig],
    path: Path,
    *,
    bits: int | None,
    clips: Sequence[Sequence[Clip]] = (),
    flatten: bool = False,
) -> None:
    """Write the rigs of a file as OpenUSD; see `autoweight.io.save_all`.

    The weights go into a layer on top of the file, or the two are written as one: a ``.usdz``
    package always, and the file itself, which gets the weights in place.
    """
    document, motions = rigs[0].document, clips or [()] * len(rigs)
    if not isinstance(document, UsdDocument):
        layer = layers.fresh(rigs[0], bits or 32, motions[0])
    else:
        layer = layers.over(document.path, path, flatten)
        with bindings().Sdf.ChangeBlock():
            for rig, theirs in zip(rigs, motions, strict=True):
                assert isinstance(rig.document, UsdDocument)
                rig.document.author(layer, rig, bits, theirs)
    layers.export(layer, path)


@ours()
def load_clips(rig: Rig) -> list[Clip]:
    """The motion of the file a rig was read from; see `autoweight.io.load_clips`."""
    document = rig.document
    assert isinstance(document, UsdDocument)
    stage = opened(document.path)
    return motion.read(stage, document.joints, rig.skeleton, document.frame, document.skeleton)


@ours()
def load_all(
    path: Path, *, skeleton: str | Path | Skeleton | None, root: str | None, parts: Sequence[str]
) -> list[Rig]:
    """Read the rigs of an OpenUSD file; see `autoweight.io.load_all`.

    `root` is the name or path of a Skeleton prim or of a prim above it.
    """
    pxr = bindings()
    stage, moment, added = opened(path), Moment(path), None
    if skeleton is not None:
        added = joint_file.load(skeleton)
        characters.make_room(stage, added, moment)
    prims = within(stage.GetPseudoRoot())
    meshes = {
        prim: pxr.UsdSkel.BindingAPI(prim).GetInheritedSkeleton().GetPrim()
        for prim in prims
        if prim.IsA(pxr.UsdGeom.Mesh) and arrays.has_points(pxr.UsdGeom.Mesh(prim))
    }
    skeletons = [prim for prim in prims if prim.IsA(pxr.UsdSkel.Skeleton)]
    if not meshes:
        broken = stage.GetCompositionErrors()
        raise FileError(
            f"has no mesh, and a file it needs cannot be used: {broken[0]}"
            if broken
            else "has no mesh with points that is defined and active; export it with one"
        )
    if not skeletons:
        raise SkeletonError("has no Skeleton prim; give it joints with --skeleton FILE")
    names = characters.names(list(meshes))
    taken = set(
        chosen(meshes, {mesh: (names[mesh], str(mesh.GetPath())) for mesh in meshes}, parts)
    )
    called = characters.called(skeletons)
    moved = {prim: mine for prim in skeletons if (mine := characters.moved(prim, meshes))}
    wanted = list(moved) or skeletons
    if root is not None:
        wanted = characters.at_root(skeletons, called, root)
    rigs = []
    for prim in wanted:
        theirs = {mesh: names[mesh] for mesh in moved.get(prim, ()) if mesh in taken}
        if theirs:
            rig = _assemble(path, theirs, prim, arrays.queries(moved[prim]), moment, added)
            rigs.append(replace(rig, name=called[prim]) if len(moved) > 1 else rig)
    if not rigs:
        which = ", ".join(str(prim.GetPath()) for prim in wanted[:12])
        raise FileError(
            f"has no mesh that {which} moves or could move; put the mesh and the skeleton under "
            "one SkelRoot" + (", or choose other parts" if parts else "")
        )
    moment.tell()
    return rigs


def _assemble(
    path: Path,
    meshes: dict[Any, str],
    skeleton_prim: Any,
    queries: dict[Any, Any],
    moment: Moment,
    added: Skeleton | None,
) -> Rig:
    """The rig of a skeleton and the meshes it moves, with their names and how they are skinned."""
    pxr = bindings()
    joints, skeleton = read_skeleton(skeleton_prim, moment)
    if added is not None:
        skeleton = replace(skeleton, tips=added.tips)
    frame = frame_of(skeleton_prim, skeleton, moment)
    skeleton = with_tips(skeleton, spare_ends(queries.values(), joints, skeleton))
    vertices, faces, rows, blocks, parts = [], [], [], [], []
    customs: list[dict[str, NDArray[Any]]] = []
    count = face_count = 0
    for prim, name in meshes.items():
        moment.chosen(prim)
        mesh = pxr.UsdGeom.Mesh(prim)
        points = np.array(moment.value(mesh.GetPointsAttr()), dtype=np.float64).reshape(-1, 3)
        triangles = arrays.triangles(mesh, name, len(points), moment)
        query = queries.get(prim.GetPath())
        bind, columns, constant, found = None, np.arange(len(joints), dtype=np.int32), False, None
        if pxr.UsdSkel.BindingAPI(prim).GetInheritedSkeleton():
            place = np.eye(4) if query is None else np.array(query.GetGeomBindTransform()).T
        else:
            place = bind = moment.place(prim)
        if query is not None and query.HasJointInfluences():
            order = query.GetJointOrder()
            columns = columns if order is None else arrays.lookup(name, list(order), joints)
            constant = query.IsRigidlyDeformed()
            found = arrays.weights(query, name, len(points), columns, len(joints), moment)
        else:
            arrays.refuse_unfit(prim, name)
        span = slice(count, count + len(points))
        count, face_start, face_count = span.stop, face_count, face_count + len(triangles)
        vertices.append(points @ place[:3, :3].T + place[:3, 3])
        faces.append(triangles + span.start)
        rows.append(found)
        customs.append(arrays.customs(prim, len(points)))
        numbered = arrays.indexed(prim)
        blocks.append(Block(str(prim.GetPath()), span, columns, constant, bind, numbered))
        parts.append(Part(name, span, slice(face_start, face_count)))
    spans = [block.vertices for block in blocks]
    raw = stacked(rows, [span.stop - span.start for span in spans], len(joints))
    attributes = joined(zip(spans, customs, strict=True), count)
    weights = encode.sound(raw)
    document = UsdDocument(
        path,
        str(skeleton_prim.GetPath()),
        joints,
        tuple(blocks),
        raw,
        weights,
        attributes,
        frame,
        characters.instances([skeleton_prim, *meshes]),
        added,
    )
    mesh = Mesh(np.concatenate(vertices), np.concatenate(faces), tuple(parts))
    return Rig(mesh, skeleton, weights, document, attributes)

"""Rigs in OpenUSD files: UsdSkel read in bind space, weights written as a layer on top.

Source: OpenUSD, UsdSkel schemas (SkelRoot, Skeleton, SkelBindingAPI). A skinned point p is drawn
from geomBindTransform · p, moved by inverse bind transforms and joints; so that product is its
place in bind space, the space of ``bindTransforms``. Matrices act on row vectors there and on
column vectors here.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import reduce
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, SkeletonError, WeightsError, suggestion, unreadable
from autoweight.io import atomic, encode
from autoweight.io import joints as joint_file
from autoweight.rig import Mesh, Part, Rig, Skeleton
from autoweight.skeleton.tips import with_tips

__all__ = ["UsdDocument", "load_all", "save_all"]

CUSTOM = "_"
EXTRAS = ("flatten",)
"""Primvars whose name begins so are the custom values of a rig."""


def _pxr() -> Any:
    """The bindings, on first use: they are large, and an extra."""
    try:
        import pxr.Gf
        import pxr.Sdf
        import pxr.Tf
        import pxr.Usd
        import pxr.UsdGeom
        import pxr.UsdSkel
        import pxr.UsdUtils
        import pxr.Vt
    except ImportError as error:
        raise FileError(
            "OpenUSD files need the extra 'usd'; install what it brings with: pip install usd-core"
        ) from error
    return pxr


@dataclass(frozen=True, eq=False)
class Block:
    """One mesh prim of a stage.

    Parameters
    ----------
    prim : str
        Its path.
    vertices : slice
        Where its points are in the rig.
    columns : ndarray, shape (k,), int32
        The joint of the rig that each of the prim's own joint indices stands for.
    constant : bool
        Whether one set of weights is for all its points.
    bind : ndarray, shape (4, 4), or None
        From its points to bind space, for a prim that is yet to be bound; None for one that is.
    """

    prim: str
    vertices: slice
    columns: NDArray[np.int32]
    constant: bool
    bind: NDArray[np.float64] | None


@dataclass(frozen=True, eq=False)
class UsdDocument:
    """An OpenUSD file that a rig was read from.

    Parameters
    ----------
    path : Path
    skeleton : str
        Path of the skeleton prim.
    joints : tuple of str
        Its joints, as paths.
    blocks : tuple of Block
    raw_weights : csr_array, shape (n, j), or None
        The weights as the file has them, sound or not; None where no part has any.
    attributes : dict of str to array
        The custom values the file has.
    added : Skeleton, optional
        The skeleton, where the file is yet to get it.
    """

    path: Path
    skeleton: str
    joints: tuple[str, ...]
    blocks: tuple[Block, ...]
    raw_weights: sparse.csr_array | None
    attributes: dict[str, NDArray[Any]]
    added: Skeleton | None = None

    def author(self, layer: Any, rig: Rig, bits: int) -> None:
        """Write the weights and custom values of `rig` into a layer.

        Parameters
        ----------
        layer : Sdf.Layer
            On top of the file, or with its content.
        rig : Rig
            Of the same vertices and joints as the one that was read.
        bits : {32, 16, 8}

        Raises
        ------
        WeightsError
        """
        if rig.weights is None:
            raise WeightsError("there are no weights to write; solve them first")
        pxr = _pxr()
        if self.added is not None:
            _add_skeleton(layer, self.skeleton, self.added)
        changed = {
            name: np.asarray(values)
            for name, values in rig.attributes.items()
            if values is not self.attributes.get(name)
        }
        for block in self.blocks:
            prim = pxr.Sdf.CreatePrimInLayer(layer, block.prim)
            if block.bind is not None:
                _bind(prim, self.skeleton, block.bind)
            rows = rig.weights.matrix[block.vertices]
            columns = _columns(block.columns, rows)
            if len(columns) > len(block.columns):
                tokens = pxr.Vt.TokenArray([self.joints[joint] for joint in columns])
                _attribute(prim, "skel:joints", "TokenArray", tokens, uniform=True)
            local = np.zeros(len(self.joints), dtype=np.int32)
            local[columns] = np.arange(len(columns))
            constant = block.constant and (rows - rows[[0] * rows.shape[0]]).count_nonzero() == 0
            _influences(prim, rows[[0]] if constant else rows, local, bits, constant)
            for name, values in changed.items():
                _custom(prim, name, values[block.vertices])


def save_all(rigs: Sequence[Rig], path: Path, *, bits: int | None, flatten: bool = False) -> None:
    """Write the rigs of a file as OpenUSD; see `autoweight.io.save_all`.

    The weights go into a layer on top of the file, or the two are written as one: a ``.usdz``
    package always, and the file itself, which gets the weights in place.
    """
    bits, document = bits or 32, rigs[0].document
    if not isinstance(document, UsdDocument):
        _export(_layer_of(rigs[0], bits), path)
        return
    layer = _layer_over(document.path, path, flatten)
    with _pxr().Sdf.ChangeBlock():
        for rig in rigs:
            assert isinstance(rig.document, UsdDocument)
            rig.document.author(layer, rig, bits)
    _export(layer, path)


def _layer_over(source: Path, path: Path, flatten: bool) -> Any:
    """A layer to be written to `path`, on top of a file or with its content."""
    sdf = _pxr().Sdf
    stage = _open(source)
    if flatten or path.suffix.lower() == ".usdz":
        return stage.Flatten(addSourceFileComment=False)
    layer = sdf.Layer.CreateAnonymous(".usda")
    if path.exists() and path.samefile(source):
        layer.TransferContent(stage.GetRootLayer())
        return layer
    layer.subLayerPaths.append(_from(path, source))
    # What holds for a whole stage is read from its strongest layer alone.
    below, above = stage.GetRootLayer().pseudoRoot, layer.pseudoRoot
    for key in below.ListInfoKeys():
        if key not in ("subLayers", "subLayerOffsets", "comment", "documentation"):
            above.SetInfo(key, below.GetInfo(key))
    return layer


def load_all(
    path: Path, *, skeleton: str | Path | Skeleton | None, root: str | None, parts: Sequence[str]
) -> list[Rig]:
    """Read the rigs of an OpenUSD file; see `autoweight.io.load_all`.

    `root` is the name or path of a Skeleton prim or of a prim above it.
    """
    pxr = _pxr()
    stage, added = _open(path), None
    if skeleton is not None:
        added = joint_file.load(skeleton)
        _make_room(stage, added)
    prims = list(stage.Traverse())
    meshes = {
        prim: pxr.UsdSkel.BindingAPI(prim).GetInheritedSkeleton().GetPrim()
        for prim in prims
        if prim.IsA(pxr.UsdGeom.Mesh)
    }
    skeletons = [prim for prim in prims if prim.IsA(pxr.UsdSkel.Skeleton)]
    if not meshes:
        broken = stage.GetCompositionErrors()
        raise FileError(
            f"has no mesh, and a file it needs cannot be used: {broken[0]}"
            if broken
            else "has no mesh that is defined, active and not instanced; export it with one"
        )
    if not skeletons:
        raise SkeletonError("has no Skeleton prim; give it joints with --skeleton FILE")
    names = _names(list(meshes))
    chosen = _choose(meshes, names, parts)
    called = _called(skeletons)
    moved = {prim: mine for prim in skeletons if (mine := _moved(prim, meshes))}
    wanted = _at_root(skeletons, called, root) if root is not None else list(moved) or skeletons
    rigs = []
    for prim in wanted:
        mine = [mesh for mesh in moved.get(prim, ()) if mesh in chosen]
        if mine:
            joints, built = _skeleton(prim)
            built = with_tips(built, _spare_ends(prim, joints, built))
            mesh_names = [names[mesh] for mesh in mine]
            rig = _assemble(path, mine, mesh_names, prim, joints, built, added)
            rigs.append(replace(rig, name=called[prim]) if len(moved) > 1 else rig)
    if not rigs:
        which = ", ".join(str(prim.GetPath()) for prim in wanted[:12])
        raise FileError(
            f"has no mesh that {which} moves or could move; put the mesh and the skeleton under "
            "one SkelRoot" + (", or choose other parts" if parts else "")
        )
    return rigs


def _moved(prim: Any, meshes: dict[Any, Any]) -> list[Any]:
    """The meshes bound to a skeleton, else those under its root that are bound to none."""
    bound = [mesh for mesh, theirs in meshes.items() if theirs == prim]
    if bound:
        return bound
    root = _pxr().UsdSkel.Root
    top = root.Find(prim).GetPrim()
    free = [mesh for mesh, theirs in meshes.items() if not theirs]
    return [mesh for mesh in free if top and root.Find(mesh).GetPrim() == top]


def _make_room(stage: Any, skeleton: Skeleton) -> None:
    """Put a skeleton above the meshes of a stage that has none, for as long as it is open."""
    pxr = _pxr()
    prims = list(stage.Traverse())
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
    name = _identifiers(["Skeleton"], taken)[0]
    _add_skeleton(stage.GetSessionLayer(), f"{top}/{name}", skeleton)


def _add_skeleton(layer: Any, path: str, skeleton: Skeleton) -> None:
    """Define a Skeleton prim in a layer, and make the prim above it a SkelRoot."""
    sdf, vt = _pxr().Sdf, _pxr().Vt
    prim = sdf.CreatePrimInLayer(layer, path)
    prim.nameParent.typeName = "SkelRoot"
    prim.specifier, prim.typeName = sdf.SpecifierDef, "Skeleton"
    paths: list[str] = []
    for name, parent in zip(_identifiers(skeleton.names), skeleton.parents, strict=True):
        paths.append(name if parent < 0 else f"{paths[parent]}/{name}")
    rest, parents = skeleton.rest, skeleton.parents
    above = np.where((parents >= 0)[:, None, None], rest[np.maximum(parents, 0)], np.eye(4))
    for attribute, kind, value in (
        ("joints", "TokenArray", vt.TokenArray(paths)),
        ("jointNames", "TokenArray", vt.TokenArray(list(skeleton.names))),
        ("bindTransforms", "Matrix4dArray", _matrix_array(rest)),
        ("restTransforms", "Matrix4dArray", _matrix_array(np.linalg.inv(above) @ rest)),
    ):
        _attribute(prim, attribute, kind, value, uniform=True)


def _open(path: Path) -> Any:
    pxr = _pxr()
    try:
        path.stat()
    except OSError as error:
        raise unreadable(path, error) from error
    try:
        stage = pxr.Usd.Stage.Open(str(path))
    except pxr.Tf.ErrorException as error:
        # The last of its lines ends with what it has to say, in quotes.
        reason = str(error).strip().splitlines()[-1].rpartition(" : ")[2].strip("'")
        raise FileError(
            f"is not an OpenUSD file that can be read ({reason}); export it again"
        ) from error
    stage.Reload()  # layers stay in memory as long as anything holds them, whatever the disk has
    return stage


def _names(prims: list[Any]) -> dict[Any, str]:
    """The name of each prim, or its path where several have one name."""
    short = [prim.GetName() for prim in prims]
    return {
        prim: name if short.count(name) == 1 else str(prim.GetPath())
        for prim, name in zip(prims, short, strict=True)
    }


def _choose(
    meshes: dict[Any, Any], names: dict[Any, str], patterns: Sequence[str]
) -> dict[Any, Any]:
    def fits(mesh: Any, pattern: str) -> bool:
        return fnmatchcase(names[mesh], pattern) or fnmatchcase(str(mesh.GetPath()), pattern)

    for pattern in patterns:
        if not any(fits(mesh, pattern) for mesh in meshes):
            known = ", ".join(list(names.values())[:12])
            raise FileError(f"has no part {pattern!r}; it has {known}")
    return {
        mesh: skeleton
        for mesh, skeleton in meshes.items()
        if not patterns or any(fits(mesh, pattern) for pattern in patterns)
    }


def _called(skeletons: list[Any]) -> dict[Any, str]:
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


def _at_root(skeletons: list[Any], called: dict[Any, str], root: str) -> list[Any]:
    """The skeletons that a name chooses: their own, or that of a prim above them."""
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


def _skeleton(prim: Any) -> tuple[tuple[str, ...], Skeleton]:
    """The joints of a Skeleton prim, as paths, and as a skeleton in bind space."""
    pxr = _pxr()
    schema = pxr.UsdSkel.Skeleton(prim)
    paths = tuple(schema.GetJointsAttr().Get() or ())
    topology = pxr.UsdSkel.Topology(list(paths))
    valid, reason = topology.Validate()
    if not valid:
        raise SkeletonError(f"{prim.GetPath()}: {reason}; export the skeleton again")
    parents = np.array(topology.GetParentIndices(), dtype=np.int32)
    rest = _matrices(schema.GetBindTransformsAttr().Get())
    if len(rest) == 0:
        rest = _matrices(schema.GetRestTransformsAttr().Get())
        world = np.array(
            pxr.UsdGeom.Xformable(prim).ComputeLocalToWorldTransform(pxr.Usd.TimeCode.Default())
        ).T
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


def _spare_ends(
    prim: Any, joints: tuple[str, ...], skeleton: Skeleton
) -> dict[int, NDArray[np.float64]]:
    """Last joints that no mesh lists, in the frame of the joint they hang from, (k, 3)."""
    listed: set[str] = set()
    for query in _queries(prim).values():
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


def _matrices(values: Any) -> NDArray[np.float64]:
    return np.array(values if values else [], dtype=np.float64).reshape(-1, 4, 4).swapaxes(1, 2)


def _assemble(
    path: Path,
    prims: list[Any],
    names: list[str],
    skeleton_prim: Any,
    joints: tuple[str, ...],
    skeleton: Skeleton,
    added: Skeleton | None,
) -> Rig:
    pxr = _pxr()
    queries = _queries(skeleton_prim)
    vertices, faces, rows, blocks, parts = [], [], [], [], []
    customs: list[dict[str, NDArray[Any]]] = []
    count = face_count = 0
    for prim, name in zip(prims, names, strict=True):
        mesh = pxr.UsdGeom.Mesh(prim)
        points = np.array(_value(mesh.GetPointsAttr()), dtype=np.float64).reshape(-1, 3)
        triangles = _triangles(mesh, name, len(points))
        query = queries.get(prim.GetPath())
        bind, columns, constant, found = None, np.arange(len(joints), dtype=np.int32), False, None
        if pxr.UsdSkel.BindingAPI(prim).GetInheritedSkeleton():
            place = np.eye(4) if query is None else np.array(query.GetGeomBindTransform()).T
        else:
            place = bind = np.array(mesh.ComputeLocalToWorldTransform(pxr.Usd.TimeCode.Default())).T
        if query is not None and query.HasJointInfluences():
            order = query.GetJointOrder()
            columns = columns if order is None else _lookup(name, list(order), joints)
            constant = query.IsRigidlyDeformed()
            found = _weights(query, name, len(points), columns, len(joints))
        span = slice(count, count + len(points))
        count, face_start, face_count = span.stop, face_count, face_count + len(triangles)
        vertices.append(points @ place[:3, :3].T + place[:3, 3])
        faces.append(triangles + span.start)
        rows.append(found)
        customs.append(_customs(prim, len(points)))
        blocks.append(Block(str(prim.GetPath()), span, columns, constant, bind))
        parts.append(Part(name, span, slice(face_start, face_count)))
    raw = None
    if any(found is not None for found in rows):
        shapes = [(block.vertices.stop - block.vertices.start, len(joints)) for block in blocks]
        raw = sparse.csr_array(
            sparse.vstack(
                [
                    sparse.csr_array(shape) if found is None else found
                    for found, shape in zip(rows, shapes, strict=True)
                ],
                format="csr",
            )
        )
    attributes = _joined(customs, [block.vertices for block in blocks], count)
    document = UsdDocument(
        path, str(skeleton_prim.GetPath()), joints, tuple(blocks), raw, attributes, added
    )
    mesh = Mesh(np.concatenate(vertices), np.concatenate(faces), tuple(parts))
    return Rig(mesh, skeleton, encode.sound(raw), document, attributes)


def _queries(skeleton_prim: Any) -> dict[Any, Any]:
    """How each mesh below the skeleton's root is skinned, what it inherits included."""
    pxr = _pxr()
    cache, top = pxr.UsdSkel.Cache(), pxr.UsdSkel.Root.Find(skeleton_prim)
    if not top:
        raise FileError(
            f"{skeleton_prim.GetPath()} is not under a SkelRoot, so it moves nothing; make the "
            "prim above it one"
        )
    cache.Populate(top, pxr.Usd.PrimDefaultPredicate)
    prims = pxr.Usd.PrimRange(top.GetPrim())
    found = {prim.GetPath(): cache.GetSkinningQuery(prim) for prim in prims}
    return {path: query for path, query in found.items() if query}


def _value(attribute: Any) -> Any:
    """Its value, or the first of them where it changes with time."""
    value = attribute.Get()
    if value is None:
        value = attribute.Get(_pxr().Usd.TimeCode.EarliestTime())
    return () if value is None else value


def _triangles(mesh: Any, name: str, points: int) -> NDArray[np.int64]:
    """Faces as triangles, in fans."""
    sides = np.array(_value(mesh.GetFaceVertexCountsAttr()), dtype=np.int64)
    corners = np.array(_value(mesh.GetFaceVertexIndicesAttr()), dtype=np.int64)
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


def _lookup(name: str, order: list[str], joints: tuple[str, ...]) -> NDArray[np.int32]:
    position = {joint: number for number, joint in enumerate(joints)}
    foreign = [joint for joint in order if joint not in position]
    if foreign:
        raise SkeletonError(
            f"part {name!r} is bound to {foreign[0]!r}, which its skeleton does not have; "
            "export them together"
        )
    return np.array([position[joint] for joint in order], dtype=np.int32)


def _weights(
    query: Any, name: str, points: int, columns: NDArray[np.int32], joints: int
) -> sparse.csr_array:
    """Influences of every point, constant ones spread over all."""
    indices, values = (
        np.array(_value(primvar.GetAttr()))
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
    used = values != 0
    chosen = indices[used]
    if len(chosen) and (chosen.min() < 0 or chosen.max() >= len(columns)):
        raise FileError(
            f"part {name!r} has a joint index outside its {len(columns)} joints; export it again"
        )
    found = sparse.csr_array(
        (
            values[used].astype(np.float64),
            columns[chosen],
            np.concatenate([[0], np.cumsum(used.sum(axis=1))]),
        ),
        shape=(rows, joints),
    )
    found.sum_duplicates()
    return found if rows == points else sparse.csr_array(found[[0] * points])


def _customs(prim: Any, points: int) -> dict[str, NDArray[Any]]:
    """The primvars of a mesh that are custom values of its points."""
    found = {}
    for primvar in _pxr().UsdGeom.PrimvarsAPI(prim).GetPrimvars():
        name = primvar.GetPrimvarName()
        if not name.startswith(CUSTOM) or primvar.GetInterpolation() not in ("vertex", "varying"):
            continue
        values = np.array(primvar.ComputeFlattened())
        if values.dtype.kind in "biuf" and len(values) and len(values) % points == 0:
            found[name] = values if len(values) == points else values.reshape(points, -1)
    return found


def _joined(
    customs: list[dict[str, NDArray[Any]]], spans: list[slice], count: int
) -> dict[str, NDArray[Any]]:
    """Custom values for every vertex, 0 where a part has none."""
    whole: dict[str, NDArray[Any]] = {}
    for name in sorted({name for values in customs for name in values}):
        pieces = [
            (span, values[name])
            for span, values in zip(spans, customs, strict=True)
            if name in values
        ]
        shapes = {values.shape[1:] for _, values in pieces}
        if len(shapes) > 1:
            raise FileError(f"has {name} of different sizes in different parts; make them one")
        whole[name] = np.zeros(
            (count, *shapes.pop()), np.result_type(*(values for _, values in pieces))
        )
        for span, values in pieces:
            whole[name][span] = values
        whole[name].setflags(write=False)
    return whole


def _columns(columns: NDArray[np.int32], rows: sparse.csr_array) -> NDArray[np.int32]:
    """The joints of a prim, those it needs beside its own added behind."""
    return np.concatenate([columns, np.setdiff1d(rows.indices, columns)]).astype(np.int32)


def _attribute(prim: Any, name: str, kind: str, value: Any, *, uniform: bool = False) -> Any:
    """Set an attribute in one layer, over whatever it was there."""
    sdf = _pxr().Sdf
    spec = prim.attributes.get(name)
    if spec is None:
        variability = sdf.VariabilityUniform if uniform else sdf.VariabilityVarying
        spec = sdf.AttributeSpec(prim, name, getattr(sdf.ValueTypeNames, kind), variability)
    spec.ClearInfo("timeSamples")
    spec.default = value
    return spec


def _influences(
    prim: Any, rows: sparse.csr_array, local: NDArray[np.int32], bits: int, constant: bool
) -> None:
    vt = _pxr().Vt
    joints, values = encode.slots(rows, bits)
    if bits < 32:
        values = values.astype(np.float64) / (2**bits - 1)
    width = int((values > 0).sum(axis=1).max())
    joints, values = joints[:, :width], values[:, :width].astype(np.float32)
    joints = np.where(values > 0, local[joints], 0).astype(np.int32)
    for name, kind, value in (
        ("primvars:skel:jointIndices", "IntArray", vt.IntArray.FromNumpy(joints.ravel())),
        ("primvars:skel:jointWeights", "FloatArray", vt.FloatArray.FromNumpy(values.ravel())),
    ):
        spec = _attribute(prim, name, kind, value)
        spec.SetInfo("interpolation", "constant" if constant else "vertex")
        spec.SetInfo("elementSize", width)


def _custom(prim: Any, name: str, values: NDArray[Any]) -> None:
    if not name.startswith(CUSTOM):
        raise WeightsError(f"attribute {name!r}: custom names begin with an underscore")
    vt = _pxr().Vt
    table = values.reshape(len(values), -1)
    whole = table.dtype.kind in "biu"
    flat = np.ascontiguousarray(table, dtype=np.int32 if whole else np.float32).ravel()
    spec = _attribute(
        prim,
        f"primvars:{name}",
        "IntArray" if whole else "FloatArray",
        vt.IntArray.FromNumpy(flat) if whole else vt.FloatArray.FromNumpy(flat),
    )
    spec.SetInfo("interpolation", "vertex")
    spec.SetInfo("elementSize", table.shape[1])


def _bind(prim: Any, skeleton: str, place: NDArray[np.float64]) -> None:
    """Bind a prim that is not yet."""
    pxr = _pxr()
    schemas = prim.GetInfo("apiSchemas") if prim.HasInfo("apiSchemas") else pxr.Sdf.TokenListOp()
    schemas.prependedItems = [*schemas.prependedItems, "SkelBindingAPI"]
    prim.SetInfo("apiSchemas", schemas)
    relation = prim.relationships.get("skel:skeleton") or pxr.Sdf.RelationshipSpec(
        prim, "skel:skeleton", custom=False
    )
    relation.targetPathList.explicitItems = [skeleton]
    matrix = pxr.Gf.Matrix4d(place.T.tolist())
    _attribute(prim, "primvars:skel:geomBindTransform", "Matrix4d", matrix)


def _layer_of(rig: Rig, bits: int) -> Any:
    """A layer of its own for a rig from another format, in metres and Y up as glTF is."""
    if rig.weights is None:
        raise WeightsError("there are no weights to write; solve them first")
    pxr = _pxr()
    geom, skel, vt = pxr.UsdGeom, pxr.UsdSkel, pxr.Vt
    layer = pxr.Sdf.Layer.CreateAnonymous(".usda")
    stage = pxr.Usd.Stage.Open(layer)
    geom.SetStageUpAxis(stage, geom.Tokens.y)
    geom.SetStageMetersPerUnit(stage, 1.0)
    stage.SetDefaultPrim(skel.Root.Define(stage, "/Rig").GetPrim())

    _add_skeleton(layer, "/Rig/Skeleton", rig.skeleton)
    names = _identifiers([part.name for part in rig.mesh.parts], taken={"Skeleton"})
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
        _bind(prim, "/Rig/Skeleton", np.eye(4))
        _influences(prim, rig.weights.matrix[part.vertices], local, bits, constant=False)
        for attribute, values in rig.attributes.items():
            _custom(prim, attribute, np.asarray(values)[part.vertices])
    return layer


def _identifiers(names: Sequence[str], taken: set[str] | None = None) -> list[str]:
    """Names that a prim may have, all different."""
    tf, used, found = _pxr().Tf, set(taken or ()), []
    for name in names:
        plain = unique = tf.MakeValidIdentifier(name)
        count = 1
        while unique in used:
            count += 1
            unique = f"{plain}_{count}"
        used.add(unique)
        found.append(unique)
    return found


def _matrix_array(matrices: NDArray[np.float64]) -> Any:
    return _pxr().Vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(matrices.swapaxes(1, 2)))


def _from(path: Path, other: Path) -> str:
    """Where one file is, seen from another, as a layer says it."""
    here = os.path.relpath(other.resolve(), path.resolve().parent).replace(os.sep, "/")
    return here if here.startswith(".") else f"./{here}"


def _export(layer: Any, path: Path) -> None:
    """Write a layer to a file in one step."""
    pxr = _pxr()
    suffix = path.suffix.lower()
    with TemporaryDirectory() as folder:
        name = Path(folder, path.stem + (".usdc" if suffix == ".usdz" else suffix))
        layer.Export(str(name))
        if suffix == ".usdz":
            package = Path(folder, path.name)
            pxr.UsdUtils.CreateNewUsdzPackage(pxr.Sdf.AssetPath(str(name)), str(package))
            name = package
        atomic.write(path, [name.read_bytes()])

"""A new glTF file for a mesh and skeleton that do not come from one."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import autoweight
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.packing import INDICES, VERTICES, Packer
from autoweight.io.gltf.schema import Asset, Tree, decode
from autoweight.pose.clip import rest_local
from autoweight.pose.transforms import decompose
from autoweight.rig import Mesh, Skeleton

__all__ = ["glb", "with_joints"]

NO_PARENT = "skeleton"
TIP = "{}_tip"
ROUND = 9  # digits that float32 can tell apart, without the noise of an inversion behind them


def glb(
    mesh: Mesh,
    skeleton: Skeleton,
    *,
    normals: NDArray[np.float64] | None = None,
    uvs: NDArray[np.float64] | None = None,
    colours: NDArray[np.float64] | None = None,
    material: dict[str, Any] | None = None,
) -> bytes:
    """A GLB file with a skinned mesh that has no weights yet.

    Nodes 0 to j - 1 are the joints, the tips of their bones come next. Parts with vertices of
    their own become meshes; parts that share vertices become primitives of one.
    """
    asset = {"version": "2.0", "generator": f"autoweight {autoweight.__version__}"}
    tree: dict[str, Any] = {"asset": asset}
    packer = Packer(
        Container(None, b"", Tree(asset=Asset(version="2.0")), ()), tree, set(), glb=True
    )

    vertex_data = {"POSITION": np.asarray(mesh.vertices)}
    if normals is not None:
        vertex_data["NORMAL"] = np.asarray(normals)
    if uvs is not None:
        vertex_data["TEXCOORD_0"] = np.asarray(uvs)
    if colours is not None:
        vertex_data["COLOR_0"] = np.asarray(colours)
    views = {
        name: packer.view(values.astype("<f4"), VERTICES) for name, values in vertex_data.items()
    }
    groups: dict[tuple[int, int], list[int]] = {}
    for number, part in enumerate(mesh.parts):
        groups.setdefault((part.vertices.start, part.vertices.stop), []).append(number)
    corner = np.uint16 if len(mesh.vertices) < 65535 else np.uint32  # the highest is reserved
    nodes = joint_nodes(skeleton)
    tops = _common_top(nodes, skeleton, 0)
    meshes = []
    for (start, stop), numbers in sorted(groups.items()):
        attributes = {
            name: packer.accessor(
                view,
                f"VEC{vertex_data[name].shape[1]}",
                rows=slice(start, stop),
                bounds=name == "POSITION",
            )
            for name, view in views.items()
        }
        primitives = []
        for number in numbers:
            faces = mesh.faces[mesh.parts[number].faces] - start
            view = packer.view(faces.astype(corner).ravel(), INDICES)
            primitives.append(
                {"attributes": attributes, "indices": packer.accessor(view, "SCALAR")}
            )
            if material is not None:
                primitives[-1]["material"] = 0
        name = mesh.parts[numbers[0]].name
        meshes.append({"name": name, "primitives": primitives})
        nodes.append({"name": name, "mesh": len(meshes) - 1, "skin": 0})
        tops.append(len(nodes) - 1)
    inverse = np.linalg.inv(skeleton.rest)
    inverse[:, 3] = (0, 0, 0, 1)
    columns = packer.view(inverse.transpose(0, 2, 1).reshape(-1, 16).astype("<f4"))
    tree |= {
        "scene": 0,
        "scenes": [{"nodes": tops}],
        "nodes": nodes,
        "meshes": meshes,
        "skins": [
            {
                "inverseBindMatrices": packer.accessor(columns, "MAT4"),
                "joints": list(range(len(skeleton))),
            }
        ],
    }
    if material is not None:
        tree["materials"] = [material]
    return b"".join(packer.chunks())


def with_joints(source: Container, skeleton: Skeleton) -> tuple[Container, tuple[int, ...]]:
    """A file with the joints of a skeleton added to its scene, and the node of each."""
    tree = source.json()
    nodes = tree.setdefault("nodes", [])
    first = len(nodes)
    nodes += joint_nodes(skeleton, first)
    tops = _common_top(nodes, skeleton, first)
    for scene in tree.setdefault("scenes", [{}]):
        scene["nodes"] = [*scene.get("nodes", []), *tops]
    text = json.dumps(tree).encode()
    added = tuple(range(first, first + len(skeleton)))
    return replace(source, text=text, tree=decode(text)), added


def _common_top(nodes: list[dict[str, Any]], skeleton: Skeleton, first: int) -> list[int]:
    """The root joint, or a new node above several: the joints of a skin need a common root."""
    tops = [first + int(joint) for joint in np.flatnonzero(skeleton.parents < 0)]
    if len(tops) == 1:
        return tops
    nodes.append({"name": NO_PARENT, "children": tops})
    return [len(nodes) - 1]


def joint_nodes(skeleton: Skeleton, first: int = 0) -> list[dict[str, Any]]:
    """Nodes for the joints of a skeleton and then their tips, to be numbered from `first`."""
    local = rest_local(skeleton)
    tips = {joint: first + len(skeleton) + number for number, joint in enumerate(skeleton.tips)}
    nodes: list[dict[str, Any]] = []
    for joint, (matrix, move, turn, scale, exact) in enumerate(
        zip(local, *decompose(local), strict=True)
    ):
        node: dict[str, Any] = {"name": skeleton.names[joint]}
        below = [first + child for child in skeleton.children[joint]]
        if joint in tips:
            below.append(tips[joint])
        if below:
            node["children"] = below
        if not exact:
            node["matrix"] = matrix.T.ravel().tolist()
            nodes.append(node)
            continue
        for key, values, neutral in (
            ("translation", move.astype(np.float32), (0, 0, 0)),
            ("rotation", np.round(turn, ROUND), (0, 0, 0, 1)),
            ("scale", np.round(scale, ROUND), (1, 1, 1)),
        ):
            if (values != neutral).any():
                node[key] = (values + 0.0).tolist()  # no -0.0
        nodes.append(node)
    for joint, tip in skeleton.tips.items():
        move = np.linalg.solve(skeleton.rest[joint], np.append(tip, 1.0))[:3].astype(np.float32)
        name = TIP.format(skeleton.names[joint])
        nodes.append({"name": name, "translation": (move + 0.0).tolist()})
    return nodes

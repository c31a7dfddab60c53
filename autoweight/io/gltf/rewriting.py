"""Writing a glTF file again.

Only weights, joints, custom values and, where it is missing, the skin change, and what is asked to
be added. Source: Khronos, glTF 2.0, section 3.7.3 (skins).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import WeightsError
from autoweight.io import atomic, encode
from autoweight.io.gltf import clips, shapes
from autoweight.io.gltf.binding import Binding
from autoweight.io.gltf.document import GltfDocument
from autoweight.io.gltf.packing import VERTICES, Packer
from autoweight.io.gltf.schema import SKIN_ATTRIBUTE
from autoweight.pose.clip import Clip
from autoweight.rig import Rig, Skeleton, Weights

__all__ = ["Change", "rewrite"]

VECTOR = {1: "SCALAR", 2: "VEC2", 3: "VEC3", 4: "VEC4"}


@dataclass(frozen=True, eq=False)
class Change:
    """What of one rig is to be written.

    Parameters
    ----------
    document : GltfDocument
        The file as it was read.
    rig : Rig
        Of the same vertices and joints as the one that was read, with new weights and custom
        values.
    clips, shapes
        Appended to the animations and morph targets of the file.
    fades
        Factors for its morph targets.
    """

    document: GltfDocument
    rig: Rig
    clips: Sequence[Clip]
    shapes: Mapping[str, NDArray[np.float64]]
    fades: Mapping[str, NDArray[np.float64]]


def rewrite(changes: Sequence[Change], path: str | Path, *, bits: int | None = None) -> None:
    """Write a file again with the changes of rigs that were read from it.

    Parameters
    ----------
    changes : sequence of Change
        All of one file.
    path : str or Path
    bits : {32, 16, 8}, optional
        When left out, weights that are still those of the file stay as they are in it.

    Raises
    ------
    FileError, SkeletonError, WeightsError
    """
    path = Path(path)
    source = changes[0].document.source
    tree = source.json()
    replaced: set[int] = set()
    steps = []
    for change in changes:
        document, rig = change.document, change.rig
        new = None if bits is None and rig.weights is document.weights else rig.weights
        primitives = _primitives(document, tree)
        customs = {
            name: np.asarray(values)
            for name, values in rig.attributes.items()
            if values is not document.attributes.get(name)
        }
        replaced |= {
            primitive["attributes"].pop(name)
            for owned in primitives
            for primitive in owned
            for name in list(primitive["attributes"])
            if name in customs or (new is not None and SKIN_ATTRIBUTE.fullmatch(name))
        }
        fading, faded = shapes.fade(document, primitives, change.fades)
        replaced |= fading
        steps.append((change, new, primitives, customs, faded))
    packer = Packer(source, tree, replaced, glb=path.suffix.lower() == ".glb")
    for change, new, primitives, customs, faded in steps:
        document, skeleton = change.document, change.rig.skeleton
        lookups = _skins(document, packer, skeleton, new)
        clips.add(packer, document, skeleton, change.clips)
        shapes.store(packer, faded)
        shapes.add(packer, document, primitives, change.shapes)
        for name, values in customs.items():
            _attribute(document, packer, primitives, name, values)
        if new is not None:
            _weights(document, packer, primitives, lookups, new, bits or 32)
    beside = changes[0].document.beside(tree, path)
    chunks = packer.chunks()
    for old, copy in beside:
        atomic.copy(old, copy)
    atomic.write(path, chunks)


def _primitives(document: GltfDocument, tree: dict[str, Any]) -> list[list[dict[str, Any]]]:
    """The primitives of each block; a mesh that is also something else's gets a copy."""
    nodes = tree["nodes"]
    taken: dict[int, dict[int, Binding]] = {}
    for block in document.blocks:
        taken.setdefault(block.mesh, {})[block.node] = block.binding
    for mesh, owners in taken.items():
        shown = {number for number, node in enumerate(nodes) if node.get("mesh") == mesh}
        groups = [  # nodes with one skin draw one mesh in one place
            {each for each in shown if each == node or _same_skin(nodes[each], binding)}
            for node, binding in owners.items()
        ]
        others = shown - set().union(*groups)
        for group in groups if others else groups[1:]:
            tree["meshes"].append(deepcopy(tree["meshes"][mesh]))
            for node in group:
                nodes[node]["mesh"] = len(tree["meshes"]) - 1
    return [
        [
            tree["meshes"][nodes[block.node]["mesh"]]["primitives"][number]
            for number in block.primitives
        ]
        for block in document.blocks
    ]


def _skins(
    document: GltfDocument, packer: Packer, skeleton: Skeleton, weights: Weights | None
) -> dict[int, NDArray[np.int32]]:
    """Give every block's node a skin with the joints it needs; where each joint is in it.

    Returns
    -------
    dict of int to ndarray, shape (j,)
        By the id of the binding.
    """
    bindings = {id(block.binding): block.binding for block in document.blocks}
    used = {key: np.zeros(len(skeleton), dtype=bool) for key in bindings}
    if weights is not None:
        for block in document.blocks:
            used[id(block.binding)][weights.matrix[block.vertices].indices] = True
    lookups = {}
    position = {node: joint for joint, node in enumerate(document.joint_nodes)}
    for key, binding in bindings.items():
        lookup = np.full(len(skeleton), -1, dtype=np.int32)
        for number, node in reversed(list(enumerate(binding.joints))):
            lookup[position[node]] = number
        extra = np.flatnonzero(used[key] & (lookup < 0))
        lookup[extra] = len(binding.joints) + np.arange(len(extra))
        lookups[key] = lookup
        if binding.stored and len(extra) == 0:
            continue
        added = np.linalg.inv(skeleton.rest[extra]) @ binding.place
        inverse = np.concatenate([binding.inverse_bind, added])
        inverse[:, 3] = (0, 0, 0, 1)
        columns = inverse.transpose(0, 2, 1).reshape(-1, 16).astype("<f4")
        skin = {
            "inverseBindMatrices": packer.accessor(packer.view(columns), "MAT4"),
            "joints": [*binding.joints, *(document.joint_nodes[joint] for joint in extra)],
        }
        skins = packer.tree.setdefault("skins", [])
        if binding.skin is not None:
            skins[binding.skin] |= skin
            continue
        skins.append(skin)
        for node in {block.node for block in document.blocks if block.binding is binding}:
            packer.tree["nodes"][node]["skin"] = len(skins) - 1
    return lookups


def _attribute(
    document: GltfDocument,
    packer: Packer,
    primitives: list[list[dict[str, Any]]],
    name: str,
    values: NDArray[Any],
) -> None:
    if not name.startswith("_"):
        raise WeightsError(f"attribute {name!r}: custom names begin with an underscore")
    table = values.reshape(len(values), -1)
    width = table.shape[1]
    if width not in VECTOR:
        raise WeightsError(f"attribute {name!r}: at most 4 values a vertex, got {width}")
    dtype = np.uint8 if table.dtype.kind == "b" else table.dtype
    stored = np.dtype(dtype if dtype in (np.uint8, np.uint16) else "<f4")
    per_row = 4 // stored.itemsize
    padded = np.zeros((len(table), -(-width // per_row) * per_row), stored)
    padded[:, :width] = table
    view = packer.view(padded, VERTICES)
    for block, owned in zip(document.blocks, primitives, strict=True):
        if not table[block.vertices].any() and name not in document.attributes:
            continue
        number = packer.accessor(view, VECTOR[width], rows=block.vertices)
        for primitive in owned:
            primitive["attributes"][name] = number


def _weights(
    document: GltfDocument,
    packer: Packer,
    primitives: list[list[dict[str, Any]]],
    lookups: dict[int, NDArray[np.int32]],
    weights: Weights,
    bits: int,
) -> None:
    joints, values = encode.slots(weights.matrix, bits)
    most = max(int(lookup.max()) for lookup in lookups.values())
    local = np.zeros(joints.shape, np.uint8 if most < 256 else np.uint16)
    for block in document.blocks:
        local[block.vertices] = lookups[id(block.binding)][joints[block.vertices]]
    local[values == 0] = 0
    for number in range(joints.shape[1] // 4):
        span = slice(4 * number, 4 * number + 4)
        joints_view = packer.view(local[:, span], VERTICES)
        weights_view = packer.view(values[:, span], VERTICES)
        for block, owned in zip(document.blocks, primitives, strict=True):
            pair = {
                f"JOINTS_{number}": packer.accessor(joints_view, "VEC4", rows=block.vertices),
                f"WEIGHTS_{number}": packer.accessor(
                    weights_view, "VEC4", rows=block.vertices, normalized=bits < 32
                ),
            }
            for primitive in owned:
                primitive["attributes"].update(pair)


def _same_skin(node: dict[str, Any], binding: Binding) -> bool:
    return binding.skin is not None and node.get("skin") == binding.skin

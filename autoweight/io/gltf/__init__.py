"""Rigs in glTF 2.0 files: read in bind space, written back with nothing but weights changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import SkeletonError
from autoweight.io import encode, joints
from autoweight.io.gltf import compression, container, fresh
from autoweight.io.gltf.arrays import Arrays
from autoweight.io.gltf.binding import Binding, from_nodes, from_skins, skeleton_of
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.document import Block, GltfDocument
from autoweight.io.gltf.hierarchy import Hierarchy
from autoweight.io.gltf.pieces import (
    SOLID,
    Piece,
    choose,
    joints_below,
    no_meshes,
    pieces,
    whole_meshes,
)
from autoweight.io.gltf.rewriting import rewrite
from autoweight.io.gltf.schema import SKIN_ATTRIBUTE, nth
from autoweight.pose.clip import Clip
from autoweight.rig import Mesh, Part, Rig, Skeleton

__all__ = ["GltfDocument", "load", "made", "save"]

EXTRAS = ("clips", "shapes", "fades")


def save(
    rig: Rig,
    path: Path,
    *,
    bits: int | None,
    clips: Sequence[Clip] = (),
    shapes: Mapping[str, NDArray[np.float64]] | None = None,
    fades: Mapping[str, NDArray[np.float64]] | None = None,
) -> None:
    """Write a rig as glTF; see `autoweight.io.save`."""
    document = rig.document
    if not isinstance(document, GltfDocument):
        document = made(rig.mesh, rig.skeleton).document
        assert isinstance(document, GltfDocument)
    rewrite(document, rig, path, bits=bits, added_clips=clips, added_shapes=shapes, fades=fades)


def load(
    path: Path,
    *,
    skeleton: str | Path | Skeleton | None,
    root: str | None,
    parts: Sequence[str],
    outside: bool = False,
) -> Rig:
    """Read a rig from glTF; see `autoweight.io.load`."""
    source = compression.expanded(container.read(path, outside=outside))
    if skeleton is None:
        return _rig(source, parts, root=root)
    if root is not None:
        raise SkeletonError("can have its joints from --root or from --skeleton; give one")
    source, unbound = fresh.with_joints(source, joints.load(skeleton))
    return _rig(source, parts, unbound=unbound)


def made(
    mesh: Mesh,
    skeleton: Skeleton,
    *,
    normals: NDArray[np.float64] | None = None,
    uvs: NDArray[np.float64] | None = None,
    colours: NDArray[np.float64] | None = None,
    material: dict[str, Any] | None = None,
) -> Rig:
    """A rig with a glTF document of its own, for what does not come from a glTF file.

    Parameters
    ----------
    mesh : Mesh
    skeleton : Skeleton
    normals : array_like, shape (n, 3), optional
        Unit length.
    uvs : array_like, shape (n, 2), optional
    colours : array_like, shape (n, 3), optional
        Linear red, green and blue, 0 to 1.
    material : dict, optional
        As in a glTF file.

    Returns
    -------
    Rig
        Positions and transforms are rounded to float32, as the file has them.
    """
    content = fresh.glb(
        mesh, skeleton, normals=normals, uvs=uvs, colours=colours, material=material
    )
    return _rig(container.parse(content, None), ())


def _rig(
    source: Container,
    parts: Sequence[str],
    *,
    root: str | None = None,
    unbound: tuple[int, ...] | None = None,
) -> Rig:
    """The rig of a file's skins, or else of the joints it is yet to be bound to."""
    hierarchy = Hierarchy(source.tree.nodes)
    if root is not None:
        unbound = joints_below(hierarchy, root)
    found = list(pieces(source.tree, bound=unbound is None))
    if not found:
        raise no_meshes(source.tree, hierarchy, bound=unbound is None)
    chosen = choose(found, parts)
    if unbound is None:
        weighted: dict[int, bool] = {}
        for piece in chosen:
            skin = source.tree.nodes[piece.node].skin
            assert skin is not None
            nth(source.tree.skins, skin, "skin")
            has = any(SKIN_ATTRIBUTE.fullmatch(name) for name in piece.primitive.attributes)
            weighted[skin] = weighted.get(skin, False) or has
        skins = from_skins(source, hierarchy, weighted)
        bindings = {piece.node: skins[source.tree.nodes[piece.node].skin or 0] for piece in chosen}
    else:
        whole_meshes(found, chosen)
        bindings = from_nodes(hierarchy, unbound, list({piece.node: None for piece in chosen}))
    rig_skeleton, joint_nodes = skeleton_of(hierarchy, list(bindings.values()))
    return _assemble(source, hierarchy, chosen, bindings, rig_skeleton, joint_nodes)


def _assemble(
    source: Container,
    hierarchy: Hierarchy,
    pieces: list[Piece],
    bindings: dict[int, Binding],
    skeleton: Skeleton,
    joint_nodes: tuple[int, ...],
) -> Rig:
    blocks: list[Block] = []
    parts: list[Part] = []
    arrays = Arrays(source, joint_nodes)
    spans: dict[Any, int] = {}
    for piece in pieces:
        own = {
            name: number
            for name, number in piece.primitive.attributes.items()
            if name == "POSITION" or name.startswith("_") or SKIN_ATTRIBUTE.fullmatch(name)
        }
        key = (piece.node, *sorted(own.items()))
        if key not in spans:
            spans[key] = len(blocks)
            vertices = arrays.add(own, bindings[piece.node], piece.name)
            blocks.append(
                Block(piece.node, piece.mesh, (piece.number,), vertices, bindings[piece.node])
            )
        else:
            old = blocks[spans[key]]
            blocks[spans[key]] = Block(
                old.node, old.mesh, (*old.primitives, piece.number), old.vertices, old.binding
            )
        vertices = blocks[spans[key]].vertices
        if piece.primitive.mode in SOLID:
            parts.append(Part(piece.name, vertices, arrays.add_faces(piece, vertices)))
    mesh = Mesh(arrays.vertices(), arrays.faces(), tuple(parts))
    raw = arrays.weights()
    attributes = arrays.attributes()
    weights = encode.sound(raw)
    document = GltfDocument(source, hierarchy, joint_nodes, tuple(blocks), raw, weights, attributes)
    return Rig(mesh, skeleton, weights, document, attributes)

"""Rigs in glTF 2.0 files: read in bind space, written back with nothing but weights changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import SkeletonError, naming
from autoweight.io import encode, joints
from autoweight.io.gltf import compression, container, fresh, required
from autoweight.io.gltf.arrays import Arrays
from autoweight.io.gltf.binding import Binding, from_nodes, from_skins, skeleton_of
from autoweight.io.gltf.characters import at_root, characters
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.document import Block, GltfDocument
from autoweight.io.gltf.hierarchy import Hierarchy
from autoweight.io.gltf.pieces import (
    SOLID,
    Piece,
    choose,
    drawn_once,
    joints_below,
    no_meshes,
    pieces,
    whole_meshes,
)
from autoweight.io.gltf.rewriting import Change, rewrite
from autoweight.io.gltf.schema import SKIN_ATTRIBUTE
from autoweight.pose.clip import Clip
from autoweight.rig import Mesh, Part, Rig, Skeleton

__all__ = ["GltfDocument", "load_all", "made", "save_all"]

EXTRAS = ("clips", "shapes", "fades")


def save_all(
    rigs: Sequence[Rig],
    path: Path,
    *,
    bits: int | None,
    clips: Sequence[Sequence[Clip]] = (),
    shapes: Mapping[str, NDArray[np.float64]] | None = None,
    fades: Mapping[str, NDArray[np.float64]] | None = None,
) -> None:
    """Write the rigs of a file as glTF; see `autoweight.io.save_all`."""
    changes = []
    for number, rig in enumerate(rigs):
        document = rig.document
        if not isinstance(document, GltfDocument):
            document = made(rig.mesh, rig.skeleton).document
            assert isinstance(document, GltfDocument)
        added = clips[number] if clips else ()
        changes.append(Change(document, rig, added, shapes or {}, fades or {}))
    rewrite(changes, path, bits=bits)


def load_all(
    path: Path,
    *,
    skeleton: str | Path | Skeleton | None,
    root: str | None,
    parts: Sequence[str],
    outside: bool = False,
) -> list[Rig]:
    """Read the rigs of a glTF file; see `autoweight.io.load_all`."""
    source = container.read(path, outside=outside)
    required.check(source)
    source = compression.expanded(source)
    if skeleton is None:
        return _rigs(source, parts, root)
    if root is not None:
        raise SkeletonError("can have its joints from --root or from --skeleton; give one")
    source, unbound = fresh.with_joints(source, joints.load(skeleton))
    return [_unbound(source, Hierarchy(source.tree.nodes), unbound, parts)]


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
    (rig,) = _rigs(container.parse(content, None), (), None)
    return rig


def _rigs(source: Container, parts: Sequence[str], root: str | None) -> list[Rig]:
    """The rig of each character that is asked for, or of the joints below a node."""
    tree, hierarchy = source.tree, Hierarchy(source.tree.nodes)
    bound = list(pieces(tree, bound=True))
    cast = characters(tree, hierarchy, bound)
    wanted = cast if root is None else at_root(hierarchy, cast, root)
    if root is not None and (len(cast) < 2 or not wanted):
        loose = any(pieces(tree, bound=False))
        if loose or not wanted:  # what has a skin already keeps its joints
            return [_unbound(source, hierarchy, joints_below(hierarchy, root), parts)]
    if not bound:
        raise no_meshes(tree, hierarchy, bound=True)
    chosen = set(choose([piece for each in wanted for piece in each.pieces], parts))
    rigs = []
    for character in wanted:
        taken = [piece for piece in character.pieces if piece in chosen]
        if not taken:
            continue
        with naming(character.name) if len(cast) > 1 else nullcontext():
            bindings = _bindings(source, hierarchy, taken)
            rig = _assemble(source, hierarchy, taken, bindings)
        rigs.append(replace(rig, name=character.name) if len(cast) > 1 else rig)
    return rigs


def _bindings(source: Container, hierarchy: Hierarchy, taken: list[Piece]) -> dict[int, Binding]:
    """The binding of each node that shows pieces, by its skin."""
    weighted: dict[int, bool] = {}
    skin_of: dict[int, int] = {}
    for piece in taken:
        skin = source.tree.nodes[piece.node].skin
        assert skin is not None
        skin_of[piece.node] = skin
        has = any(SKIN_ATTRIBUTE.fullmatch(name) for name in piece.primitive.attributes)
        weighted[skin] = weighted.get(skin, False) or has
    skins = from_skins(source, hierarchy, weighted)
    return {node: skins[skin] for node, skin in skin_of.items()}


def _unbound(
    source: Container, hierarchy: Hierarchy, joints: tuple[int, ...], parts: Sequence[str]
) -> Rig:
    """The rig of the meshes that have no skin and the joints they are yet to be bound to."""
    found = list(pieces(source.tree, bound=False))
    if not found:
        raise no_meshes(source.tree, hierarchy, bound=False)
    chosen = choose(found, parts)
    whole_meshes(found, chosen)
    drawn_once(source.tree, chosen)
    nodes = list({piece.node: None for piece in chosen})
    return _assemble(source, hierarchy, chosen, from_nodes(hierarchy, joints, nodes))


def _assemble(
    source: Container,
    hierarchy: Hierarchy,
    pieces: list[Piece],
    bindings: dict[int, Binding],
) -> Rig:
    skeleton, joint_nodes = skeleton_of(hierarchy, list(bindings.values()))
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

"""The pieces of a glTF file's meshes, and which of them are wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from autoweight.errors import FileError, SkeletonError, suggestion
from autoweight.io.gltf.hierarchy import Hierarchy, distinct, label
from autoweight.io.gltf.schema import Primitive, Tree, nth
from autoweight.io.parts import chosen

__all__ = [
    "SOLID",
    "TRIANGLES",
    "TRIANGLE_FAN",
    "Piece",
    "choose",
    "drawn_once",
    "joints_below",
    "no_meshes",
    "pieces",
    "whole_meshes",
]

TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN = SOLID = (4, 5, 6)
LIGHT = "KHR_lights_punctual"
INSTANCES = "EXT_mesh_gpu_instancing"


@dataclass(frozen=True, eq=False)
class Piece:
    """One primitive of a mesh that a node shows."""

    name: str
    group: str
    node: int
    mesh: int
    number: int
    primitive: Primitive


def pieces(tree: Tree, *, bound: bool) -> list[Piece]:
    """All primitives of the triangle meshes that have no skin, or the triangles of those that do.

    A skin is for all primitives of a mesh, so points and lines need weights with the first one;
    after that theirs are left alone.
    """
    found: list[Piece] = []
    seen: set[tuple[int, int]] = set()
    for index, node in enumerate(tree.nodes):
        if node.mesh is None or (node.skin is not None) != bound:
            continue
        if node.skin is not None and (node.mesh, node.skin) in seen:
            continue  # drawn twice in one place
        seen.add((node.mesh, node.skin or 0))
        mesh = nth(tree.meshes, node.mesh, "mesh")
        group = node.name or mesh.name or f"mesh_{node.mesh}"
        if not any(primitive.mode in SOLID for primitive in mesh.primitives):
            continue
        wanted = [
            (number, primitive)
            for number, primitive in enumerate(mesh.primitives)
            if primitive.mode in SOLID or not bound
        ]
        for number, primitive in wanted:
            name = group
            if len(wanted) > 1:
                material = (
                    None
                    if primitive.material is None
                    else nth(tree.materials, primitive.material, "material").name
                )
                name = f"{group}/{material or number}"
            found.append(Piece(name, group, index, node.mesh, number, primitive))
    names = distinct(piece.name for piece in found)
    return [replace(piece, name=name) for piece, name in zip(found, names, strict=True)]


def choose(found: list[Piece], patterns: Sequence[str]) -> list[Piece]:
    """The pieces that patterns name, by themselves or as a mesh; see `autoweight.io.parts`."""
    return chosen(found, {piece: (piece.name, piece.group) for piece in found}, patterns)


def no_meshes(tree: Tree, hierarchy: Hierarchy, *, bound: bool) -> FileError | SkeletonError:
    """The error that says why there is no mesh to take, to be raised by the caller."""
    if not any(node.mesh is not None for node in tree.nodes):
        return FileError("has no mesh in its scene; export it with one")
    if not bound:
        return FileError("has only meshes with a skin already; leave out --root and --skeleton")
    if tree.skins:
        return FileError("has a skin but no triangle mesh that uses it; export it again")
    tops = [
        label(tree.nodes, index)
        for index in hierarchy.order
        if tree.nodes[index].mesh is None and tree.nodes[index].children
    ]
    return SkeletonError(
        "has no skin, so it does not say which nodes are joints; name the top one with --root"
        + (f", such as {tops[0]!r}" if tops else " once the file has a hierarchy")
    )


def whole_meshes(found: list[Piece], chosen: list[Piece]) -> None:
    """Refuse to give a part of a mesh its first skin, as the rest of it would get it too.

    Raises
    ------
    FileError
        Not all pieces of a node that are found are chosen.
    """
    nodes = {piece.node for piece in chosen}
    left = [piece for piece in found if piece.node in nodes and piece not in chosen]
    if left:
        raise FileError(
            f"part {left[0].name!r} belongs to a mesh that gets its first skin, and a skin is for "
            f"all of a mesh; take it too with --part {left[0].group!r}"
        )


def drawn_once(tree: Tree, chosen: list[Piece]) -> None:
    """Refuse to give a skin to what a node draws in many places, as it would be in one then.

    Raises
    ------
    FileError
        A chosen piece has instances (Khronos, EXT_mesh_gpu_instancing).
    """
    for piece in chosen:
        if INSTANCES in tree.nodes[piece.node].extensions:
            raise FileError(
                f"part {piece.name!r} is drawn many times over ({INSTANCES}), which a skin would "
                "end; leave it out by naming the others with --part, or export it without"
            )


def joints_below(hierarchy: Hierarchy, root: str) -> tuple[int, ...]:
    """Nodes of the hierarchy below a named one, itself first, that can be joints.

    Raises
    ------
    SkeletonError
        No node has the name, or several have.
    """
    nodes = hierarchy.nodes
    names = [label(nodes, index) for index in range(len(nodes))]
    if root not in names:
        raise SkeletonError(f"has no node {root!r}; {suggestion(root, names)}")
    if names.count(root) > 1:
        raise SkeletonError(f"has {names.count(root)} nodes named {root!r}; rename them")
    return tuple(
        index
        for index in hierarchy.below(names.index(root))
        if nodes[index].mesh is None
        and nodes[index].camera is None
        and LIGHT not in nodes[index].extensions
    )

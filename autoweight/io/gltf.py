"""Rigs in glTF 2.0 files: read in bind space, written back with nothing but weights changed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, GeometryError, SkeletonError, WeightsError, suggestion
from autoweight.io import accessors, atomic, clips, container, encode, fresh, joints, shapes
from autoweight.io.binding import Binding, from_nodes, from_skins, skeleton_of
from autoweight.io.container import Container
from autoweight.io.hierarchy import Hierarchy, label
from autoweight.io.packing import VERTICES, Packer
from autoweight.io.schema import Primitive, Tree, nth
from autoweight.pose.clip import Clip
from autoweight.rig import Mesh, Part, Rig, Skeleton, Weights

__all__ = ["GltfDocument", "load", "made", "save"]

EXTRAS = ("clips", "shapes", "fades")
TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN = 4, 5, 6
COMPRESSED = ("KHR_draco_mesh_compression",)
SKIN_ATTRIBUTE = re.compile(r"(JOINTS|WEIGHTS)_\d+")
VECTOR = {1: "SCALAR", 2: "VEC2", 3: "VEC3", 4: "VEC4"}


@dataclass(frozen=True, eq=False)
class Block:
    """Vertices of one mesh that one set of accessors holds.

    Parameters
    ----------
    node, mesh : int
        Numbers of the node that shows them and of its mesh.
    primitives : tuple of int
        The primitives of the mesh that use them.
    vertices : slice
        Where they are in the rig.
    binding : Binding
    """

    node: int
    mesh: int
    primitives: tuple[int, ...]
    vertices: slice
    binding: Binding


@dataclass(frozen=True, eq=False)
class GltfDocument:
    """A glTF file as it was read, and where the rig's arrays are in it.

    Parameters
    ----------
    source : Container
    hierarchy : Hierarchy
    joint_nodes : tuple of int
        The node of each joint of the rig.
    blocks : tuple of Block
    raw_weights : csr_array, shape (n, j), or None
        The weights as the file has them, sound or not; None where no part has any.
    weights : Weights or None
        The same with rows that sum to 1, where they can be made to.
    attributes : dict of str to array
        The custom values the file has.
    """

    source: Container
    hierarchy: Hierarchy
    joint_nodes: tuple[int, ...]
    blocks: tuple[Block, ...]
    raw_weights: sparse.csr_array | None
    weights: Weights | None
    attributes: dict[str, NDArray[Any]]

    @property
    def path(self) -> Path | None:
        """The file this was read from."""
        return self.source.path

    def write(
        self,
        rig: Rig,
        path: str | Path,
        *,
        bits: int | None = None,
        added_clips: Sequence[Clip] = (),
        added_shapes: Mapping[str, NDArray[np.float64]] | None = None,
        fades: Mapping[str, NDArray[np.float64]] | None = None,
    ) -> None:
        """Write the file again with the weights and custom values of `rig`.

        Parameters
        ----------
        rig : Rig
            Of the same vertices and joints as the one that was read.
        path : str or Path
        bits : {32, 16, 8}, optional
            When left out, weights that are still those of the file stay as they are in it.
        added_clips, added_shapes
            Appended to the animations and morph targets of the file.
        fades
            Factors for its morph targets.

        Raises
        ------
        FileError, SkeletonError, WeightsError
        """
        path = Path(path)
        weights = rig.weights
        if bits is None and weights is self.weights:
            weights = None  # nothing new
        tree = self.source.json()
        primitives = self._primitives(tree)
        changed = {
            name: np.asarray(values)
            for name, values in rig.attributes.items()
            if values is not self.attributes.get(name)
        }
        replaced = {
            primitive["attributes"].pop(name)
            for owned in primitives
            for primitive in owned
            for name in list(primitive["attributes"])
            if name in changed or (weights is not None and SKIN_ATTRIBUTE.fullmatch(name))
        }
        fading, faded = shapes.fade(self, primitives, fades or {})
        replaced |= fading
        packer = Packer(self.source, tree, replaced, glb=path.suffix.lower() == ".glb")
        lookups = self._skins(packer, rig.skeleton, weights)
        clips.add(packer, self, rig.skeleton, added_clips)
        shapes.store(packer, faded)
        shapes.add(packer, self, primitives, added_shapes or {})
        for name, values in changed.items():
            self._attribute(packer, primitives, name, values)
        if weights is not None:
            self._weights(packer, primitives, lookups, weights, bits or 32)
        chunks = packer.chunks()
        if self.path is not None:
            for old, new in container.side_files(tree, self.path, path):
                atomic.copy(old, new)
        atomic.write(path, chunks)

    def _primitives(self, tree: dict[str, Any]) -> list[list[dict[str, Any]]]:
        """The primitives of each block; a mesh that is also something else's gets a copy."""
        users: dict[int, set[int | None]] = {}
        for node in tree["nodes"]:
            if "mesh" in node:
                users.setdefault(node["mesh"], set()).add(node.get("skin"))
        taken: dict[int, list[Block]] = {}
        for block in self.blocks:
            taken.setdefault(block.node, []).append(block)
        owner: dict[int, Binding | None] = {}
        numbers: dict[int, int] = {}
        for number, blocks in taken.items():
            mesh, binding = blocks[0].mesh, blocks[0].binding
            alone = len(users[mesh]) == 1 and (
                binding.skin is not None or sum(n.get("mesh") == mesh for n in tree["nodes"]) == 1
            )
            if alone or owner.setdefault(mesh, binding) is binding:
                numbers[number] = mesh
                continue
            tree["meshes"].append(deepcopy(tree["meshes"][mesh]))
            numbers[number] = tree["nodes"][number]["mesh"] = len(tree["meshes"]) - 1
        return [
            [tree["meshes"][numbers[block.node]]["primitives"][i] for i in block.primitives]
            for block in self.blocks
        ]

    def _skins(
        self, packer: Packer, skeleton: Skeleton, weights: Weights | None
    ) -> dict[int, NDArray[np.int32]]:
        """Give every block's node a skin with the joints it needs; where each joint is in it.

        Returns
        -------
        dict of int to ndarray, shape (j,)
            By the id of the binding.
        """
        bindings = {id(block.binding): block.binding for block in self.blocks}
        used = {key: np.zeros(len(skeleton), dtype=bool) for key in bindings}
        if weights is not None:
            for block in self.blocks:
                used[id(block.binding)][weights.matrix[block.vertices].indices] = True
        lookups = {}
        position = {node: joint for joint, node in enumerate(self.joint_nodes)}
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
                "joints": [*binding.joints, *(self.joint_nodes[joint] for joint in extra)],
            }
            skins = packer.tree.setdefault("skins", [])
            if binding.skin is not None:
                skins[binding.skin] |= skin
                continue
            skins.append(skin)
            for node in {block.node for block in self.blocks if block.binding is binding}:
                packer.tree["nodes"][node]["skin"] = len(skins) - 1
        return lookups

    def _attribute(
        self,
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
        for block, owned in zip(self.blocks, primitives, strict=True):
            if not table[block.vertices].any() and name not in self.attributes:
                continue
            number = packer.accessor(view, VECTOR[width], rows=block.vertices)
            for primitive in owned:
                primitive["attributes"][name] = number

    def _weights(
        self,
        packer: Packer,
        primitives: list[list[dict[str, Any]]],
        lookups: dict[int, NDArray[np.int32]],
        weights: Weights,
        bits: int,
    ) -> None:
        joints, values = encode.slots(weights.matrix, bits)
        most = max(int(lookup.max()) for lookup in lookups.values())
        local = np.zeros(joints.shape, np.uint8 if most < 256 else np.uint16)
        for block in self.blocks:
            local[block.vertices] = lookups[id(block.binding)][joints[block.vertices]]
        local[values == 0] = 0
        for number in range(joints.shape[1] // 4):
            span = slice(4 * number, 4 * number + 4)
            joints_view = packer.view(local[:, span], VERTICES)
            weights_view = packer.view(values[:, span], VERTICES)
            for block, owned in zip(self.blocks, primitives, strict=True):
                pair = {
                    f"JOINTS_{number}": packer.accessor(joints_view, "VEC4", rows=block.vertices),
                    f"WEIGHTS_{number}": packer.accessor(
                        weights_view, "VEC4", rows=block.vertices, normalized=bits < 32
                    ),
                }
                for primitive in owned:
                    primitive["attributes"].update(pair)


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
    document.write(rig, path, bits=bits, added_clips=clips, added_shapes=shapes, fades=fades)


def load(
    path: Path, *, skeleton: str | Path | Skeleton | None, root: str | None, parts: Sequence[str]
) -> Rig:
    """Read a rig from glTF; see `autoweight.io.load`."""
    source = container.read(path)
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
        unbound = _joints_below(hierarchy, root)
    pieces = list(_pieces(source.tree, bound=unbound is None))
    if not pieces:
        raise _no_meshes(source.tree, hierarchy, bound=unbound is None)
    chosen = _choose(pieces, parts)
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
        _whole_meshes(pieces, chosen)
        bindings = from_nodes(hierarchy, unbound, list({piece.node: None for piece in chosen}))
    rig_skeleton, joint_nodes = skeleton_of(hierarchy, list(bindings.values()))
    return _assemble(source, hierarchy, chosen, bindings, rig_skeleton, joint_nodes)


@dataclass(frozen=True, eq=False)
class Piece:
    """One primitive of a mesh that a node shows."""

    name: str
    group: str
    node: int
    mesh: int
    number: int
    primitive: Primitive


def _pieces(tree: Tree, *, bound: bool) -> Iterator[Piece]:
    """All triangle primitives of the meshes that have, or have not, a skin."""
    names: set[str] = set()
    seen: set[tuple[int, int]] = set()
    for index, node in enumerate(tree.nodes):
        if node.mesh is None or (node.skin is not None) != bound:
            continue
        if node.skin is not None and (node.mesh, node.skin) in seen:
            continue  # drawn twice in one place
        seen.add((node.mesh, node.skin or 0))
        mesh = nth(tree.meshes, node.mesh, "mesh")
        group = node.name or mesh.name or f"mesh_{node.mesh}"
        solid = [
            (number, primitive)
            for number, primitive in enumerate(mesh.primitives)
            if primitive.mode in (TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN)
        ]
        for number, primitive in solid:
            name = group
            if len(solid) > 1:
                material = (
                    None
                    if primitive.material is None
                    else nth(tree.materials, primitive.material, "material").name
                )
                name = f"{group}/{material or number}"
            unique, count = name, 1
            while unique in names:
                count += 1
                unique = f"{name}#{count}"
            names.add(unique)
            yield Piece(unique, group, index, node.mesh, number, primitive)


def _choose(pieces: list[Piece], patterns: Sequence[str]) -> list[Piece]:
    for pattern in patterns:
        if not any(_matches(piece, pattern) for piece in pieces):
            known = suggestion(pattern, [piece.name for piece in pieces])
            raise FileError(f"has no part {pattern!r}; {known}")
    return [
        piece
        for piece in pieces
        if not patterns or any(_matches(piece, pattern) for pattern in patterns)
    ]


def _matches(piece: Piece, pattern: str) -> bool:
    return fnmatchcase(piece.name, pattern) or fnmatchcase(piece.group, pattern)


def _no_meshes(tree: Tree, hierarchy: Hierarchy, *, bound: bool) -> FileError | SkeletonError:
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


def _whole_meshes(pieces: list[Piece], chosen: list[Piece]) -> None:
    nodes = {piece.node for piece in chosen}
    left = [piece for piece in pieces if piece.node in nodes and piece not in chosen]
    if left:
        raise FileError(
            f"part {left[0].name!r} belongs to a mesh that gets its first skin, and a skin is for "
            f"all of a mesh; take it too with --part {left[0].group!r}"
        )


def _joints_below(hierarchy: Hierarchy, root: str) -> tuple[int, ...]:
    nodes = hierarchy.nodes
    names = [label(nodes, index) for index in range(len(nodes))]
    if root not in names:
        raise SkeletonError(f"has no node {root!r}; {suggestion(root, names)}")
    if names.count(root) > 1:
        raise SkeletonError(f"has {names.count(root)} nodes named {root!r}; rename them")
    return tuple(
        index
        for index in hierarchy.below(names.index(root))
        if nodes[index].mesh is None and nodes[index].camera is None
    )


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
        for name in COMPRESSED:
            if name in piece.primitive.extensions:
                raise FileError(
                    f"part {piece.name!r} is compressed with {name}, which cannot be decoded "
                    "here; export it without compression"
                )
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
        parts.append(Part(piece.name, vertices, arrays.add_faces(piece, vertices)))
    mesh = Mesh(arrays.vertices(), arrays.faces(), tuple(parts))
    raw = arrays.weights()
    attributes = arrays.attributes()
    weights = encode.sound(raw)
    document = GltfDocument(source, hierarchy, joint_nodes, tuple(blocks), raw, weights, attributes)
    return Rig(mesh, skeleton, weights, document, attributes)


class Arrays:
    """The arrays of a rig in the course of being read, part by part."""

    def __init__(self, source: Container, joint_nodes: tuple[int, ...]) -> None:
        self.source = source
        self.joint = {node: number for number, node in enumerate(joint_nodes)}
        self.count = 0
        self.face_count = 0
        self.found_vertices: list[NDArray[np.float64]] = []
        self.found_faces: list[NDArray[Any]] = []
        self.found_weights: list[sparse.csr_array | None] = []
        self.found_attributes: dict[str, list[tuple[slice, NDArray[Any]]]] = {}

    def add(self, attributes: dict[str, int], binding: Binding, part: str) -> slice:
        """Read the vertices of one block; where they are in the rig."""
        if "POSITION" not in attributes:
            raise FileError(f"part {part!r} has no positions; export it again")
        read = {
            name: (accessors.read if name.startswith("JOINTS") else accessors.read_floats)(
                self.source, number
            )
            for name, number in attributes.items()
        }
        position = read["POSITION"]
        if position.ndim != 2 or position.shape[1] != 3:
            raise FileError(f"part {part!r} has positions that are not VEC3; export it again")
        for name, values in read.items():
            if len(values) != len(position):
                raise FileError(
                    f"part {part!r} has {len(position)} positions but {len(values)} of {name}; "
                    "export it again"
                )
        span = slice(self.count, self.count + len(position))
        self.count = span.stop
        vertices = position.astype(np.float64)
        if not np.array_equal(binding.place, np.eye(4)):
            vertices = vertices @ binding.place[:3, :3].T + binding.place[:3, 3]
        self.found_vertices.append(vertices)
        self.found_weights.append(self._weights(read, binding, part))
        for name, values in read.items():
            if name.startswith("_"):
                self.found_attributes.setdefault(name, []).append((span, values))
        return span

    def add_faces(self, piece: Piece, vertices: slice) -> slice:
        """Read the triangles of one primitive; where they are in the rig."""
        count = vertices.stop - vertices.start
        if piece.primitive.indices is None:
            corners = np.arange(count, dtype=np.int32)
        else:
            corners = accessors.read(self.source, piece.primitive.indices)
            if corners.ndim != 1 or corners.dtype.kind != "u":
                raise FileError(f"part {piece.name!r} has indices of a wrong type; export it again")
        if len(corners) and corners.max() >= count:
            raise GeometryError(
                f"part {piece.name!r} has a face that points to vertex {corners.max()} of "
                f"{count}; export it again"
            )
        faces = _triangles(corners, piece.primitive.mode)
        if vertices.start:
            faces = faces.astype(np.int32) + np.int32(vertices.start)
        self.found_faces.append(faces)
        span = slice(self.face_count, self.face_count + len(faces))
        self.face_count = span.stop
        return span

    def vertices(self) -> NDArray[np.float64]:
        return _joined(self.found_vertices)

    def faces(self) -> NDArray[Any]:
        return _joined(self.found_faces)

    def weights(self) -> sparse.csr_array | None:
        """All weights, with empty rows for parts without; None if no part has any."""
        if all(each is None for each in self.found_weights):
            return None
        rows = [
            sparse.csr_array((len(vertices), len(self.joint))) if each is None else each
            for each, vertices in zip(self.found_weights, self.found_vertices, strict=True)
        ]
        return rows[0] if len(rows) == 1 else sparse.csr_array(sparse.vstack(rows, format="csr"))

    def attributes(self) -> dict[str, NDArray[Any]]:
        """Custom values for every vertex, 0 where a part has none."""
        whole = {}
        for name, pieces in self.found_attributes.items():
            shapes = {values.shape[1:] for _, values in pieces}
            if len(shapes) > 1:
                raise FileError(f"has {name} of different types in different parts; make them one")
            dtype = np.result_type(*(values for _, values in pieces))
            whole[name] = np.zeros((self.count, *shapes.pop()), dtype)
            for span, values in pieces:
                whole[name][span] = values
            whole[name].setflags(write=False)
        return whole

    def _weights(
        self, read: dict[str, NDArray[Any]], binding: Binding, part: str
    ) -> sparse.csr_array | None:
        sets = sorted(
            (name.removeprefix("WEIGHTS_") for name in read if name.startswith("WEIGHTS_")), key=int
        )
        if not sets:
            return None
        missing = [number for number in sets if f"JOINTS_{number}" not in read]
        if missing:
            raise FileError(f"part {part!r} has WEIGHTS_{missing[0]} but no JOINTS_{missing[0]}")
        joints = np.concatenate([read[f"JOINTS_{number}"] for number in sets], axis=1)
        values = np.concatenate([read[f"WEIGHTS_{number}"] for number in sets], axis=1)
        used = values != 0
        chosen = joints[used]
        if len(chosen) and chosen.max() >= len(binding.joints):
            raise FileError(
                f"part {part!r} has weights for joint {chosen.max()} of a skin with "
                f"{len(binding.joints)}; export it again"
            )
        column = np.array([self.joint[node] for node in binding.joints], dtype=np.int32)
        indptr = np.concatenate([[0], np.cumsum(used.sum(axis=1))])
        found = sparse.csr_array(
            (values[used].astype(np.float64), column[chosen], indptr),
            shape=(len(values), len(self.joint)),
        )
        found.sum_duplicates()
        return found


def _joined(pieces: list[NDArray[Any]]) -> NDArray[Any]:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _triangles(corners: NDArray[Any], mode: int) -> NDArray[Any]:
    """Faces of a list, strip or fan (Khronos, glTF 2.0, section 3.7.2.1)."""
    if mode == TRIANGLES:
        return corners[: len(corners) // 3 * 3].reshape(-1, 3)
    count = max(0, len(corners) - 2)
    step = np.arange(count)
    if mode == TRIANGLE_FAN:
        return corners[np.stack([step + 1, step + 2, np.zeros_like(step)], axis=1)]
    odd = step % 2
    return corners[np.stack([step, step + 1 + odd, step + 2 - odd], axis=1)]

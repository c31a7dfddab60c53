"""Morph targets of a glTF file: read, added, and faded by a mask.

Source: Khronos, glTF 2.0, section 3.7.2.2 (morph targets). Their names are in the mesh's
``extras.targetNames``, as the implementation note there says.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, suggestion
from autoweight.io.gltf import accessors
from autoweight.io.gltf.document import GltfDocument
from autoweight.io.gltf.packing import VERTICES, Packer

__all__ = ["add", "fade", "read", "store"]

Primitives = list[list[dict[str, Any]]]


def read(document: GltfDocument) -> dict[str, NDArray[np.float64]]:
    """How far each morph target moves each vertex, (n, 3), in bind space, by name.

    Targets of one name in several meshes are one; a vertex of a mesh without it stays.
    """
    tree = document.source.json()
    found: dict[str, NDArray[np.float64]] = {}
    for block in document.blocks:
        mesh = tree["meshes"][block.mesh]
        targets = mesh["primitives"][block.primitives[0]].get("targets", [])
        for name, target in zip(_names(mesh, len(targets)), targets, strict=True):
            moved = found.setdefault(name, np.zeros((document.blocks[-1].vertices.stop, 3)))
            if "POSITION" in target:
                values = accessors.read_floats(document.source, target["POSITION"])
                moved[block.vertices] = values @ block.binding.place[:3, :3].T
    return found


def fade(
    document: GltfDocument, primitives: Primitives, masks: Mapping[str, NDArray[np.float64]]
) -> tuple[set[int], list[tuple[dict[str, Any], str, NDArray[Any]]]]:
    """Take the morph targets that masks are for out of a file's JSON.

    Parameters
    ----------
    document : GltfDocument
    primitives : list of list of dict
        The primitives of each block, in the JSON.
    masks : mapping of str to ndarray, shape (n,)
        Factors by the name of a morph target.

    Returns
    -------
    replaced : set of int
        The accessors that are not theirs any more.
    values : list of (dict, str, ndarray)
        Where the faded values belong: the target, its attribute, and the values.

    Raises
    ------
    FileError
        No mesh has a target of that name.
    """
    tree = document.source.json()
    replaced: set[int] = set()
    faded: list[tuple[dict[str, Any], str, NDArray[Any]]] = []
    for shape, mask in masks.items():
        known: set[str] = set()
        before = len(faded)
        for block, owned in zip(document.blocks, primitives, strict=True):
            names = _names(tree["meshes"][block.mesh], len(owned[0].get("targets", [])))
            known |= set(names)
            if shape not in names:
                continue
            number = names.index(shape)
            for primitive in owned:
                for name in list(primitive["targets"][number]):
                    accessor = primitive["targets"][number].pop(name)
                    values = accessors.read_floats(document.source, accessor)
                    values = values * np.asarray(mask)[block.vertices, None]
                    faded.append((primitive["targets"][number], name, values))
                    replaced.add(accessor)
        if len(faded) == before:
            raise FileError(f"has no morph target {shape!r}; {suggestion(shape, sorted(known))}")
    return replaced, faded


def store(packer: Packer, faded: list[tuple[dict[str, Any], str, NDArray[Any]]]) -> None:
    """Put faded values where `fade` took them out."""
    for target, name, values in faded:
        view = packer.view(values.astype("<f4"), VERTICES)
        target[name] = packer.accessor(view, "VEC3", bounds=name == "POSITION")


def add(
    packer: Packer,
    document: GltfDocument,
    primitives: Primitives,
    shapes: Mapping[str, NDArray[np.float64]],
) -> None:
    """Append morph targets to every mesh of the rig.

    Parameters
    ----------
    packer : Packer
    document : GltfDocument
    primitives : list of list of dict
        The primitives of each block, in the JSON.
    shapes : mapping of str to ndarray, shape (n, 3)
        How far each vertex moves, in bind space, by the name of the target.

    Raises
    ------
    FileError
        There is a target of that name already.
    """
    if not shapes:
        return
    known = read(document)
    for shape in shapes:
        if shape in known:
            raise FileError(f"has a morph target {shape!r} already; choose another name")
    views = {}
    for shape, moved in shapes.items():
        local = np.empty((len(moved), 3), "<f4")
        for block in document.blocks:
            linear = block.binding.place[:3, :3]
            local[block.vertices] = np.linalg.solve(linear, np.asarray(moved)[block.vertices].T).T
        views[shape] = packer.view(local, VERTICES)
    rows = {
        id(primitive): block.vertices
        for block, owned in zip(document.blocks, primitives, strict=True)
        for primitive in owned
    }
    numbers = {packer.tree["nodes"][block.node]["mesh"] for block in document.blocks}
    for number in sorted(numbers):
        mesh = packer.tree["meshes"][number]
        before = len(mesh["primitives"][0].get("targets", []))
        for primitive in mesh["primitives"]:
            targets = primitive.setdefault("targets", [])
            for view in views.values():
                if id(primitive) in rows:
                    at = rows[id(primitive)]
                    accessor = packer.accessor(view, "VEC3", rows=at, bounds=True)
                else:  # all primitives of a mesh have the same targets; here it moves nothing
                    count = packer.accessors[primitive["attributes"]["POSITION"]]["count"]
                    accessor = packer.still(count)
                targets.append({"POSITION": accessor})
        _name(mesh, before, list(shapes))
        _extend_weights(packer, document, number, before, len(shapes))


def _names(mesh: dict[str, Any], count: int) -> list[str]:
    extras = mesh.get("extras")
    names = extras.get("targetNames") if isinstance(extras, dict) else None
    if isinstance(names, list) and len(names) == count:
        return [str(name) for name in names]
    return [f"shape_{number}" for number in range(count)]


def _name(mesh: dict[str, Any], before: int, added: list[str]) -> None:
    names = [*_names(mesh, before), *added]
    extras = mesh.setdefault("extras", {})
    if isinstance(extras, dict):  # what else somebody keeps there has no place for names
        extras["targetNames"] = names


def _extend_weights(
    packer: Packer, document: GltfDocument, mesh: int, before: int, added: int
) -> None:
    """Default and animated weights have a number for each target."""
    nodes = packer.tree["nodes"]
    shown = {number for number, node in enumerate(nodes) if node.get("mesh") == mesh}
    for holder in [packer.tree["meshes"][mesh], *(nodes[number] for number in shown)]:
        if "weights" in holder:
            holder["weights"] = [*holder["weights"], *[0.0] * added]
    for animation, channel in _weight_channels(packer.tree):
        if channel["target"].get("node") not in shown:
            continue
        sampler = animation["samplers"][channel["sampler"]]
        values = accessors.read_floats(document.source, sampler["output"]).reshape(-1, before)
        wider = np.pad(values, ((0, 0), (0, added))).astype("<f4")
        output = packer.accessor(packer.view(wider.ravel()), "SCALAR")
        channel["sampler"] = len(animation["samplers"])  # the old one may be shared
        animation["samplers"].append(sampler | {"output": output})


def _weight_channels(tree: dict[str, Any]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    for animation in tree.get("animations", []):
        for channel in animation["channels"]:
            if channel["target"]["path"] == "weights":
                yield animation, channel

"""New arrays into a glTF file, its old bytes left where they are.

Everything new goes to the end of one buffer. Accessors and buffer views that held what is being
replaced are used again, and their bytes are cut off where they are the end of the buffer, so a
file that is weighted again and again does not grow and comes out the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError
from autoweight.io.atomic import Chunk
from autoweight.io.gltf.accessors import DTYPES, FLOAT
from autoweight.io.gltf.container import Container, data_uri, glb_chunks, gltf_chunks

__all__ = ["INDICES", "VERTICES", "Packer"]

COMPONENTS = {dtype: code for code, dtype in DTYPES.items()}
VERTICES, INDICES = 34962, 34963
# Extensions of these say nothing of accessors and views.
PLAIN_KINDS = ("materials", "textures", "samplers", "cameras", "images", "asset")


class Packer:
    """The JSON of a file in the course of getting new arrays.

    Parameters
    ----------
    source : Container
    tree : dict
        Its JSON, changed in place.
    replaced : set of int
        Accessors whose references have been taken out of `tree`. Those that something else
        still refers to are left alone.
    glb : bool
        Whether a GLB file is to be made.
    """

    def __init__(
        self, source: Container, tree: dict[str, Any], replaced: set[int], *, glb: bool
    ) -> None:
        self.tree = tree
        self.glb = glb
        self.accessors: list[dict[str, Any]] = tree.setdefault("accessors", [])
        self.views: list[dict[str, Any]] = tree.setdefault("bufferViews", [])
        self.buffers: list[dict[str, Any]] = tree.setdefault("buffers", [])
        self.others = source.chunks
        self.new: dict[int, NDArray[Any]] = {}
        self.target, self.kept = self._tail(source)

        foreign = set(_foreign_numbers(tree))
        self.free_accessors = sorted(replaced - set(_accessor_uses(tree)) - foreign)
        held = {number: self.accessors[number] for number in self.free_accessors}
        others = [item for number, item in enumerate(self.accessors) if number not in held]
        busy = set(_view_uses(others)) | set(_view_uses(tree.get("images", []))) | foreign
        self.free_views = sorted(set(_view_uses(list(held.values()))) - busy)
        self.old = {number: self.views[number].copy() for number in self.free_views}
        for item in held.values():  # one that stays unused must not reach into others' bytes
            for key in ("bufferView", "byteOffset", "sparse"):
                item.pop(key, None)

    def view(self, array: NDArray[Any], target: int | None = None) -> int:
        """Add an array, (n, ...); its number among the buffer views.

        With the target `VERTICES` its rows take a multiple of 4 bytes each.
        """
        array = np.ascontiguousarray(array)
        item: dict[str, Any] = {"buffer": self.target, "byteOffset": 0, "byteLength": array.nbytes}
        if target is not None:
            item["target"] = target
        if target == VERTICES:
            item["byteStride"] = array.nbytes // len(array)
        number = _place(self.views, self.free_views, item)
        self.new[number] = array
        return number

    def accessor(
        self,
        view: int,
        kind: str,
        *,
        rows: slice | None = None,
        normalized: bool = False,
        bounds: bool = False,
    ) -> int:
        """Add an accessor for rows of a view of this packer, all if not said; its number."""
        array = self.new[view]
        rows = rows or slice(0, len(array))
        item: dict[str, Any] = {
            "bufferView": view,
            "byteOffset": rows.start * (array.nbytes // len(array)),
            "componentType": COMPONENTS[array.dtype.newbyteorder("<")],
            "count": rows.stop - rows.start,
            "type": kind,
        }
        if normalized:
            item["normalized"] = True
        if bounds:
            flat = array[rows].reshape(item["count"], -1)
            item |= {"min": flat.min(axis=0).tolist(), "max": flat.max(axis=0).tolist()}
        return _place(self.accessors, self.free_accessors, item)

    def still(self, count: int) -> int:
        """Add an accessor of that many zero vectors; its number."""
        zero = [0.0, 0.0, 0.0]
        item = {"componentType": FLOAT, "count": count, "type": "VEC3", "min": zero, "max": zero}
        return _place(self.accessors, self.free_accessors, item)

    def chunks(self) -> list[Chunk]:
        """The finished file, piece by piece; the packer is not to be used after."""
        _drop_tail(self.accessors, self.free_accessors)
        _drop_tail(self.views, self.free_views)
        end = self._live_end()
        pieces: list[Chunk] = _first_bytes(self.kept, end)
        for number, array in self.new.items():
            self.views[number]["byteOffset"] = end + -end % 4
            pieces += [bytes(-end % 4), array.reshape(-1).view(np.uint8).data]
            end += -end % 4 + array.nbytes
        pieces.append(bytes(-end % 4))
        if end:
            self._fill(pieces, end + -end % 4)
        for kind in ("accessors", "bufferViews", "buffers"):
            if not self.tree[kind]:
                del self.tree[kind]
        if self.glb:
            return glb_chunks(self.tree, pieces, self.others)
        return gltf_chunks(self.tree)

    def _tail(self, source: Container) -> tuple[int, list[memoryview]]:
        """The buffer that new bytes are added to, and what it has already."""
        contents = source.buffers
        if contents and source.tree.buffers[0].uri is None and contents[0] is not None:
            return 0, [contents[0]]
        if not self.glb:
            if contents and (source.tree.buffers[-1].uri or "").startswith("data:"):
                return len(contents) - 1, [content for content in contents[-1:] if content]
            return len(contents), []
        # A GLB file holds one buffer; the others move into it, one after the other.
        kept: list[memoryview] = []
        starts: list[int] = []
        for number, content in enumerate(contents):
            if content is None:
                raise FileError(
                    f"buffer {number} has no bytes of its own; write .gltf, or export the file "
                    "without compression"
                )
            starts.append(sum(map(len, kept)))
            kept += [content, memoryview(bytes(-len(content) % 4))]
        for view in self.views:
            view["byteOffset"] = view.get("byteOffset", 0) + starts[view["buffer"]]
            view["buffer"] = 0
        if contents:
            self.buffers[:] = [{"byteLength": sum(map(len, kept))}]
        return 0, kept

    def _live_end(self) -> int:
        """Where the bytes end that something still refers to."""
        end = sum(map(len, self.kept))
        live = max(
            (
                view.get("byteOffset", 0) + view["byteLength"]
                for number, view in enumerate(self.views)
                if number not in self.new
                for view in (view, *view.get("extensions", {}).values())
                if view.get("buffer") == self.target
            ),
            default=0,
        )
        gone = [
            (view.get("byteOffset", 0), view["byteLength"])
            for number, view in self.old.items()
            if number not in self.free_views and view["buffer"] == self.target
        ]
        # Only bytes that are known to be replaced are cut, with the padding behind them.
        for start, length in sorted(gone, reverse=True):
            if start < live or not 0 <= end - start - length < 4:
                break
            end = start
        return end

    def _fill(self, pieces: list[Chunk], length: int) -> None:
        if self.target == len(self.buffers):
            self.buffers.append({})
        buffer = self.buffers[self.target]
        buffer["byteLength"] = length
        buffer.pop("uri", None)
        if not self.glb:
            buffer["uri"] = data_uri(pieces)


def _place(items: list[dict[str, Any]], free: list[int], item: dict[str, Any]) -> int:
    """Put an item where an old one is free, else at the end; its number."""
    if not free:
        items.append(item)
        return len(items) - 1
    number = free.pop(0)
    items[number] = item
    return number


def _drop_tail(items: list[dict[str, Any]], free: list[int]) -> None:
    """Drop unused items from the end; elsewhere they stay, for the sake of the numbers behind."""
    while free and free[-1] == len(items) - 1:
        free.pop()
        items.pop()


def _first_bytes(pieces: list[memoryview], length: int) -> list[Chunk]:
    found: list[Chunk] = []
    for piece in pieces:
        found.append(piece[:length])
        length -= len(found[-1])
    return found


def _accessor_uses(tree: dict[str, Any]) -> Iterator[int]:
    for mesh in tree.get("meshes", []):
        for primitive in mesh["primitives"]:
            yield from primitive["attributes"].values()
            for target in primitive.get("targets", []):
                yield from target.values()
            if "indices" in primitive:
                yield primitive["indices"]
    for skin in tree.get("skins", []):
        if "inverseBindMatrices" in skin:
            yield skin["inverseBindMatrices"]
    for animation in tree.get("animations", []):
        for sampler in animation["samplers"]:
            yield sampler["input"]
            yield sampler["output"]


def _view_uses(items: list[dict[str, Any]]) -> Iterator[int]:
    for item in items:
        holders = [item]
        if "sparse" in item:
            holders += [item["sparse"]["indices"], item["sparse"]["values"]]
        for holder in holders:
            if "bufferView" in holder:
                yield holder["bufferView"]


def _foreign_numbers(tree: dict[str, Any]) -> Iterator[int]:
    """Every whole number in an extension, as it may be the number of an accessor or view."""
    waiting: list[tuple[Any, bool]] = [
        (value, key == "extensions") for key, value in tree.items() if key not in PLAIN_KINDS
    ]
    while waiting:
        value, foreign = waiting.pop()
        if isinstance(value, dict):
            waiting += [
                (item, foreign or key == "extensions")
                for key, item in value.items()
                if key != "extras"
            ]
        elif isinstance(value, list):
            waiting += [(item, foreign) for item in value if foreign or isinstance(item, dict)]
        elif foreign and type(value) is int:
            yield value

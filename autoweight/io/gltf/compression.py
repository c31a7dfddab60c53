"""Compressed glTF laid out as plain glTF: the same accessors and views, with bytes of their own.

Decoders come from packages of their own (the extra ``compressed``). What is read is as if it had
never been compressed, so everything behind this knows plain glTF only, and what is written is
plain. Source: Khronos, KHR_draco_mesh_compression, EXT_meshopt_compression and
KHR_meshopt_compression.
"""

from __future__ import annotations

import json
import logging
from dataclasses import replace
from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError
from autoweight.io.atomic import Chunk
from autoweight.io.gltf.accessors import DTYPES
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.schema import Count, Index, decode, nth

__all__ = ["expanded"]

DRACO = "KHR_draco_mesh_compression"
MESHOPT = ("EXT_meshopt_compression", "KHR_meshopt_compression")
EXPANSION = 1024
"""Bytes that one byte of a meshopt stream can stand for: two bits say that 256 bytes are zero."""
SLACK = 4096
TRIANGLES = 4

log = logging.getLogger(__name__)


class Draco(msgspec.Struct, rename="camel"):
    """Where the stream of a primitive is, and the number of each attribute in it."""

    buffer_view: Index
    attributes: dict[str, Index]


class Meshopt(msgspec.Struct, rename="camel"):
    """Where the stream of a buffer view is, and what comes out of it."""

    buffer: Index
    byte_length: Count
    byte_stride: Annotated[int, msgspec.Meta(ge=1, le=256)]
    count: Count
    mode: str
    byte_offset: Index = 0
    filter: str | None = None


def expanded(source: Container) -> Container:
    """A file with what was compressed in it as plain accessors.

    Parameters
    ----------
    source : Container

    Returns
    -------
    Container
        `source` itself where nothing is compressed. Otherwise one buffer with the bytes of every
        view; accessors, views and vertices keep their numbers and order.

    Raises
    ------
    FileError
        A stream is damaged or does not fit its accessors, or a decoder is not installed.
    """
    tree = source.tree
    packed = {
        number: name
        for number, view in enumerate(tree.buffer_views)
        for name in MESHOPT
        if name in view.extensions
    }
    draco = any(
        DRACO in primitive.extensions for mesh in tree.meshes for primitive in mesh.primitives
    )
    names = sorted({*packed.values(), *([DRACO] if draco else [])})
    if not names:
        return source
    layout = _Layout(source, packed)
    if draco:
        layout.draco()
    log.warning(
        "%s: is compressed with %s; what is written of it is not", source.path, ", ".join(names)
    )
    return layout.container(names)


class _Layout:
    """The JSON of a file and the bytes of its views, in the course of being laid out."""

    def __init__(self, source: Container, packed: dict[int, str]) -> None:
        self.source = source
        self.tree = source.json()
        self.accessors: list[dict[str, Any]] = self.tree.setdefault("accessors", [])
        self.views: list[dict[str, Any]] = self.tree.get("bufferViews", [])
        self.bytes: list[memoryview] = []
        self.read: set[int] = set()
        for number, view in enumerate(source.tree.buffer_views):
            if number not in packed:
                self.bytes.append(_part(source, view.buffer, view.byte_offset, view.byte_length))
                continue
            _without(self.views[number], packed[number])
            content = nth(source.buffers, view.buffer, "buffer")
            if content is None:  # what is there is the same, for readers without a decoder
                self.bytes.append(_meshopt(source, number, packed[number]))
            else:
                self.bytes.append(_part(source, view.buffer, view.byte_offset, view.byte_length))

    def draco(self) -> None:
        """Fill the accessors of every primitive that has a Draco stream."""
        streams: dict[int, Any] = {}
        filled: dict[int, tuple[int, int | None]] = {}
        for mesh, typed in zip(self.tree["meshes"], self.source.tree.meshes, strict=True):
            for primitive, known in zip(mesh["primitives"], typed.primitives, strict=True):
                if DRACO not in known.extensions:
                    continue
                said = _convert(known.extensions[DRACO], Draco, DRACO)
                view = said.buffer_view
                if view not in streams:
                    streams[view] = _draco(nth(self.bytes, view, "bufferView"))
                points = streams[view]
                for name, number in said.attributes.items():
                    if name not in known.attributes:
                        raise FileError(
                            f"a primitive has {name} in its {DRACO} stream but not among its "
                            "attributes; export it again"
                        )
                    values = next(
                        (each["data"] for each in points.attributes if each["unique_id"] == number),
                        None,
                    )
                    if values is None:
                        raise FileError(
                            f"a {DRACO} stream has no attribute {number}, which should be {name}; "
                            "export it again"
                        )
                    primitive["attributes"][name] = self._fill(
                        known.attributes[name], values, (view, number), filled
                    )
                faces = np.asarray(points.faces)
                if known.indices is None:
                    raise FileError(
                        f"a primitive has a {DRACO} stream but no indices; export it again"
                    )
                primitive["indices"] = self._fill(
                    known.indices, faces.reshape(-1, 1), (view, None), filled
                )
                primitive["mode"] = TRIANGLES  # what comes out of a stream, whatever went in
                _without(primitive, DRACO)

    def _fill(
        self,
        number: int,
        values: NDArray[Any],
        origin: tuple[int, int | None],
        filled: dict[int, tuple[int, int | None]],
    ) -> int:
        """Give an accessor decoded values of its own; its number."""
        known = nth(self.source.tree.accessors, number, "accessor")
        wanted = DTYPES.get(known.component_type)
        width = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}.get(known.type)
        if wanted is None or values.ndim != 2 or values.shape[1] != width:
            raise FileError(
                f"accessor {number} is not what its {DRACO} stream holds; export it again"
            )
        if filled.get(number) == origin:
            return number
        stored = values.astype(wanted)
        if not np.array_equal(stored, values):
            raise FileError(
                f"accessor {number} cannot hold the values of its {DRACO} stream; export it again"
            )
        if number in filled:  # another stream's values have the same description
            self.accessors.append(dict(self.accessors[number]))
            number = len(self.accessors) - 1
        filled[number] = origin
        item = self.accessors[number]
        item.pop("byteOffset", None)
        item["count"] = len(stored)
        view: dict[str, Any] = {}
        if "min" in item or "max" in item:
            item |= {"min": stored.min(axis=0).tolist(), "max": stored.max(axis=0).tolist()}
        if origin[1] is None:
            view["target"] = 34963
        else:
            view["target"] = 34962
            row = stored.dtype.itemsize * stored.shape[1]
            if row % 4:  # rows of vertices begin at multiples of four bytes
                padded = np.zeros((len(stored), row + -row % 4), np.uint8)
                padded[:, :row] = np.ascontiguousarray(stored).view(np.uint8)
                view["byteStride"], stored = padded.shape[1], padded
        self._place(origin[0], view, np.ascontiguousarray(stored).data, item)
        return number

    def _place(
        self, stream: int, view: dict[str, Any], values: memoryview, accessor: dict[str, Any]
    ) -> None:
        """Add a view; the first takes the number of the stream, which nothing else needs."""
        if stream in self.read:
            accessor["bufferView"] = len(self.views)
            self.views.append(view)
            self.bytes.append(values)
        else:
            self.read.add(stream)
            accessor["bufferView"] = stream
            self.views[stream], self.bytes[stream] = view, values

    def container(self, names: list[str]) -> Container:
        """The file as it is now; not to be used after."""
        pieces: list[Chunk] = []
        end = 0
        for view, content in zip(self.views, self.bytes, strict=True):
            size = content.nbytes
            view |= {"buffer": 0, "byteOffset": end, "byteLength": size}
            pieces += [content, bytes(-size % 4)]
            end += size + -size % 4
        self.tree["buffers"] = [{"byteLength": end}]
        for key in ("extensionsUsed", "extensionsRequired"):
            kept = [name for name in self.tree.pop(key, []) if name not in names]
            if kept:
                self.tree[key] = kept
        text = json.dumps(self.tree).encode()
        buffers = (memoryview(b"".join(pieces)),)
        return replace(self.source, text=text, tree=decode(text), buffers=buffers)


def _part(source: Container, buffer: int, start: int, length: int) -> memoryview:
    content = nth(source.buffers, buffer, "buffer")
    if content is None or start + length > len(content):
        raise FileError(
            f"a bufferView reaches outside buffer {buffer}; the file is damaged, export it again"
        )
    return content[start : start + length]


def _meshopt(source: Container, number: int, name: str) -> memoryview:
    view = source.tree.buffer_views[number]
    said = _convert(view.extensions[name], Meshopt, name)
    stream = _part(source, said.buffer, said.byte_offset, said.byte_length)
    size = said.count * said.byte_stride
    if size != view.byte_length or size > EXPANSION * len(stream) + SLACK:
        raise FileError(
            f"bufferView {number} has {view.byte_length} bytes where its {name} stream of "
            f"{len(stream)} stands for {said.count} times {said.byte_stride}; the file is "
            "damaged, export it again"
        )
    meshopt = _decoder("meshopt", name)
    try:
        found = meshopt.decode_gltf_buffer(
            bytes(stream), said.count, said.byte_stride, said.mode, said.filter
        )
    except (ValueError, TypeError) as error:
        raise FileError(
            f"bufferView {number} has a {name} stream that is damaged ({error}); export it again"
        ) from error
    return np.ascontiguousarray(found).data


def _draco(stream: memoryview) -> Any:
    draco = _decoder("DracoPy", DRACO)
    try:
        found = draco.decode(bytes(stream))
    except (draco.FileTypeException, ValueError, MemoryError) as error:
        raise FileError(
            f"has a {DRACO} stream that is damaged ({error}); export it again"
        ) from error
    if not hasattr(found, "faces"):
        raise FileError(f"has a {DRACO} stream without triangles; export it again")
    return found


def _decoder(package: str, name: str) -> Any:
    """A decoder, on first use: each is an extra."""
    try:
        return __import__(package)
    except ImportError as error:
        raise FileError(
            f"is compressed with {name}; install its decoder with: pip install {package}"
        ) from error


def _convert(said: Any, kind: type[Any], name: str) -> Any:
    try:
        return msgspec.convert(said, kind)
    except msgspec.ValidationError as error:
        raise FileError(f"has a {name} that is not valid ({error}); export it again") from error


def _without(item: dict[str, Any], name: str) -> None:
    del item["extensions"][name]
    if not item["extensions"]:
        del item["extensions"]

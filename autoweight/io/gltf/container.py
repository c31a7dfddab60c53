"""A glTF file as JSON text and buffers, in one binary file or in several.

Source: Khronos, glTF 2.0, sections 3.6.1 (buffers), 4 (GLB).
"""

from __future__ import annotations

import base64
import binascii
import json
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from autoweight.errors import FileError, unreadable
from autoweight.io.atomic import Chunk
from autoweight.io.gltf import resources
from autoweight.io.gltf.schema import Tree, decode

__all__ = ["Container", "data_uri", "glb_chunks", "gltf_chunks", "parse", "read"]

MAGIC = b"glTF"
JSON_CHUNK = 0x4E4F534A
BIN_CHUNK = 0x004E4942


@dataclass(frozen=True, eq=False)
class Container:
    """What a file holds, as it was read.

    Parameters
    ----------
    path : Path or None
        None for one that is not in a file yet.
    text : bytes
        The JSON.
    tree : Tree
        The same, typed.
    buffers : tuple of memoryview or None
        The bytes of each buffer; None for one that has none, which an extension may fill.
    chunks : tuple of (int, memoryview)
        Kind and bytes of what a GLB file has besides.
    outside : bool
        Whether files may be read that it names outside its folder.
    """

    path: Path | None
    text: bytes
    tree: Tree
    buffers: tuple[memoryview | None, ...]
    chunks: tuple[tuple[int, memoryview], ...] = ()
    outside: bool = False

    def json(self) -> dict[str, Any]:
        """The JSON as a tree of its own, to be changed at will."""
        return json.loads(self.text)


def read(path: Path, *, outside: bool = False) -> Container:
    """Read a ``.glb`` or ``.gltf`` file and the buffers it names.

    Parameters
    ----------
    path : Path
    outside : bool
        Whether they may be in another folder.

    Raises
    ------
    FileError
        It cannot be read, is cut short, or is not glTF 2.0.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise unreadable(path, error) from error
    return parse(content, path, outside=outside)


def parse(content: bytes, path: Path | None, *, outside: bool = False) -> Container:
    """As `read`, from the bytes of the file."""
    binary = None
    text: bytes | memoryview = content
    others: tuple[tuple[int, memoryview], ...] = ()
    if content[:4] == MAGIC:
        text, binary, others = _chunks(memoryview(content))
    elif path is not None and path.suffix.lower() == ".glb":
        raise FileError("is not a GLB file: it does not begin with 'glTF'; export it again")
    text = bytes(text)
    tree = decode(text)
    buffers: list[memoryview | None] = []
    for number, buffer in enumerate(tree.buffers):
        found = binary if number == 0 and buffer.uri is None else None
        if buffer.uri is not None:
            found = _resource(buffer.uri, path, buffer.byte_length, outside)
        if found is not None and len(found) < buffer.byte_length:
            raise FileError(
                f"is truncated: buffer {number} should have {buffer.byte_length} bytes, "
                f"{len(found)} are there; export it again"
            )
        buffers.append(None if found is None else found[: buffer.byte_length])
    return Container(path, text, tree, tuple(buffers), others, outside)


def glb_chunks(
    tree: dict[str, Any],
    binary: list[Chunk],
    others: tuple[tuple[int, memoryview], ...] = (),
) -> list[Chunk]:
    """The pieces of a GLB file, in order.

    Parameters
    ----------
    tree : dict
        The JSON; its first buffer is `binary`, if there is any.
    binary : list of bytes-like
        Written one after the other; their length is a multiple of 4.
    others : tuple of (int, memoryview)
        Kind and bytes of further chunks.
    """
    text = _dump(tree, indent=None)
    text += b" " * (-len(text) % 4)
    size = sum(map(len, binary))
    tail: list[Chunk] = [struct.pack("<II", size, BIN_CHUNK), *binary] if size else []
    for kind, chunk in others:
        tail += [struct.pack("<II", len(chunk), kind), chunk]
    total = 20 + len(text) + sum(map(len, tail))
    if total >= 1 << 32:
        raise FileError("a GLB file holds at most 4 GiB; write .gltf instead")
    head: list[Chunk] = [
        struct.pack("<4sIIII", MAGIC, 2, total, len(text), JSON_CHUNK),
        text,
    ]
    return head + tail


def gltf_chunks(tree: dict[str, Any]) -> list[Chunk]:
    """The text of a ``.gltf`` file."""
    return [_dump(tree, indent=2), b"\n"]


def data_uri(pieces: list[Chunk]) -> str:
    """Buffer contents as text."""
    encoded = base64.b64encode(b"".join(pieces)).decode("ascii")
    return f"data:application/octet-stream;base64,{encoded}"


def _dump(tree: dict[str, Any], indent: int | None) -> bytes:
    separators = (",", ":") if indent is None else (",", ": ")
    return json.dumps(tree, separators=separators, indent=indent).encode("ascii")


def _chunks(
    content: memoryview,
) -> tuple[memoryview, memoryview | None, tuple[tuple[int, memoryview], ...]]:
    if len(content) < 20:
        raise FileError("is truncated: a GLB file has at least 20 bytes; export it again")
    _, version, length = struct.unpack("<4sII", content[:12])
    if version != 2:
        raise FileError(f"is GLB version {version}; export it as glTF 2.0")
    if length > len(content):
        raise FileError(
            f"is truncated: it should have {length} bytes, {len(content)} are there; "
            "export or copy it again"
        )
    found: list[tuple[int, memoryview]] = []
    position = 12
    while position + 8 <= length:
        size, kind = struct.unpack("<II", content[position : position + 8])
        position += 8
        if position + size > length:
            raise FileError(
                f"is truncated: a chunk of {size} bytes begins at byte {position} of {length}; "
                "export or copy it again"
            )
        found.append((kind, content[position : position + size]))
        position += size
    if not found or found[0][0] != JSON_CHUNK:
        raise FileError("does not begin with a JSON chunk; export it again")
    (_, text), *rest = found
    binary = rest.pop(0)[1] if rest and rest[0][0] == BIN_CHUNK else None
    return text, binary, tuple(rest)


def _resource(uri: str, path: Path | None, size: int, outside: bool) -> memoryview:
    if not uri.startswith("data:"):
        return resources.read(uri, (path or Path()).parent, size, outside=outside)
    head, comma, body = uri.partition(",")
    if not comma or not head.endswith(";base64"):
        raise FileError("has a data URI that is not base64; export it again")
    try:
        return memoryview(base64.b64decode(body, validate=True))
    except binascii.Error as error:
        raise FileError(f"has a data URI that is damaged ({error}); export it again") from error

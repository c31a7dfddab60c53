"""glTF files put together byte by byte, without any code of the package."""

from __future__ import annotations

import base64
import json
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

BYTE, UBYTE, SHORT, USHORT, UINT, FLOAT = 5120, 5121, 5122, 5123, 5125, 5126
LETTER = {BYTE: "b", UBYTE: "B", SHORT: "h", USHORT: "H", UINT: "I", FLOAT: "f"}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}

# The two-joint strip of the Khronos glTF tutorial, chapter "A Simple Skin": ten vertices in five
# rows, half a unit apart, whose weights go from the lower joint to the upper by quarters.
POSITIONS = [(x, y / 2, 0.0) for y in range(5) for x in (0.0, 1.0)]
FACES = [
    corner
    for y in range(4)
    for corner in (2 * y, 2 * y + 1, 2 * y + 3, 2 * y, 2 * y + 3, 2 * y + 2)
]
UPPER = [y / 4 for y in range(5) for _ in (0, 1)]
JOINTS = [(0, 1 if upper else 0, 0, 0) if upper < 1 else (1, 0, 0, 0) for upper in UPPER]
WEIGHTS = [(1 - upper, upper, 0.0, 0.0) if upper < 1 else (1.0, 0.0, 0.0, 0.0) for upper in UPPER]
INVERSE_BIND = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, -0.5, -1, 0, 1]


class File:
    """A glTF file in the making."""

    def __init__(self) -> None:
        self.tree: dict[str, Any] = {
            "asset": {"version": "2.0"},
            "bufferViews": [],
            "accessors": [],
        }
        self.bytes = bytearray()
        self.bare: list[dict[str, Any]] = []  # buffers without bytes, behind the one that has them

    def add(self, kind: str, **item: Any) -> int:
        """Append an item to a list of the tree; its number."""
        self.tree.setdefault(kind, []).append(item)
        return len(self.tree[kind]) - 1

    def view(self, content: bytes, **more: Any) -> int:
        self.bytes += bytes(-len(self.bytes) % 4)
        start = len(self.bytes)
        self.bytes += content
        return self.add("bufferViews", buffer=0, byteOffset=start, byteLength=len(content), **more)

    def accessor(
        self, values: Sequence[Any], component: int, kind: str = "SCALAR", **more: Any
    ) -> int:
        """Values, one an element, tightly packed but for rows of 1, 2, 3 or 6 bytes."""
        rows = [tuple(each) if isinstance(each, (list, tuple)) else (each,) for each in values]
        packed = [struct.pack(f"<{WIDTH[kind]}{LETTER[component]}", *row) for row in rows]
        stride = {}
        if kind != "SCALAR" and len(packed[0]) % 4:
            packed = [row + bytes(-len(row) % 4) for row in packed]
            stride = {"byteStride": len(packed[0])}
        view = self.view(b"".join(packed), **stride)
        if component == FLOAT and kind == "VEC3":
            more |= {"min": list(map(min, rows[0], *rows)), "max": list(map(max, rows[0], *rows))}
        return self.add(
            "accessors",
            bufferView=view,
            componentType=component,
            count=len(rows),
            type=kind,
            **more,
        )

    def glb(self, path: Path) -> Path:
        tree = self.tree | {"buffers": [{"byteLength": len(self.bytes)}, *self.bare]}
        text = json.dumps(tree).encode()
        text += b" " * (-len(text) % 4)
        binary = bytes(self.bytes) + bytes(-len(self.bytes) % 4)
        path.write_bytes(
            struct.pack("<4sII", b"glTF", 2, 28 + len(text) + len(binary))
            + struct.pack("<I4s", len(text), b"JSON")
            + text
            + struct.pack("<I4s", len(binary), b"BIN\0")
            + binary
        )
        return path

    def gltf(self, path: Path, side: str | None = None) -> Path:
        """With the buffer inside, or in a file beside it."""
        if side is None:
            uri = "data:application/octet-stream;base64," + base64.b64encode(self.bytes).decode()
        else:
            uri = side.replace(" ", "%20")
            (path.parent / side).write_bytes(self.bytes)
        buffer = {"byteLength": len(self.bytes), "uri": uri}
        path.write_text(json.dumps(self.tree | {"buffers": [buffer]}))
        return path


def strip(*, weights: bool = True, skin: bool = True) -> File:
    """The tutorial's strip, with names of its own: node 0 shows it, 1 and 2 are its joints."""
    file = File()
    attributes = {"POSITION": file.accessor(POSITIONS, FLOAT, "VEC3")}
    if weights:
        attributes["JOINTS_0"] = file.accessor(JOINTS, USHORT, "VEC4")
        attributes["WEIGHTS_0"] = file.accessor(WEIGHTS, FLOAT, "VEC4")
    file.add(
        "meshes",
        name="strip",
        primitives=[{"attributes": attributes, "indices": file.accessor(FACES, USHORT)}],
    )
    file.add("nodes", name="strip", mesh=0)
    file.add("nodes", name="lower", children=[2], translation=[0.5, 1.0, 0.0])
    file.add("nodes", name="upper")
    file.add("scenes", nodes=[0, 1])
    if skin:
        matrices = file.accessor([INVERSE_BIND, INVERSE_BIND], FLOAT, "MAT4")
        file.add("skins", joints=[1, 2], inverseBindMatrices=matrices)
        file.tree["nodes"][0]["skin"] = 0
    return file


def tree_of(path: Path) -> dict[str, Any]:
    """The JSON of a file."""
    content = path.read_bytes()
    if content[:4] == b"glTF":
        (length,) = struct.unpack("<I", content[12:16])
        content = content[20 : 20 + length]
    return json.loads(content)


def binary_of(path: Path) -> bytes:
    """The binary chunk of a GLB file."""
    content = path.read_bytes()
    (length,) = struct.unpack("<I", content[12:16])
    (size,) = struct.unpack("<I", content[20 + length : 24 + length])
    return content[28 + length : 28 + length + size]

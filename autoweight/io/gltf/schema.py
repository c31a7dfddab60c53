"""The parts of glTF 2.0 JSON that skinning reads, typed; everything else passes by untouched.

Field names and rules follow the specification (Khronos, glTF 2.0, section 5).
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from typing import Annotated, Any, TypeVar

import msgspec

from autoweight.errors import FileError

__all__ = [
    "SKIN_ATTRIBUTE",
    "Accessor",
    "Animation",
    "BufferView",
    "Mesh",
    "Node",
    "Primitive",
    "Skin",
    "Sparse",
    "Tree",
    "decode",
    "nth",
]

SKIN_ATTRIBUTE = re.compile(r"(JOINTS|WEIGHTS)_\d+")

Index = Annotated[int, msgspec.Meta(ge=0)]
Count = Annotated[int, msgspec.Meta(ge=1)]
Vec3 = tuple[float, float, float]
Vec4 = tuple[float, float, float, float]
Matrix = Annotated[tuple[float, ...], msgspec.Meta(min_length=16, max_length=16)]
Version = Annotated[str, msgspec.Meta(pattern=r"^[0-9]{1,9}\.[0-9]{1,9}$")]
Item = TypeVar("Item")


class _Object(msgspec.Struct, rename="camel", kw_only=True):
    name: str | None = None
    extensions: dict[str, Any] = {}


class Asset(_Object):
    version: str
    min_version: Version | None = None


class Buffer(_Object):
    byte_length: Index
    uri: str | None = None


class Image(_Object):
    uri: str | None = None


class BufferView(_Object):
    buffer: Index
    byte_length: Count
    byte_offset: Index = 0
    byte_stride: Index | None = None


class SparseIndices(_Object):
    buffer_view: Index
    component_type: int
    byte_offset: Index = 0


class SparseValues(_Object):
    buffer_view: Index
    byte_offset: Index = 0


class Sparse(_Object):
    count: Count
    indices: SparseIndices
    values: SparseValues


class Accessor(_Object):
    component_type: int
    count: Count
    type: str
    buffer_view: Index | None = None
    byte_offset: Index = 0
    normalized: bool = False
    sparse: Sparse | None = None


class Primitive(_Object):
    attributes: dict[str, Index]
    indices: Index | None = None
    material: Index | None = None
    mode: int = 4
    targets: tuple[dict[str, Index], ...] = ()


class Mesh(_Object):
    primitives: tuple[Primitive, ...]


class Node(_Object):
    children: tuple[Index, ...] = ()
    mesh: Index | None = None
    skin: Index | None = None
    camera: Index | None = None
    matrix: Matrix | None = None
    translation: Vec3 = (0.0, 0.0, 0.0)
    rotation: Vec4 = (0.0, 0.0, 0.0, 1.0)
    scale: Vec3 = (1.0, 1.0, 1.0)


class Skin(_Object):
    joints: tuple[Index, ...]
    inverse_bind_matrices: Index | None = None


class Sampler(_Object):
    input: Index
    output: Index
    interpolation: str = "LINEAR"


class ChannelTarget(_Object):
    path: str
    node: Index | None = None


class Channel(_Object):
    sampler: Index
    target: ChannelTarget


class Animation(_Object):
    channels: tuple[Channel, ...]
    samplers: tuple[Sampler, ...]


class Material(_Object):
    pass


class Tree(_Object):
    """The whole file."""

    asset: Asset
    accessors: tuple[Accessor, ...] = ()
    animations: tuple[Animation, ...] = ()
    buffers: tuple[Buffer, ...] = ()
    buffer_views: tuple[BufferView, ...] = ()
    extensions_required: tuple[str, ...] = ()
    images: tuple[Image, ...] = ()
    materials: tuple[Material, ...] = ()
    meshes: tuple[Mesh, ...] = ()
    nodes: tuple[Node, ...] = ()
    skins: tuple[Skin, ...] = ()


def decode(text: bytes) -> Tree:
    """The typed view of a glTF file's JSON.

    Raises
    ------
    FileError
        Not JSON, not glTF 2, or a value of the wrong kind; the message has its place.
    """
    try:
        text.decode()  # what the schema does not name is not looked at below
        tree = msgspec.json.decode(text.removeprefix(codecs.BOM_UTF8), type=Tree)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise FileError(f"is not valid glTF 2.0 ({error}); export it again") from error
    except RecursionError as error:
        raise FileError("has JSON that is nested too deep; export it again") from error
    if tree.asset.version.split(".")[0] != "2":
        raise FileError(f"is glTF {tree.asset.version}; export it as glTF 2.0")
    return tree


def nth(items: Sequence[Item], index: int, kind: str) -> Item:
    """An item another one refers to.

    Raises
    ------
    FileError
        There is none of that number.
    """
    if index >= len(items):
        raise FileError(
            f"refers to {kind} {index}, counted from 0, of {len(items)}; export it again"
        )
    return items[index]

"""What a glTF file asks of its reader, and whether that is to be had here.

A reader that does not support a required extension has to refuse the file, as the positions it
would read might not be those that are meant. What only says how a surface looks, sounds or is lit
is none of our business, and comes back as it was. Source: Khronos, glTF 2.0, sections 3.2 (asset)
and 3.12 (extensions), and its registry of extensions, which names one after what it extends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from autoweight.errors import FileError
from autoweight.io.gltf import compression
from autoweight.io.gltf.container import Container

__all__ = ["check"]

DEALT_WITH = {
    compression.DRACO,
    *compression.MESHOPT,
    "KHR_mesh_quantization",  # any component type is read
    "EXT_mesh_gpu_instancing",  # `pieces.drawn_once` looks at it
}
ASIDE = {
    "EXT_instance_features",
    "EXT_mesh_features",
    "EXT_mesh_manifold",
    "EXT_structural_metadata",
    "KHR_animation_pointer",
    "KHR_audio_emitter",
    "KHR_interactivity",
    "KHR_node_hoverability",
    "KHR_node_selectability",
    "KHR_node_visibility",
    "KHR_xmp",
    "KHR_xmp_json_ld",
}
"""Extensions of the registry that leave vertices, joints and weights where they are."""
LOOKS = re.compile(r"[A-Z0-9]+_(materials|texture|image|lights)_")
SURFACES = ("materials", "textures", "images", "samplers", "cameras")
"""Lists of the file in which nothing can move a vertex."""


def check(source: Container) -> None:
    """Refuse a file that needs what is not supported here.

    Parameters
    ----------
    source : Container

    Raises
    ------
    FileError
        It is for a later version of glTF, or requires an extension that may have a say in where
        vertices or joints are.
    """
    least = source.tree.asset.min_version
    if least is not None and tuple(map(int, least.split("."))) > (2, 0):
        raise FileError(f"needs a reader of glTF {least} (asset.minVersion); export it as glTF 2.0")
    unknown = [
        name
        for name in source.tree.extensions_required
        if name not in DEALT_WITH and name not in ASIDE and not LOOKS.match(name)
    ]
    if not unknown:
        return
    places: dict[str, set[str]] = {name: set() for name in unknown}
    for kind, value in source.json().items():
        for name in places.keys() & set(_used(value, kind == "extensions")):
            places[name].add(kind)
    for name, kinds in places.items():
        if not kinds or not kinds.issubset(SURFACES):
            raise FileError(
                f"requires the extension {name}, which is not known here and may change where "
                "vertices or joints are; export it without"
            )


def _used(value: Any, inside: bool) -> Iterator[str]:
    """The names of all extensions in a JSON value, which may itself be a table of them."""
    waiting = [(value, inside)]
    while waiting:
        item, table = waiting.pop()
        if isinstance(item, dict):
            if table:
                yield from item
            waiting += [
                (each, key == "extensions")
                for key, each in item.items()
                if table or key != "extras"
            ]
        elif isinstance(item, list):
            waiting += [(each, False) for each in item]

"""Files that a ``.gltf`` refers to: where they are, and which of them may be touched.

What a file refers to is not to be trusted: a reference can go up, be absolute, go through a link,
name a device or ask for more bytes than there are. Only regular files in the folder of the
``.gltf`` or below are read, unless the user allows others, and nothing is written outside the
folder that was asked for. Source: Khronos, glTF 2.0, section 2.8 (URIs).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from autoweight.errors import FileError, unreadable

__all__ = ["copies", "read"]


def read(uri: str, folder: Path, size: int, *, outside: bool) -> memoryview:
    """The first bytes of a file that a reference leads to, no more than are asked for.

    Parameters
    ----------
    uri : str
        As in the file, percent-encoded. A backslash counts as a slash.
    folder : Path
        Of the file that has the reference.
    size : int
        How many bytes are asked for; fewer come back where the file is shorter.
    outside : bool
        Whether the file may be in another folder.

    Raises
    ------
    FileError
        It leads out of the folder, or to nothing that can be read.
    """
    if "://" in uri:
        raise FileError(f"keeps a buffer at {uri}; fetch it and refer to the file")
    path = folder / _name(uri)
    if not outside and not _within(path, folder):
        raise FileError(
            f"keeps a buffer at {uri!r}, outside its folder, where nothing is read unasked; move "
            "it into the folder, or allow it with --outside"
        )
    try:
        if path.exists() and not path.is_file():
            raise FileError(f"keeps a buffer at {uri!r}, which is not a regular file")
        with path.open("rb") as file:
            return memoryview(file.read(min(size, os.fstat(file.fileno()).st_size)))
    except OSError as error:
        raise unreadable(path, error) from error


def copies(
    tree: dict[str, Any], source: Path, target: Path, *, outside: bool
) -> list[tuple[Path, Path]]:
    """Files that must be copied when the one that refers to them goes to another folder.

    Parameters
    ----------
    tree : dict
        The JSON as it will be written. References that would lead out of the new folder are
        changed to the name alone.
    source, target : Path
        Where the file was read from and where it goes.
    outside : bool
        Whether files outside the folder of `source` may be read.

    Returns
    -------
    list of (Path, Path)
        From and to, which is in the folder of `target` or below; nothing for what is there
        already.

    Raises
    ------
    FileError
        Another file of that name is in the way, or one is outside the folder of `source`.
    """
    found: dict[Path, Path] = {}
    for item in [*tree.get("buffers", []), *tree.get("images", [])]:
        uri = item.get("uri", "data:")
        if uri.startswith("data:") or "://" in uri:
            continue
        old, new = (place.parent / _name(uri) for place in (source, target))
        if not old.is_file() or _same(new, old):
            continue
        if not outside and not _within(old, source.parent):
            raise FileError(
                f"cannot take along {uri!r}, which {source} refers to: it is outside its folder; "
                f"write to {source.parent}, or allow it with --outside"
            )
        if not _within(new, target.parent):
            new = target.parent / old.name
            item["uri"] = quote(old.name)
            if _same(new, old):
                continue
        other = found.get(new, new if new.exists() else old)
        if other != old and _bytes(other) != _bytes(old):
            raise FileError(f"{new}: another file is in the way of {old}; choose another folder")
        if not new.exists():
            found[new] = old
    return [(old, new) for new, old in found.items()]


def _name(uri: str) -> str:
    name = unquote(uri).replace("\\", "/")
    if "\0" in name:
        raise FileError(f"refers to {uri!r}, which no file can be called; export it again")
    return name


def _within(path: Path, folder: Path) -> bool:
    """Whether a path is in a folder or below, once all links are followed."""
    return Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))


def _same(path: Path, other: Path) -> bool:
    return path.exists() and path.samefile(other)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise unreadable(path, error) from error

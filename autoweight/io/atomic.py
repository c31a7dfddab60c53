"""Files appear whole or not at all."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TypeAlias

from autoweight.errors import FileError

__all__ = ["Chunk", "copy", "folder", "write"]

Chunk: TypeAlias = bytes | memoryview

NAMED = 40
"""Letters by which a file that is not whole yet is named after what it becomes."""


def write(path: str | Path, chunks: Iterable[Chunk]) -> None:
    """Write a file in one step: until the last byte is on disk the old one stays.

    Parameters
    ----------
    path : str or Path
        A link is followed; the file it names is replaced.
    chunks : iterable of bytes-like
        Written one after the other.

    Raises
    ------
    FileError
        The place cannot be written to or is full; what was there before is untouched.
    """
    target = os.path.realpath(path)
    beginning = os.path.basename(target)[:NAMED]  # the whole name may be as long as names can be
    partial = os.path.join(os.path.dirname(target), f".{beginning}.{os.getpid()}.part")
    try:
        mode = _mode(target)
        handle = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        try:
            with os.fdopen(handle, "wb") as file:
                if mode is not None:
                    os.fchmod(file.fileno(), mode)
                for chunk in chunks:
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            os.replace(partial, target)
        except BaseException:
            with suppress(FileNotFoundError):
                os.unlink(partial)
            raise
    except OSError as error:
        raise FileError(
            f"{path}: cannot write ({error.strerror or error}); nothing was changed, "
            "free the space or choose another place"
        ) from error


def folder(path: str | Path) -> None:
    """Make a folder, and those above it, where they are not there yet.

    Raises
    ------
    FileError
        It cannot be made.
    """
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(
            f"{path}: cannot make this folder ({error.strerror or error}); choose another place"
        ) from error


def copy(source: Path, target: Path) -> None:
    """Copy a file, making the folders it goes to.

    Raises
    ------
    FileError
        It cannot be read or written.
    """
    folder(target.parent)
    try:
        content = source.read_bytes()
    except OSError as error:
        raise FileError(
            f"{source}: cannot copy to {target} ({error.strerror or error}); choose another place"
        ) from error
    write(target, [content])


def _mode(target: str) -> int | None:
    """Permissions of what is there, after checking that it may be replaced."""
    try:
        found = os.stat(target)
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found.st_mode):
        raise FileError(f"{target}: not a regular file; choose another place")
    if not os.access(target, os.W_OK):
        # os.replace asks for the folder's permission only; a file made read-only says no too.
        raise PermissionError(None, "Permission denied")
    return stat.S_IMODE(found.st_mode)

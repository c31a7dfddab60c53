"""What was done, kept by a digest of all that it came from."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import msgspec

import autoweight
from autoweight.errors import unreadable
from autoweight.io.atomic import folder, write

__all__ = ["FOLDER", "Entry", "Ledger", "Print", "digest", "prints", "signature"]

FOLDER = ".kept"
"""Where entries are, below the results."""

COUNTED = ("numpy", "scipy", "scikit-learn", "libigl", "robust-laplacian")
"""Libraries that another version of may change the last bits of a result."""


class Print(msgspec.Struct, frozen=True, array_like=True):
    """What tells that a file is the same: its size and time at once, its digest for certain.

    Parameters
    ----------
    size : int
    time : int
        Of the last change, in nanoseconds.
    digest : str
    """

    size: int
    time: int
    digest: str


class Entry(msgspec.Struct, frozen=True):
    """One thing that was done.

    Parameters
    ----------
    key : str
        Digest of all that it came from.
    asked : str
        Digest of what was asked for, the contents of files aside.
    inputs, outputs : dict of str to Print
        By path; outputs below the folder of the ledger.
    told : dict
        What there is to say of it.
    """

    key: str
    asked: str
    inputs: dict[str, Print]
    outputs: dict[str, Print]
    told: dict[str, Any]


def digest(*parts: str | bytes) -> str:
    """A digest of texts, in order."""
    found = hashlib.blake2b(digest_size=20)
    for part in parts:
        content = part.encode() if isinstance(part, str) else part
        found.update(len(content).to_bytes(8, "little") + content)
    return found.hexdigest()


def prints(paths: Iterable[str], known: Mapping[str, Print] | None = None) -> dict[str, Print]:
    """Fingerprints of files.

    Parameters
    ----------
    paths : iterable of str
    known : mapping of str to Print, optional
        Earlier ones, trusted where size and time are still the same.

    Raises
    ------
    FileError
        One cannot be read.
    """
    found = {}
    for path in paths:
        try:
            state = os.stat(path)
            old = known.get(path) if known else None
            if old and (old.size, old.time) == (state.st_size, state.st_mtime_ns):
                found[path] = old
                continue
            with open(path, "rb") as file:
                content = hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=20))
        except OSError as error:
            raise unreadable(path, error) from error
        found[path] = Print(state.st_size, state.st_mtime_ns, content.hexdigest())
    return found


@cache
def signature() -> str:
    """A digest of this package, to the letter, and the versions of what it computes with."""
    root = Path(autoweight.__file__).parent
    parts: list[str | bytes] = []
    for path in sorted(root.rglob("*.py")):
        parts += [str(path.relative_to(root)), path.read_bytes()]
    for name in COUNTED:
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            parts.append(name)
    return digest(*parts)


class Ledger:
    """The entries of a folder, one file each, so that many can write at once.

    Parameters
    ----------
    root : str or Path
        The folder that outputs lie below.
    """

    def __init__(self, root: str | Path) -> None:
        self.root = Path(root)

    def _place(self, name: str) -> Path:
        return self.root / FOLDER / f"{name}.json"

    def entry(self, name: str) -> Entry | None:
        """What there is under a name; None also where it is damaged.

        Raises
        ------
        FileError
            The system does not let it be read.
        """
        try:
            return msgspec.json.decode(self._place(name).read_bytes(), type=Entry)
        except (FileNotFoundError, msgspec.DecodeError):
            return None
        except OSError as error:
            raise unreadable(self._place(name), error) from error

    def whole(self, entry: Entry) -> bool:
        """Whether every output is there as it was written."""
        paths = {str(self.root / name): each for name, each in entry.outputs.items()}
        if not all(map(os.path.isfile, paths)):
            return False
        found = prints(paths, paths)
        return all(found[path].digest == each.digest for path, each in paths.items())

    def keep(self, name: str, entry: Entry) -> None:
        """Write an entry down, in one step.

        Raises
        ------
        FileError
            The folder cannot be written to.
        """
        place = self._place(name)
        folder(place.parent)
        write(place, [msgspec.json.encode(entry)])

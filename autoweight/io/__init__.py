"""Reading and writing rigs; the suffix of the file chooses the format."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autoweight.errors import FileError, SkeletonError, naming
from autoweight.rig import Rig, Skeleton, Weights

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from autoweight.pose.clip import Clip

__all__ = [
    "GLTF",
    "USD",
    "check_output",
    "check_place",
    "load",
    "load_all",
    "load_clips",
    "load_motion",
    "load_shapes",
    "load_weights",
    "save",
    "save_all",
]

GLTF = {".glb": "gltf", ".gltf": "gltf"}
USD = {".usda": "usd", ".usdc": "usd", ".usdz": "usd"}
READERS = {
    **GLTF,
    ".obj": "plain",
    ".ply": "plain",
    **USD,
}
TABLES = {".npz": "table", ".csv": "table"}
WRITERS = {
    **GLTF,
    **USD,
    **TABLES,
}


def load(
    path: str | Path,
    *,
    skeleton: str | Path | Skeleton | None = None,
    root: str | None = None,
    parts: Sequence[str] = (),
    outside: bool = False,
) -> Rig:
    """Read a rig.

    Parameters
    ----------
    path : str or Path
        A ``.glb``, ``.gltf``, ``.obj`` or ``.ply`` file, or ``.usda``, ``.usdc`` or ``.usdz``.
    skeleton : str, Path or Skeleton, optional
        Joints, or the JSON file that has them, for a mesh that comes without.
    root : str, optional
        Which character to take where a file has several: its name, or a node at the top of its
        joints or above them. In a glTF file whose meshes have no skin yet, the node whose
        hierarchy is the skeleton.
    parts : sequence of str, optional
        Shell-style patterns of the parts to take; all when empty. The others stay as they are
        in the file.
    outside : bool
        Whether files may be read that a ``.gltf`` names outside its own folder. Only for files
        that are trusted.

    Returns
    -------
    Rig

    Raises
    ------
    FileError, GeometryError, SkeletonError
        The file cannot be read, breaks its format, has no mesh or joints, or several characters
        of which none is chosen.
    """
    found = load_all(path, skeleton=skeleton, root=root, parts=parts, outside=outside)
    if len(found) > 1:
        names = ", ".join(rig.name for rig in found)
        raise SkeletonError(
            f"{path}: has {len(found)} characters ({names}); take one with --root, or its meshes "
            "with --part"
        )
    return found[0]


def load_all(
    path: str | Path,
    *,
    skeleton: str | Path | Skeleton | None = None,
    root: str | None = None,
    parts: Sequence[str] = (),
    outside: bool = False,
) -> list[Rig]:
    """Read every character of a file.

    Parameters
    ----------
    path, skeleton, root, parts, outside
        See `load`.

    Returns
    -------
    list of Rig
        At least one. Where the file has several, each has its name, and a bind space of its own.

    Raises
    ------
    FileError, GeometryError, SkeletonError
        See `load`.
    """
    path = Path(path)
    with naming(path):
        module = _module(path, READERS, "read")
        more = {"outside": True} if outside and path.suffix.lower() in GLTF else {}
        return module.load_all(path, skeleton=skeleton, root=root, parts=parts, **more)


def save(
    rig: Rig,
    path: str | Path,
    *,
    bits: int | None = None,
    force: bool = False,
    clips: Sequence[Clip] = (),
    shapes: Mapping[str, NDArray[np.float64]] | None = None,
    fades: Mapping[str, NDArray[np.float64]] | None = None,
    flatten: bool = False,
) -> None:
    """Write a rig, whole or not at all.

    Parameters
    ----------
    rig : Rig
        A weight table needs one with weights.
    path : str or Path
        A ``.glb`` or ``.gltf`` file, a ``.usda``, ``.usdc`` or ``.usdz`` one, or a weight table
        ``.npz`` or ``.csv``.
    bits : {32, 16, 8}, optional
        Precision of the weights in the file. When left out, weights that are those of the file
        stay in it as they are; others are written with 32.
    force : bool
        Overwrite the file the rig was read from.
    clips : sequence of Clip
        Animations to add to a glTF or OpenUSD file; the latter plays the first.
    shapes : mapping of str to ndarray, shape (n, 3)
        Morph targets to add to a glTF file, by name: how far each vertex moves in bind space.
    fades : mapping of str to ndarray, shape (n,)
        Factors for the morph targets of a glTF file, by name.
    flatten : bool
        Write one OpenUSD layer with everything in it, and not a layer on top of the file the rig
        was read from.

    Raises
    ------
    FileError, SkeletonError, WeightsError
        The file cannot be written, or is the one the rig was read from.
    """
    asked = {"clips": [clips] if clips else [], "shapes": shapes, "fades": fades}
    _save([rig], path, bits, force, asked | {"flatten": flatten})


def save_all(
    rigs: Sequence[Rig],
    path: str | Path,
    *,
    bits: int | None = None,
    force: bool = False,
    clips: Sequence[Sequence[Clip]] = (),
    flatten: bool = False,
) -> None:
    """Write all characters of a file again, whole or not at all.

    Parameters
    ----------
    rigs : sequence of Rig
        What `load_all` read from one file, or some of it, with new weights.
    path, bits, force, flatten
        See `save`. A weight table holds one character.
    clips : sequence of sequence of Clip
        Animations to add, for each rig.

    Raises
    ------
    FileError, SkeletonError, WeightsError
        See `save`; or the rigs are not of one file.
    """
    _save(rigs, path, bits, force, {"clips": clips, "flatten": flatten})


def _save(
    rigs: Sequence[Rig], path: str | Path, bits: int | None, force: bool, asked: dict[str, Any]
) -> None:
    path = Path(path)
    sources = {None if rig.document is None else rig.document.path for rig in rigs}
    if len(rigs) != 1 and (len(sources) != 1 or None in sources):
        raise FileError(f"{path}: gets the characters of one file only; save the others elsewhere")
    check_output(rigs[0], path, force=force)
    with naming(path):
        module = _module(path, WRITERS, "write")
        asked = {name: value for name, value in asked.items() if value}
        for name in asked:
            if name not in module.EXTRAS:
                raise FileError(f"a {path.suffix} file cannot be written with {name}; leave it out")
        module.save_all(rigs, path, bits=bits, **asked)


def check_output(
    rig: Rig, path: str | Path, *, suffixes: Iterable[str] = WRITERS, force: bool = False
) -> None:
    """Say at once what `save` would refuse after the work is done.

    Parameters
    ----------
    rig : Rig
    path : str or Path
        Where it is to be written.
    suffixes : iterable of str, optional
        Those of the formats that can hold what is to be written.
    force : bool
        Whether it may be the file the rig was read from.

    Raises
    ------
    FileError
        A suffix that cannot be written, or not without an extra, a folder that is not there, or the
        file the rig was read from.
    """
    path = Path(path)
    check_place(path, suffixes)
    source = None if rig.document is None else rig.document.path
    if not force and source is not None and path.exists() and path.samefile(source):
        raise FileError(
            f"{path}: is the file the rig was read from; choose another name or pass --force"
        )
    if path.suffix.lower() in USD:
        from autoweight.io.usd.library import bindings

        with naming(path):
            bindings()
    if source is not None and {source.suffix.lower(), path.suffix.lower()} <= set(GLTF):
        from autoweight.io.gltf import GltfDocument

        if isinstance(rig.document, GltfDocument):
            rig.document.beside(rig.document.source.json(), path)


def check_place(
    path: str | Path, suffixes: Iterable[str], *, read: Sequence[str | Path] = ()
) -> None:
    """Say at once that a file cannot be written, before the work that fills it.

    Parameters
    ----------
    path : str or Path
        Where it is to be written.
    suffixes : iterable of str
        Those it may have, with their dots.
    read : sequence of str or Path
        Files that the work reads and that must not be lost.

    Raises
    ------
    FileError
        Another suffix, a folder that is not there or takes no files, or one of the files read.
    """
    path = Path(path)
    _suffix(path, suffixes, "write")
    if not os.path.isdir(path.parent):
        raise FileError(f"{path}: cannot write, there is no folder {path.parent}; make it first")
    try:
        path.lstat()
    except FileNotFoundError:
        pass
    except OSError as error:
        raise FileError(f"{path}: cannot write ({error.strerror}); choose another name") from error
    if path.is_dir():
        raise FileError(f"{path}: cannot write, a folder has this name; choose another")
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise FileError(f"{path}: cannot write (Permission denied); choose another place")
    for source in map(Path, read):
        if path.exists() and source.exists() and path.samefile(source):
            raise FileError(f"{path}: is read and would be lost; choose another name")


def load_clips(rig: Rig) -> list[Clip]:
    """The joint animations of the file a rig was read from.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    list of Clip
        In bind space; empty where the file has none.

    Raises
    ------
    FileError
        An animation breaks the format.
    """
    path = None if rig.document is None else rig.document.path
    if path is not None and path.suffix.lower() in USD:
        from autoweight.io import usd

        with naming(path):
            return usd.load_clips(rig)
    from autoweight.io.gltf import GltfDocument, clips

    if not isinstance(rig.document, GltfDocument):
        return []
    return clips.read(rig.document, rig.skeleton)


def load_motion(path: str | Path, skeleton: Skeleton) -> Clip:
    """Read a motion for a skeleton from a BVH file.

    Parameters
    ----------
    path : str or Path
    skeleton : Skeleton
        Joints are matched by name.

    Returns
    -------
    Clip

    Raises
    ------
    FileError
        The file is not BVH, is cut short, or names no joint of the skeleton.
    """
    from autoweight.io import bvh

    path = Path(path)
    with naming(path):
        return bvh.load(path, skeleton)


def load_shapes(rig: Rig) -> dict[str, NDArray[np.float64]]:
    """The morph targets of the file a rig was read from.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    dict of str to ndarray, shape (n, 3)
        How far each moves each vertex, in bind space; empty where the file has none.

    Raises
    ------
    FileError
        A target breaks the format.
    """
    from autoweight.io.gltf import GltfDocument, shapes

    return shapes.read(rig.document) if isinstance(rig.document, GltfDocument) else {}


def load_weights(path: str | Path, rig: Rig) -> Weights:
    """Read weights for a rig from a table that `save` wrote, or one like it.

    Parameters
    ----------
    path : str or Path
        A ``.npz`` or ``.csv`` file.
    rig : Rig
        Joints are matched by name.

    Returns
    -------
    Weights

    Raises
    ------
    FileError, WeightsError
        The file cannot be read or does not fit the rig.
    """
    path = Path(path)
    return _module(path, TABLES, "read weights from").load(path, rig)


def _module(path: Path, known: Mapping[str, str], verb: str):
    return import_module(f"autoweight.io.{known[_suffix(path, known, verb)]}")


def _suffix(path: Path, known: Iterable[str], verb: str) -> str:
    known = list(known)
    if path.suffix.lower() not in known:
        if path.is_dir():
            raise FileError(f"{path}: is a folder; name a file, {' or '.join(known)}")
        kind = repr(path.suffix) if path.suffix else "a file without a suffix"
        use = f"one of {', '.join(known)}" if len(known) > 1 else known[0]
        raise FileError(f"{path}: cannot {verb} {kind}; use {use}")
    return path.suffix.lower()

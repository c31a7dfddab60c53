"""Meshes of OBJ and PLY files, with their joints in a file of their own."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path

from autoweight.errors import FileError, GeometryError, SkeletonError, unreadable
from autoweight.io import joints
from autoweight.rig import Mesh, Rig, Skeleton

__all__ = ["load_all"]


def load_all(
    path: Path, *, skeleton: str | Path | Skeleton | None, root: str | None, parts: Sequence[str]
) -> list[Rig]:
    """Read a mesh and its joints; see `autoweight.io.load_all`.

    The vertices keep the order of the file; faces with more than three corners are split.
    """
    if root is not None:
        raise SkeletonError("has no nodes, so --root cannot name one; use --skeleton FILE")
    if parts:
        raise FileError("is taken as one part; leave out --part")
    mesh = _mesh(path)  # first, as joints are no help where it is no mesh
    if skeleton is None:
        raise SkeletonError("has no joints; weight it with 'autoweight solve --skeleton FILE'")
    return [Rig(mesh, joints.load(skeleton))]


def _mesh(path: Path) -> Mesh:
    from trimesh import Trimesh, load

    try:
        content = path.read_bytes()
    except OSError as error:
        raise unreadable(path, error) from error
    kind = path.suffix.lower().removeprefix(".")
    try:
        with path.open("rb") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = load(
                file, file_type=kind, process=False, maintain_order=True, skip_materials=True
            )
    except Exception as error:  # a parser has no end of ways to fail on a broken file
        advice = "export it again"
        if kind == "ply" and b"binary" in content[:100]:
            advice += ", with triangles only"
        raise FileError(f"cannot be read as {kind.upper()} ({error}); {advice}") from error
    if not isinstance(found, Trimesh) or len(found.faces) == 0:
        raise GeometryError("has no mesh with faces; export it with some")
    return Mesh(found.vertices, found.faces)

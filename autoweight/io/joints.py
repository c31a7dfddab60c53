"""Skeletons in a small JSON file, for meshes that come without.

.. code-block:: json

    {"joints": [
        {"name": "spine", "position": [0, 1, 0]},
        {"name": "head", "parent": "spine", "position": [0, 1.5, 0], "tip": [0, 1.8, 0]},
        {"name": "tail", "parent": "spine",
         "matrix": [[1, 0, 0, 0], [0, 1, 0, 1], [0, 0, 1, -0.2], [0, 0, 0, 1]]}
    ]}

Positions and matrices are where the joint is bound, in the space of the mesh and not of its
parent. A matrix is given by rows and acts on column vectors; a joint with a position only has the
axes of that space. A tip is where the bone of a joint ends, in the same space; it may be left
out. Joints may come in any order.
"""

from __future__ import annotations

import codecs
from pathlib import Path
from typing import Annotated, TypeVar

import msgspec
import numpy as np

from autoweight.errors import FileError, SkeletonError, naming, suggestion, unreadable
from autoweight.rig import Skeleton

__all__ = ["Joint", "built", "decoded", "listed", "load"]

T = TypeVar("T")

Row = tuple[float, float, float, float]


class Joint(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """One joint of the file."""

    name: Annotated[str, msgspec.Meta(min_length=1)]
    parent: str | None = None
    position: tuple[float, float, float] | None = None
    matrix: tuple[Row, Row, Row, Row] | None = None
    tip: tuple[float, float, float] | None = None


class File(msgspec.Struct, forbid_unknown_fields=True):
    """The whole file."""

    joints: list[Joint]


def load(path: str | Path | Skeleton) -> Skeleton:
    """Read a skeleton.

    Parameters
    ----------
    path : str, Path or Skeleton
        A skeleton is taken as it is.

    Returns
    -------
    Skeleton
        In the order of the file, but no joint before its parent.

    Raises
    ------
    FileError, SkeletonError
        The file cannot be read, breaks the format, or is not one forest.
    """
    if isinstance(path, Skeleton):
        return path
    return built(decoded(path, File, "skeleton").joints, path)


def decoded(path: str | Path, kind: type[T], called: str) -> T:
    """The noun that a JSON file is to hold; `called` says in messages what the file should be."""
    try:
        # Some editors mark what they save as UTF-8.
        return msgspec.json.decode(Path(path).read_bytes().removeprefix(codecs.BOM_UTF8), type=kind)
    except OSError as error:
        raise unreadable(path, error) from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FileError(f"{path}: is not a {called} file ({error}); mend it") from error


def built(joints: list[Joint], path: str | Path) -> Skeleton:
    """The skeleton that the joints of a file make; `path` names it in messages."""
    with naming(path):
        ordered = _parents_first(joints)
        place = {joint.name: number for number, joint in enumerate(ordered)}
        parents = [-1 if joint.parent is None else place[joint.parent] for joint in ordered]
        return Skeleton(
            tuple(place),
            np.array(parents, dtype=np.int32),
            np.array([_rest(joint) for joint in ordered]).reshape(-1, 4, 4),
            {place[joint.name]: np.array(joint.tip) for joint in ordered if joint.tip is not None},
        )


def _parents_first(joints: list[Joint]) -> list[Joint]:
    """In the order of the file, but none before its parent."""
    by_name = {joint.name: joint for joint in joints}
    if len(by_name) < len(joints):
        names = [joint.name for joint in joints]
        twice = next(name for name in names if names.count(name) > 1)
        raise SkeletonError(f"two joints are named {twice!r}; rename one")
    placed: dict[str, None] = {}
    for joint in joints:
        line: list[str] = []
        name: str | None = joint.name
        while name is not None and name not in placed:
            if name not in by_name:
                raise SkeletonError(
                    f"joint {line[-1]!r} has parent {name!r}, which is not there; "
                    f"{suggestion(name, by_name)}"
                )
            if name in line:
                raise SkeletonError(
                    f"joint {name!r} is its own ancestor; break the cycle of parents"
                )
            line.append(name)
            name = by_name[name].parent
        placed.update(dict.fromkeys(reversed(line)))
    return [by_name[name] for name in placed]


def listed(skeleton: Skeleton) -> list[Joint]:
    """The joints of a skeleton as they are written."""
    names = skeleton.names
    return [
        Joint(
            name,
            parent=names[parent] if parent >= 0 else None,
            matrix=tuple(tuple(row) for row in rest.tolist()),  # type: ignore[arg-type]
            tip=tuple(skeleton.tips[joint].tolist()) if joint in skeleton.tips else None,
        )
        for joint, (name, parent, rest) in enumerate(
            zip(names, skeleton.parents, skeleton.rest, strict=True)
        )
    ]


def _rest(joint: Joint) -> np.ndarray:
    if (joint.position is None) == (joint.matrix is None):
        raise SkeletonError(
            f"joint {joint.name!r} needs a position or a matrix, and not both; give one"
        )
    rest = np.eye(4)
    if joint.matrix is not None:
        rest[:] = joint.matrix
        if (rest[3] != (0, 0, 0, 1)).any():
            raise SkeletonError(
                f"the last row of the matrix of joint {joint.name!r} is not 0, 0, 0, 1; "
                "give it by rows"
            )
    else:
        rest[:3, 3] = joint.position
    return rest

"""A cast file to start from: what in a folder is a character, a level of detail, a garment."""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from autoweight.batch.ledger import FOLDER as KEPT
from autoweight.errors import AutoweightError, FileError, SkeletonError
from autoweight.io import READERS, load_all
from autoweight.rig import Rig, Skeleton
from autoweight.surface import Surface, prepare
from autoweight.surface.places import Ground

__all__ = ["draft"]

TAIL = re.compile(
    r"[_\-. ]?(?:lod|level|l)[_\-]?\d+$|[_\-. ](?:high|hi|mid|medium|low|lo|near|far)$", re.I
)
"""What names of levels of detail end with, in common practice (no source)."""

ALIKE = 0.04
"""Bounding-box diagonals within which two surfaces are one at two levels of detail."""

BESIDE = 0.06
"""Bounding-box diagonals within which a garment lies on a body."""

MOST = 0.95
"""Share of a surface that has to be so near."""

SAMPLES = 2000
"""Vertices that are asked where they are."""


@dataclass(frozen=True, eq=False)
class _Shape:
    """A rig of the folder, as far as drafting needs it."""

    path: Path
    ground: Ground
    joints: frozenset[str]

    @property
    def surface(self) -> Surface:
        return self.ground.surface

    @property
    def base(self) -> str:
        """Its name without what marks a level."""
        return TAIL.sub("", self.path.stem)

    def rank(self) -> tuple[int, str]:
        """Densest first."""
        return -len(self.surface), str(self.path)


def draft(folder: str | Path, home: str | Path) -> str:
    """Write a cast for the rigs of a folder.

    Parameters
    ----------
    folder : str or Path
        Looked through with the folders in it, but for results of a cast.
    home : str or Path
        The folder that the cast file will be in; its paths are relative to that.

    Returns
    -------
    str
        TOML. Files that cannot be read are in it as comments, with the reason.

    Raises
    ------
    FileError
        There is no such folder, or no rig in it that can be used.
    """
    root = Path(folder)
    if not root.is_dir():
        raise FileError(f"{root}: no such folder; name the one with the rigs")
    made = [kept.parent for kept in root.rglob(KEPT)]
    files = sorted(
        each
        for each in root.rglob("*")
        if each.suffix.lower() in READERS and not any(map(each.is_relative_to, made))
    )
    if not files:
        raise FileError(f"{root}: no file in this folder is a rig ({', '.join(sorted(READERS))})")
    shapes, unread, several = [], [], {}
    for path in files:
        try:
            rigs, jointed = _read(path)
            if len(rigs) > 1:
                several[path] = [each.name for each in rigs]
            else:
                shapes.append(_shape(path, rigs[0], jointed))
        except AutoweightError as error:
            unread.append((path, str(error)))
    if not (shapes or several):
        raise FileError(f"{root}: no file in this folder can be used, the first as {unread[0][1]}")
    levels, garments = _sorted_out(sorted(shapes, key=_Shape.rank))
    parts = {each for group in (*levels.values(), *garments.values()) for each in group}
    characters = [each.path for each in shapes if each.path not in parts]
    return _text(characters, levels, garments, several, unread, Path(home))


def _read(path: Path) -> tuple[list[Rig], bool]:
    """The characters of a file, and whether it has joints: levels and garments may have none."""
    try:
        return load_all(path), True
    except SkeletonError as error:
        try:
            alone = Skeleton(("root",), np.array([-1]), np.eye(4)[None])
            return load_all(path, skeleton=alone), False
        except SkeletonError:
            raise error from None


def _shape(path: Path, rig: Rig, jointed: bool) -> _Shape:
    joints = frozenset(rig.skeleton.names if jointed else ())
    return _Shape(path, Ground(prepare(rig.mesh)), joints)


def _sorted_out(
    shapes: list[_Shape],
) -> tuple[dict[Path, list[Path]], dict[Path, list[Path]]]:
    """Levels and garments of each character, by path. Shapes come densest first."""
    levels: dict[Path, list[Path]] = {}
    garments: dict[Path, list[Path]] = {}
    bodies: list[_Shape] = []
    for shape in shapes:
        body = next((each for each in bodies if _same(each, shape)), None)
        if body:
            levels.setdefault(body.path, []).append(shape.path)
        else:
            bodies.append(shape)
    for shape in bodies:
        worn_by = [each for each in bodies if each is not shape and _worn(each, shape)]
        if worn_by and shape.path not in levels:
            garments.setdefault(worn_by[0].path, []).append(shape.path)
    worn = {each for group in garments.values() for each in group}
    # What is worn wears nothing itself.
    garments = {body: group for body, group in garments.items() if body not in worn}
    return levels, garments


def _same(body: _Shape, other: _Shape) -> bool:
    """Whether one is a level of detail of the other: its name says so, and its shape agrees.

    Shape alone is not enough: people of one production are as near each other as levels are.
    """
    named = body.base == other.base and body.path != other.path
    return named and _kin(body, other) and _lies(other, body, ALIKE) and _lies(body, other, ALIKE)


def _worn(body: _Shape, other: _Shape) -> bool:
    """Whether one is called after the other, lies on it, and leaves much of it bare."""
    called = re.match(re.escape(body.base) + r"[_\-. ]", other.path.stem, re.I)
    if not called or not _kin(body, other):
        return False
    return _lies(other, body, BESIDE) and not _lies(body, other, BESIDE)


def _kin(body: _Shape, other: _Shape) -> bool:
    """Whether they may share joints, and lie in one place."""
    if body.joints and other.joints and not other.joints & body.joints:
        return False
    low = np.maximum(body.surface.vertices.min(axis=0), other.surface.vertices.min(axis=0))
    high = np.minimum(body.surface.vertices.max(axis=0), other.surface.vertices.max(axis=0))
    return bool((high >= low - BESIDE * body.ground.diagonal).all())


def _lies(one: _Shape, other: _Shape, slack: float) -> bool:
    """Whether most of one surface is within a distance of the other."""
    vertices = one.surface.vertices
    chosen = vertices[:: -(-len(vertices) // SAMPLES)]
    diagonal = max(one.ground.diagonal, other.ground.diagonal)
    return bool((other.ground.nearest(chosen).distance <= slack * diagonal).mean() >= MOST)


def _string(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _text(
    characters: list[Path],
    levels: dict[Path, list[Path]],
    garments: dict[Path, list[Path]],
    several: dict[Path, list[str]],
    unread: list[tuple[Path, str]],
    home: Path,
) -> str:
    def quoted(path: Path) -> str:
        return _string(Path(os.path.relpath(path, home)).as_posix())

    lines = [
        "# What is to be done, for `autoweight cast`. Paths are relative to this file.",
        "",
        "[defaults]",
        '# recipe = "creature.toml"',
        '# formats = ["glb"]        # as the rig comes when left out',
        "# max_influences = 4       # instead of the recipe's",
        "# bits = 16",
        "",
        "[limits]",
        "seconds = 600",
        "megabytes = 8000",
    ]
    plain = [each for each in characters if each not in levels and each not in garments]
    for pattern in sorted({str(each.parent / f"*{each.suffix}") for each in plain}):
        lines += ["", "[[character]]", f"rig = {quoted(Path(pattern))}"]
    for path in characters:
        if path in plain:
            continue
        lines += ["", "[[character]]", f"rig = {quoted(path)}"]
        if path in levels:
            inner = ", ".join(f"{{ rig = {quoted(each)} }}" for each in levels[path])
            lines.append(f"level = [{inner}]")
        if path in garments:
            inner = ", ".join(f"{{ rig = {quoted(each)} }}" for each in garments[path])
            lines.append(f"garment = [{inner}]")
    for path, roots in several.items():
        for root in roots:
            lines += ["", "[[character]]", f"rig = {quoted(path)}"]
            lines += [f"name = {_string(f'{path.stem}_{root}')}", f"root = {_string(root)}"]
    for path, reason in unread:
        lines += ["", f"# {quoted(path)} is left out: {' '.join(reason.split())}"]
    return "\n".join(lines) + "\n"

"""Motion capture in the BVH format, as turns of a rig's joints.

The format has no standard; its makers' description is kept with M. Meredith and S. Maddock,
Motion Capture File Formats Explained, University of Sheffield, CS-01-11, 2001.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from autoweight.errors import FileError, suggestion, unreadable
from autoweight.pose.clip import Clip, turned
from autoweight.rig import Skeleton

__all__ = ["load"]

CHANNELS = {axis + kind for axis in "xyz" for kind in ("position", "rotation")}


@dataclass
class _Hierarchy:
    """Joints in the order of the file; the channels of all in one run."""

    names: list[str] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    channels: list[tuple[str, ...]] = field(default_factory=list)


def load(path: Path, skeleton: Skeleton) -> Clip:
    """Read a file and turn the joints of the same names as it says.

    Parameters
    ----------
    path : Path
    skeleton : Skeleton
        Where its bind pose is not that of the file, turns are taken from where its joints are.

    Returns
    -------
    Clip
        In place: what the root does to the whole is left out. A joint the file does not name
        stays as it is to its parent; what joints between do goes to the next one below.

    Raises
    ------
    FileError
        The file is not BVH, is cut short, or names no joint of the skeleton.
    """
    try:
        words = path.read_text(encoding="utf-8", errors="strict").split()
    except OSError as error:
        raise unreadable(path, error) from error
    except UnicodeDecodeError as error:
        raise FileError(f"is no text ({error}); export it again") from error
    upper = [word.upper() for word in words]
    if not upper or upper[0] != "HIERARCHY" or "MOTION" not in upper:
        raise FileError("is no BVH file: it needs the words HIERARCHY and MOTION; export it again")
    motion = upper.index("MOTION")
    source = _hierarchy(words[1:motion])
    step, values = _frames(words[motion + 1 :], sum(map(len, source.channels)))
    turns = _retargeted(source, _world_turns(source, values), skeleton)
    times = step * np.arange(len(values))
    return Clip(path.stem, np.asarray(times, dtype=np.float64), turned(skeleton, turns))


def _hierarchy(words: list[str]) -> _Hierarchy:
    found = _Hierarchy()
    open_: list[int] = []  # joints whose braces are open; -1 for the end of a chain
    place = 0

    def take(count: int) -> list[str]:
        nonlocal place
        if not 0 <= count <= len(words) - place:
            raise FileError("its hierarchy is cut short; export it again")
        place += count
        return words[place - count : place]

    while place < len(words):
        word = take(1)[0]
        match word.upper():
            case "ROOT" | "JOINT":
                found.names.append(take(1)[0])
                found.parents.append(open_[-1] if open_ else -1)
                found.channels.append(())
                _expect(take(1)[0], "{")
                open_.append(len(found.names) - 1)
            case "END":
                take(1)
                _expect(take(1)[0], "{")
                open_.append(-1)
            case "OFFSET":
                take(3)
            case "CHANNELS":
                (count,) = _numbers(take(1))
                names = [name.lower() for name in take(int(count))]
                if open_[-1:] in ([], [-1]) or not CHANNELS.issuperset(names):
                    raise FileError(f"its channels are {' '.join(names)}; export it again")
                found.channels[open_[-1]] = tuple(names)
            case "}":
                if not open_:
                    raise FileError("its hierarchy closes a brace too many; export it again")
                open_.pop()
            case _:
                raise FileError(f"its hierarchy has {word!r} where none belongs; export it again")
    if open_ or not found.names:
        raise FileError("its hierarchy is cut short; export it again")
    return found


def _expect(word: str, wanted: str) -> None:
    if word != wanted:
        raise FileError(f"its hierarchy has {word!r} where {wanted!r} belongs; export it again")


def _frames(words: list[str], channels: int) -> tuple[float, NDArray[np.float64]]:
    """Seconds a frame and the values, (f, channels)."""
    if [word.upper() for word in words[:1] + words[2:4]] != ["FRAMES:", "FRAME", "TIME:"]:
        raise FileError("its motion begins with no 'Frames:' and 'Frame Time:'; export it again")
    (count,) = _numbers(words[1:2])
    (step,) = _numbers(words[4:5]) if len(words) > 4 else (0.0,)
    values = np.array(_numbers(words[5:]))
    if not (count >= 1 and step > 0):
        raise FileError(f"it has {count:g} frames of {step:g} seconds; export it again")
    if len(values) != int(count) * channels:
        raise FileError(
            f"it has {len(values)} motion values where {int(count)} frames of {channels} "
            f"channels need {int(count) * channels}; export it again"
        )
    return step, values.reshape(int(count), channels)


def _numbers(words: list[str]) -> list[float]:
    try:
        found = [float(word) for word in words]
    except ValueError as error:
        raise FileError(f"a number is not one ({error}); export it again") from error
    if not np.isfinite(found).all():
        raise FileError("a number is not finite; export it again")
    return found


def _world_turns(source: _Hierarchy, values: NDArray[np.float64]) -> list[Rotation]:
    """Rotation of each joint against the bind pose, where all axes are those of the world."""
    found: list[Rotation] = []
    first = 0
    for parent, channels in zip(source.parents, source.channels, strict=True):
        own = Rotation.identity(len(values))
        for at, name in enumerate(channels):
            if name.endswith("rotation"):  # each about the axes as they are turned so far
                axis = np.eye(3)["xyz".index(name[0])]
                own = own * Rotation.from_rotvec(np.radians(values[:, first + at, None]) * axis)
        found.append(found[parent] * own if parent >= 0 else own)
        first += len(channels)
    return found


def _retargeted(
    source: _Hierarchy, world: list[Rotation], skeleton: Skeleton
) -> NDArray[np.float64]:
    """Rotation vectors of the skeleton's joints, (f, j, 3)."""
    by_name = {_plain(name): number for number, name in enumerate(source.names)}
    match = [by_name.get(_plain(name), -1) for name in skeleton.names]
    if max(match) < 0:
        raise FileError(f"names no joint of the rig; {suggestion(skeleton.names[0], source.names)}")
    frames = len(world[0])
    turns = np.zeros((frames, len(skeleton), 3))
    above: list[Rotation] = []
    for joint, parent in enumerate(skeleton.parents):
        held = above[parent] if parent >= 0 else Rotation.identity(frames)
        if match[joint] >= 0 and parent >= 0:
            turns[:, joint] = (held.inv() * world[match[joint]]).as_rotvec()
        above.append(world[match[joint]] if match[joint] >= 0 else held)
    return turns


def _plain(name: str) -> str:
    """A name without a prefix for its owner, case and separators."""
    return "".join(each for each in name.rpartition(":")[2].lower() if each.isalnum())

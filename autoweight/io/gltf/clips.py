"""Joint animations out of a glTF file and into it.

Source: Khronos, glTF 2.0, section 3.11 (animations) and appendix C (interpolation).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation, Slerp

from autoweight.errors import FileError
from autoweight.io.gltf import accessors
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.document import GltfDocument
from autoweight.io.gltf.hierarchy import Hierarchy, label
from autoweight.io.gltf.packing import Packer
from autoweight.io.gltf.schema import Animation, nth
from autoweight.pose.clip import Clip
from autoweight.pose.transforms import compose, decompose
from autoweight.rig import Skeleton

__all__ = ["add", "read"]

WIDTH = {"translation": 3, "rotation": 4, "scale": 3}
# A channel that keeps a node where it is to within this, in parts of its largest value, is left
# out: float32 could not say the difference.
STILL = 1e-6


def read(document: GltfDocument, skeleton: Skeleton) -> list[Clip]:
    """The animations that move joints, sampled at all their key times.

    Parameters
    ----------
    document : GltfDocument
    skeleton : Skeleton
        The one read from it.

    Returns
    -------
    list of Clip
        In bind space: what the scene has at rest, that is, without animation, is where the
        skeleton's first root was bound.

    Raises
    ------
    FileError
        An animation breaks the format.
    """
    source, hierarchy = document.source, document.hierarchy
    joints = list(document.joint_nodes)
    concerned = {node for joint in joints for node in (joint, *hierarchy.ancestors(joint))}
    found = []
    for number, animation in enumerate(source.tree.animations):
        name = animation.name or f"animation_{number}"
        tracks = _tracks(source, animation, name, concerned)
        if not tracks:
            continue
        times = np.unique(np.concatenate([track[0] for track in tracks.values()]))
        local = _sampled(hierarchy, tracks, times)
        to_bind = np.linalg.inv(_to_scene(document, skeleton))
        frames = np.empty((len(times), len(joints), 4, 4))
        for joint, node in enumerate(joints):
            matrix = local.get(node, hierarchy.local[node])
            for up in _between(document, skeleton, joint):
                matrix = local.get(up, hierarchy.local[up]) @ matrix
            frames[:, joint] = to_bind @ matrix if skeleton.parents[joint] < 0 else matrix
        found.append(Clip(name, times, frames))
    return found


def add(packer: Packer, document: GltfDocument, skeleton: Skeleton, clips: Sequence[Clip]) -> None:
    """Append clips to a file's animations, with a key for every frame.

    Raises
    ------
    SkeletonError
        A clip has other joints, or a joint is sheared, which no glTF animation can say.
    """
    hierarchy = document.hierarchy
    for clip in clips:
        wanted = clip.of(skeleton)
        for joint in range(len(skeleton)):
            above = np.eye(4)
            for up in _between(document, skeleton, joint):
                above = hierarchy.local[up] @ above
            if skeleton.parents[joint] < 0:
                above = np.linalg.inv(_to_scene(document, skeleton)) @ above
            wanted[:, joint] = np.linalg.solve(above, wanted[:, joint])
        values = _tracks_of(wanted, clip, skeleton)
        rest = hierarchy.local[list(document.joint_nodes)]
        still = dict(zip(WIDTH, decompose(rest)[:3], strict=True))
        times = packer.accessor(packer.view(clip.times.astype("<f4")), "SCALAR", bounds=True)
        animation: dict[str, Any] = {"name": clip.name, "channels": [], "samplers": []}
        for path, width in WIDTH.items():
            value, start = values[path], still[path]
            if path == "rotation":  # both signs are one rotation
                start = start * np.where((value[0] * start).sum(-1, keepdims=True) < 0, -1, 1)
            moved = np.abs(value - start).max(axis=(0, 2)) > STILL * np.abs(value).max(axis=(0, 2))
            moving = np.flatnonzero(moved)
            if len(moving) == 0:
                continue
            table = value[:, moving].transpose(1, 0, 2).reshape(-1, width).astype("<f4")
            view = packer.view(table)
            for row, joint in enumerate(moving.tolist()):
                rows = slice(row * len(clip), (row + 1) * len(clip))
                output = packer.accessor(view, f"VEC{width}", rows=rows)
                node = document.joint_nodes[joint]
                _without_matrix(packer.tree["nodes"][node], hierarchy.local[node])
                animation["channels"].append(
                    {
                        "sampler": len(animation["samplers"]),
                        "target": {"node": node, "path": path},
                    }
                )
                animation["samplers"].append({"input": times, "output": output})
        if animation["channels"]:
            packer.tree.setdefault("animations", []).append(animation)


def _tracks_of(
    local: NDArray[np.float64], clip: Clip, skeleton: Skeleton
) -> dict[str, NDArray[np.float64]]:
    move, turn, scale = clip.parts(local, skeleton.names, "a glTF animation")
    # q and -q are one rotation; the nearer sign to the frame before keeps tools from going round.
    flips = np.where((turn[1:] * turn[:-1]).sum(axis=-1) < 0, -1.0, 1.0)
    turn[1:] *= np.cumprod(flips, axis=0)[..., None]
    return {"translation": move, "rotation": turn, "scale": scale}


def _without_matrix(node: dict[str, Any], local: NDArray[np.float64]) -> None:
    """An animated node is given by its parts."""
    if "matrix" in node:
        del node["matrix"]
        for path, value in zip(WIDTH, decompose(local[None])[:3], strict=True):
            node[path] = value[0].tolist()


def _to_scene(document: GltfDocument, skeleton: Skeleton) -> NDArray[np.float64]:
    """From bind space to the scene, by the first root."""
    world: NDArray[Any] = document.hierarchy.world[document.joint_nodes[0]]
    return world @ np.linalg.inv(skeleton.rest[0])


def _between(document: GltfDocument, skeleton: Skeleton, joint: int) -> list[int]:
    """The nodes above a joint that are below its parent joint, nearest first."""
    parent = skeleton.parents[joint]
    stop = document.joint_nodes[parent] if parent >= 0 else None
    found = []
    for up in document.hierarchy.ancestors(document.joint_nodes[joint]):
        if up == stop:
            break
        found.append(up)
    return found


Track = tuple[NDArray[np.float64], NDArray[np.float64], str]


def _tracks(
    source: Container, animation: Animation, name: str, nodes: set[int]
) -> dict[tuple[int, str], Track]:
    """Times, values and interpolation by node and path."""
    found: dict[tuple[int, str], Track] = {}
    for channel in animation.channels:
        node, path = channel.target.node, channel.target.path
        if node not in nodes or path not in WIDTH:
            continue
        sampler = nth(animation.samplers, channel.sampler, "sampler")
        times = accessors.read_floats(source, sampler.input).astype(np.float64)
        values = accessors.read_floats(source, sampler.output).astype(np.float64)
        if sampler.interpolation not in ("LINEAR", "STEP", "CUBICSPLINE"):
            raise FileError(
                f"animation {name!r} has interpolation {sampler.interpolation!r}, which glTF 2.0 "
                "does not know; export it again"
            )
        each = 3 if sampler.interpolation == "CUBICSPLINE" else 1
        values, shape = values.reshape(len(values), -1), (each * len(times), WIDTH[path])
        wrong = None
        if values.shape != shape:
            wrong = f"{values.shape} values where {shape} are needed"
        elif times.ndim != 1 or not (np.diff(times) > 0).all():
            wrong = "times that do not ascend"
        elif path == "rotation" and not values[each // 2 :: each].any(axis=1).all():
            wrong = "a rotation that is no quaternion"
        if wrong:
            moved = label(source.tree.nodes, node)
            raise FileError(
                f"animation {name!r} moves node {moved!r} with {wrong}; export it again"
            )
        found[node, path] = times, values.reshape(len(times), each, -1), sampler.interpolation
    return found


def _sampled(
    hierarchy: Hierarchy, tracks: dict[tuple[int, str], Track], times: NDArray[np.float64]
) -> dict[int, NDArray[np.float64]]:
    """Local transforms (f, 4, 4) of every node that is moved."""
    local = {}
    for node in {node for node, _ in tracks}:
        parts = []
        for path in WIDTH:
            track = tracks.get((node, path))
            still = np.asarray(getattr(hierarchy.nodes[node], path), dtype=np.float64)[None]
            value = still if track is None else _at(track, times, turning=path == "rotation")
            parts.append(np.broadcast_to(value, (len(times), WIDTH[path])))
        local[node] = compose(*parts)
    return local


def _at(track: Track, times: NDArray[np.float64], *, turning: bool) -> NDArray[np.float64]:
    """A track's value at some times; before its first key and after its last it stands still."""
    keys, values, interpolation = track
    times = np.clip(times, keys[0], keys[-1])
    value = values[:, values.shape[1] // 2]
    if len(keys) == 1:
        return value
    if interpolation == "STEP":
        return value[np.searchsorted(keys, times, side="right") - 1]
    if interpolation == "LINEAR" and turning:
        return Slerp(keys, Rotation.from_quat(value))(times).as_quat()
    from scipy.interpolate import PPoly  # slow to import, rarely needed

    step = np.diff(keys)[:, None]
    rise = np.diff(value, axis=0) / step
    if interpolation == "LINEAR":
        return PPoly(np.stack([rise, value[:-1]]), keys)(times)
    # A Hermite piece in powers of the time since its first key; the tangents are per second.
    leave, arrive = values[:-1, 2], values[1:, 0]
    cubic = (leave + arrive - 2 * rise) / step**2
    square = (3 * rise - 2 * leave - arrive) / step
    return PPoly(np.stack([cubic, square, leave, value[:-1]]), keys)(times)

"""Which way bones point by the axes that joints have in their file."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autoweight.machine.keeping import kept
from autoweight.rig import Skeleton

__all__ = ["ALONG", "pointing", "shared_axis"]

ALONG = np.cos(np.radians(10))
"""Cosine of how far a bone may be off an axis of its joint and still lie along it."""

SHARED = 0.5
"""Share of the joints with one bone whose bone lies along an axis for that to be theirs."""

ALIKE = 1e-4
"""Frames whose entries differ by less are turned alike."""


@kept
def shared_axis(skeleton: Skeleton) -> NDArray[np.float64] | None:
    """The axis that joints share: which way, in its own frame, a joint's bone points, (3,).

    One of ±x, ±y, ±z. Only joints with one child, or with none and a tip, have a say; those
    whose bones run against it agree, and fewer than the others: see `pointing`. None where under
    half of them agree, and where all joints are turned alike, as an export without rotations
    leaves them, unless their tips agree: otherwise their frames say nothing of the bones.
    """
    at, turns = skeleton.positions, skeleton.orientations
    ends = {joint: tip for joint, tip in skeleton.tips.items() if not skeleton.children[joint]}
    if not np.allclose(turns, turns[0], atol=ALIKE) or len(ends) > 1:
        ends |= {
            joint: at[below[0]] for joint, below in enumerate(skeleton.children) if len(below) == 1
        }
    else:
        ends = {}
    joints = np.array(list(ends), dtype=np.intp)
    ways = np.array(list(ends.values())).reshape(-1, 3) - at[joints]
    length = np.linalg.norm(ways, axis=1)
    off = length > 0
    own = np.einsum("kij,ki->kj", turns[joints[off]], ways[off] / length[off, None])
    best = int((np.abs(own) > ALONG).sum(axis=0).argmax())
    ahead, against = (int((sign * own[:, best] > ALONG).sum()) for sign in (1, -1))
    if ahead + against < max(SHARED * len(own), 1):
        return None
    return np.eye(3)[best] * (1 if ahead >= against else -1)


@kept
def pointing(skeleton: Skeleton) -> NDArray[np.float64] | None:
    """Which way the bone of each joint points by the axis they share, unit vectors, (j, 3).

    Joints that were copied to the other side and mirrored have their bones against the axis
    (common practice, no source). A joint's tip says so, or children to within 10° of the axis,
    against it and none along it; a joint that has neither goes by the one it hangs from. None
    where they share no axis.
    """
    axis = shared_axis(skeleton)
    if axis is None:
        return None
    at, along = skeleton.positions, skeleton.orientations @ axis
    turned = np.zeros(len(skeleton), dtype=bool)
    for joint, below in enumerate(skeleton.children):  # parents come first
        tip = skeleton.tips.get(joint)
        ends = at[list(below)] if tip is None else tip[None]
        ways = ends - at[joint]
        lean, length = ways @ along[joint], np.linalg.norm(ways, axis=1)
        fits = np.abs(lean) > ALONG * length
        if fits.any():
            turned[joint] = (lean[fits] < 0).all()
        elif skeleton.parents[joint] >= 0:
            turned[joint] = turned[skeleton.parents[joint]]
    return np.where(turned[:, None], -along, along)

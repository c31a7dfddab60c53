"""Roles: which joints have flesh, and which only steer others, with the reason.

No one sign tells a helper: it takes where a joint is, and what hangs from it or what it is called.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.rig import Skeleton
from autoweight.skeleton.bones import leads
from autoweight.skeleton.sides import words

__all__ = ["Fleshless", "fleshless"]

OUTSIDE = 0.01
"""A joint farther outside the body than this, in diagonals, is not in its flesh."""

SKIN = 0.005
"""A joint this near to the skin, in diagonals, may be meant to be outside."""

MOST = 0.5
"""Share of the joints that must be inside for being outside to say anything."""

TOGETHER = 0.002
"""Joints nearer to each other than this, in diagonals, are in one place."""

STEERING = frozenset(
    ("ctrl", "control", "controller", "ik", "fk", "pole", "target", "goal", "aim", "mch", "org")
    + ("drv", "driver", "helper", "locator", "null", "handle")
)
"""Words for joints that steer others (common practice, no source)."""

WHOLE = STEERING | frozenset(["root", "master", "global", "world", "armature"])
"""Words for what moves a character as a whole, besides."""

DEFORMING = frozenset(["def", "deform", "bind", "skin"])
"""Words for joints that are there to move skin."""

ENDING = frozenset(["end", "nub", "endsite"])
"""Words for the end of a chain."""

SHOWN = 4
"""Joints named in a line before the rest are only counted."""


@dataclass(frozen=True)
class Fleshless:
    """Joints that get no weight for one reason.

    Parameters
    ----------
    names : tuple of str
    joints : tuple of int
    reason : str
    """

    names: tuple[str, ...]
    joints: tuple[int, ...]
    reason: str

    def __str__(self) -> str:
        more = f" and {len(self.names) - SHOWN} more" if len(self.names) > SHOWN else ""
        return f"{', '.join(self.names[:SHOWN])}{more}: no weight, {self.reason}"


def fleshless(
    skeleton: Skeleton, outside: NDArray[np.float64], box: NDArray[np.float64]
) -> tuple[Fleshless, ...]:
    """Find the joints that are not there to move flesh.

    Parameters
    ----------
    skeleton : Skeleton
    outside : ndarray, shape (j,)
        How far each joint is outside the body, in diagonals, negative inside:
        `autoweight.surface.visibility.Sight.outside`.
    box : ndarray, shape (2, 3)
        Lowest and highest corner of the body.

    Returns
    -------
    tuple of Fleshless
        No joint in two; none of them if nothing would be left.

    Notes
    -----
    Each kind takes two signs or more:

    - what moves the whole: outside or on the skin, with other joints with children below it,
      and on the rim of the body, called so, or pointing at none of its children;
    - a target: outside, with nothing below it and not at the end of a chain, and out of the
      body's box or called so;
    - a double: in the place of another joint, and called so or the other called deforming;
    - an end: last and in line, and called so or at its parent's tip.
    """
    count = len(skeleton)
    kinds = np.full(count, -1)
    called = [frozenset(words(name)) for name in skeleton.names]
    ahead = leads(skeleton)
    low, high = box
    diagonal = float(np.linalg.norm(high - low))
    rim = SKIN * diagonal
    on_rim = ((skeleton.positions < low + rim) | (skeleton.positions > high - rim)).any(axis=1)
    beyond = ((skeleton.positions < low) | (skeleton.positions > high)).any(axis=1)

    if (outside < 0).mean() >= MOST:
        for joint, below in enumerate(skeleton.children):  # parents first
            parent = skeleton.parents[joint]
            top = parent < 0 or kinds[parent] == 0
            off = outside[joint] > OUTSIDE or (
                outside[joint] > -SKIN and bool(called[joint] & WHOLE)
            )
            hub = any(skeleton.children[child] for child in below)
            lost = skeleton.axis is not None and ahead[joint] < 0
            if top and off and hub and (on_rim[joint] or called[joint] & WHOLE or lost):
                kinds[joint] = 0
        for joint in reversed(range(count)):
            parent = skeleton.parents[joint]
            idle = all(kinds[child] == 1 for child in skeleton.children[joint])
            last = parent >= 0 and kinds[parent] < 0 and ahead[parent] == joint
            off = idle and not last and outside[joint] > OUTSIDE
            if off and kinds[joint] < 0 and (beyond[joint] or called[joint] & STEERING):
                kinds[joint] = 1

    for one, other in cKDTree(skeleton.positions).query_pairs(
        TOGETHER * diagonal, output_type="ndarray"
    ):
        for joint, twin in ((one, other), (other, one)):
            steers = called[joint] & STEERING and not called[twin] & STEERING
            yields = called[twin] & DEFORMING and not called[joint] & DEFORMING
            if (steers or yields) and kinds[joint] < 0 and kinds[twin] < 0:
                kinds[joint] = 2

    for joint, below in enumerate(skeleton.children):
        parent = skeleton.parents[joint]
        if below or parent < 0 or kinds[joint] >= 0 or len(skeleton.children[parent]) > 1:
            continue
        tip = skeleton.tips.get(parent)
        at_tip = tip is not None and np.allclose(
            tip, skeleton.positions[joint], rtol=0, atol=TOGETHER * diagonal
        )
        if at_tip or called[joint] & ENDING:
            kinds[joint] = 3
    if (kinds >= 0).all():
        return ()
    found = []
    for kind, reason in enumerate(
        (
            "outside the body, and what has flesh hangs below",
            "outside the body, with nothing below",
            "in the place of another joint that moves the skin",
            "only the end of the bone before",
        )
    ):
        joints = np.flatnonzero(kinds == kind).tolist()
        if joints:
            found.append(
                Fleshless(tuple(skeleton.names[each] for each in joints), tuple(joints), reason)
            )
    return tuple(found)

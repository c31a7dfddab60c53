"""Roles: which joints have flesh, and which only steer others, with the reason.

No one sign tells a helper: it takes where a joint is, and what hangs from it or what it is called.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.errors import few
from autoweight.rig import Skeleton
from autoweight.skeleton.axes import shared_axis
from autoweight.skeleton.bones import leads
from autoweight.skeleton.sides import words

__all__ = ["Fleshless", "Lacking", "fleshless", "without_flesh"]

Lacking = Callable[[NDArray[np.intp], NDArray[np.bool_]], NDArray[np.bool_]]
"""Whether the mesh lacks what joints, (k,), are called for, some of them built in, (k,):
`autoweight.methods.things.lacking`."""

OUTSIDE = 0.01
"""A joint farther outside the body than this, in diagonals, is not in its flesh."""

SKIN = 0.005
"""A joint this near to the skin, in diagonals, may be meant to be outside."""

MOST = 0.5
"""Share of the joints that must be inside for being outside to say anything."""

TOGETHER = 0.002
"""Joints nearer to each other than this, in diagonals, are in one place."""

STEERING = frozenset(
    ("ctrl", "control", "controller", "ik", "fk", "pole", "target", "goal", "aim")
    + ("drv", "driver", "helper", "locator", "null", "handle")
)
"""Words for joints that steer others (common practice, no source)."""

WHOLE = STEERING | frozenset(["root", "master", "global", "world", "armature"])
"""Words for what moves a character as a whole, besides."""

DEFORMING = frozenset(["def", "deform", "bind", "skin"])
"""Words for joints that are there to move skin."""

ENDING = frozenset(["end", "nub", "endsite"])
"""Words for the end of a chain."""

CARRIED = frozenset(
    ("prop", "props", "socket", "attach", "attachment", "mount", "slot", "item", "holster")
    + ("weapon", "weapons", "sword", "shield", "quiver", "sheath", "ammo", "projectile")
    + ("helmet", "backpack", "camera")
)
"""Words for things that are carried, and for what holds them (common practice, no source)."""

BUILT_IN = frozenset(["eye", "eyes", "eyeball", "eyeballs", "gun"])
"""Words for things that turn in the flesh of the joint they hang from."""

JOINTS = frozenset(["joint", "jnt", "bone", "left", "l", "lf", "lft", "right", "r", "rt", "rgt"])
"""Words that say nothing of what a joint is for."""

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
    ends : bool
        Whether a bone may end or begin at them all the same.
    """

    names: tuple[str, ...]
    joints: tuple[int, ...]
    reason: str
    ends: bool

    def __str__(self) -> str:
        return f"{few(self.names, SHOWN)}: no weight, {self.reason}"


def fleshless(
    skeleton: Skeleton,
    outside: NDArray[np.float64],
    box: NDArray[np.float64],
    lacking: Lacking,
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
    lacking : callable

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
    - an end: last and in line, and called so or at its parent's tip;
    - a thing that the mesh lacks: last, and called for what is carried, or inside and for what is
      built in.
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
            lost = shared_axis(skeleton) is not None and ahead[joint] < 0
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
    carried, built_in = _things(skeleton, called, outside)
    things = np.flatnonzero((carried | built_in) & (kinds < 0))
    if len(things):
        things = things[lacking(things, built_in[things])]
        kinds[things] = np.where(built_in[things], 5, 4)
    if (kinds >= 0).all():
        return ()
    found = []
    for kind, (reason, ends) in enumerate(
        (
            ("outside the body, and what has flesh hangs below", True),
            ("outside the body, with nothing below", False),
            ("in the place of another joint that moves the skin", False),
            ("only the end of the bone before", True),
            ("for something carried that is not in the mesh", False),
            ("for something built in that is not in the mesh", True),
        )
    ):
        joints = np.flatnonzero(kinds == kind).tolist()
        if joints:
            names = tuple(skeleton.names[each] for each in joints)
            found.append(Fleshless(names, tuple(joints), reason, ends))
    return tuple(found)


def without_flesh(
    skeleton: Skeleton, found: Sequence[Fleshless], used: NDArray[np.bool_]
) -> Skeleton:
    """A skeleton in which joints that are left out are apart, where no bone ends at them.

    Parameters
    ----------
    skeleton : Skeleton
    found : sequence of Fleshless
    used : ndarray, shape (j,), bool
        Joints that have flesh all the same.

    Returns
    -------
    Skeleton
        What others with flesh hang from is not apart.
    """
    idle = {joint for each in found if not each.ends for joint in each.joints}
    apart: set[int] = set()
    for joint in sorted(idle - set(np.flatnonzero(used).tolist()), reverse=True):
        if apart.issuperset(skeleton.children[joint]):
            apart.add(joint)
    return replace(skeleton, apart=frozenset(apart)) if apart else skeleton


def _things(
    skeleton: Skeleton, called: Sequence[frozenset[str]], outside: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Last joints called for what is carried, (j,), and those inside for what is built in, (j,)."""
    carried, built_in = np.zeros((2, len(skeleton)), dtype=bool)
    for joint in reversed(range(len(skeleton))):
        parent = skeleton.parents[joint]
        if parent >= 0 and carried[list(skeleton.children[joint])].all():
            own = {word for word in called[joint] if not word.isdigit()}
            carried[joint] = bool(own & CARRIED)
            # Lids and corners of an eye are called for an eye too.
            plain = own <= BUILT_IN | called[parent] | JOINTS | DEFORMING
            built_in[joint] = outside[joint] < -SKIN and plain and bool(own & BUILT_IN)
    return carried, built_in & ~carried

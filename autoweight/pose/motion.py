"""A range of motion made from the skeleton alone: each joint about its axes, and all together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from autoweight.pose.clip import Clip, rest_local, turned, world
from autoweight.pose.skinning import carried
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Skeleton
from autoweight.skeleton.axes import shared_axis
from autoweight.skeleton.bones import Frames, frames
from autoweight.skeleton.chains import Chain, chains
from autoweight.skeleton.descent import descent
from autoweight.skeleton.sides import UNPAIRED, Plane, pairs
from autoweight.vectors import unit

__all__ = [
    "AXES",
    "RANGES",
    "Kind",
    "Range",
    "axes",
    "kinds",
    "played",
    "random_poses",
    "range_of_motion",
    "ranges",
]

AXES = ("bend", "side", "twist")
"""The three ways a joint turns: in the plane its chain bends in, out of it, about its bone."""

SECONDS_A_POSE = 0.5
TOGETHER = 0.6
"""Share of its range that each joint turns by where a whole chain moves."""

STRAIGHT = np.radians(5)
"""Two bones at less than this angle tell no plane to bend in."""

Kind = Literal["root", "spine", "limb", "digit", "single"]


@dataclass(frozen=True)
class Range:
    """How far a joint turns each way, in degrees; 0 where it does not.

    Parameters
    ----------
    bend, side, twist : float
        About the axes that `axes` gives.
    """

    bend: float = 0.0
    side: float = 0.0
    twist: float = 0.0


RANGES: Mapping[Kind, tuple[Range, Range, Range]] = {
    "root": (Range(), Range(), Range()),
    "spine": (Range(25, 25, 20), Range(25, 25, 20), Range(25, 25, 20)),
    "limb": (Range(60, 45, 45), Range(90, 0, 30), Range(60, 30, 60)),
    "digit": (Range(60, 15, 0), Range(75, 0, 0), Range(60, 0, 0)),
    "single": (Range(30, 30, 0), Range(30, 30, 0), Range(30, 30, 0)),
}
"""Ranges of the first, the middle and the last joint of a chain (common practice, no source)."""


DIVIDING = Range(0, 0, 30)
"""Of a joint that divides a bone: it twists, and a bone does not bend within."""


def kinds(skeleton: Skeleton, plane: Plane | None = None) -> dict[Chain, Kind]:
    """What each chain is, told by where it hangs and which side it is on.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane, optional
        What left and right are mirrored across; without one no chain has a side.

    Returns
    -------
    dict of Chain to str
        The only root, where it is a chain of its own; one joint alone; a run on the
        plane, or of more than four joints, is a spine; a run with a side is a limb; one of
        several short ones at the end of a limb is a digit.
    """
    partner = _partners(skeleton, plane)
    every = chains(skeleton)
    one_root = (skeleton.parents < 0).sum() == 1
    found: dict[Chain, Kind] = {}
    chain_of = {joint: chain for chain in every for joint in chain.joints}
    for chain in every:
        first = chain.joints[0]
        above = int(skeleton.parents[first])
        siblings = [
            each
            for each in every
            if above >= 0
            and skeleton.parents[each.joints[0]] == above
            and len(_turning(skeleton, each)) <= 4
        ]
        if above < 0 and len(chain.joints) == 1 and one_root:
            found[chain] = "root"
        elif (
            above >= 0
            and found[chain_of[above]] == "limb"
            and above == chain_of[above].joints[-1]
            and len(siblings) > 1
        ):
            found[chain] = "digit"
        elif len(_turning(skeleton, chain)) == 1:
            found[chain] = "single"
        elif partner[first] == first or len(_turning(skeleton, chain)) > 4:
            found[chain] = "spine"
        else:
            found[chain] = "limb"
    return found


def ranges(
    skeleton: Skeleton,
    plane: Plane | None = None,
    recipe: Recipe | None = None,
) -> tuple[Range, ...]:
    """How far each joint turns.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane, optional
    recipe : Recipe, optional
        Whose motion rules count before the defaults.

    Returns
    -------
    tuple of Range
        One for each joint.
    """
    found = [Range()] * len(skeleton)
    for chain, kind in kinds(skeleton, plane).items():
        first, middle, last = RANGES[kind]
        turning = _turning(skeleton, chain)
        for place, joint in enumerate(turning):
            end = place == len(turning) - 1
            found[joint] = first if place == 0 else last if end else middle
        for joint in set(chain.joints) - set(turning):
            found[joint] = DIVIDING
        if skeleton.parents[chain.joints[0]] < 0 and (skeleton.parents < 0).sum() == 1:
            found[chain.joints[0]] = Range()  # it carries everything and bends nothing
    recipe = recipe or Recipe()
    for number, rule in enumerate(recipe.motion):
        said = {axis: getattr(rule, axis) for axis in AXES if getattr(rule, axis) is not None}
        chosen = recipe.chosen(skeleton.names, "joint", "motion", number, "joints")
        for joint in np.flatnonzero(chosen).tolist():
            found[joint] = replace(found[joint], **said)
    return tuple(found)


def axes(skeleton: Skeleton, plane: Plane | None = None) -> NDArray[np.float64]:
    """The axes that joints turn about, in bind space.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane, optional
        A joint with a counterpart turns about the mirror images of its counterpart's axes, so
        that the same angle is the mirrored pose.

    Returns
    -------
    ndarray, shape (j, 3, 3)
        Unit row vectors in the order of `AXES`. Twist is about the bone; bend is about the
        normal of the bones on both sides of the joint, or where they are in line of those
        before it in the chain, or else of the mirror plane, or the joint's own axis that is
        well across the bone.
    """
    found, bound = np.empty((len(skeleton), 3, 3)), frames(skeleton)
    for chain in chains(skeleton):
        along = _along(skeleton, chain, bound)
        hinges = np.cross(along[:-1], along[1:])
        bent = np.linalg.norm(hinges, axis=1) > STRAIGHT
        if bent.any():
            normal = hinges[bent.argmax()]
        else:
            normal = _upright(skeleton, chain.joints[0], along[0], plane)
        for place, (joint, twist) in enumerate(zip(chain.joints, along, strict=True)):
            if place > 0 and bent[place - 1]:
                hinge = hinges[place - 1]
                normal = hinge if hinge @ normal >= 0 else -hinge
            normal = normal - (normal @ twist) * twist
            if np.linalg.norm(normal) < STRAIGHT:
                normal = _upright(skeleton, joint, twist, plane)
            normal = normal / np.linalg.norm(normal)
            found[joint] = normal, np.cross(twist, normal), twist
    if plane is not None:
        partner = _partners(skeleton, plane)
        for joint, other in enumerate(partner):
            if joint < other:
                found[other] = -plane.turn(found[joint])  # mirrored, turning the other way round
    return found


def range_of_motion(
    skeleton: Skeleton,
    plane: Plane | None = None,
    recipe: Recipe | None = None,
) -> Clip:
    """Each joint alone to both ends of each range, then chains as a whole, both sides together.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane, optional
        Pairs across it move together in the poses of whole chains.
    recipe : Recipe, optional
        As for `ranges`.

    Returns
    -------
    Clip
        A labelled pose every half second.
    """
    limit = np.radians(
        [[each.bend, each.side, each.twist] for each in ranges(skeleton, plane, recipe)]
    )
    about = axes(skeleton, plane)
    labels: list[str] = []
    turns: list[NDArray[np.float64]] = []

    def pose(label: str, joints: list[int], axis: int, share: float) -> None:
        if (limit[joints, axis] > 0).any():
            turn = np.zeros((len(skeleton), 3))
            turn[joints] = share * limit[joints, axis, None] * about[joints, axis]
            turns.append(turn)
            labels.append(label)

    for joint, name in enumerate(skeleton.names):
        for axis, kind in enumerate(AXES):
            for sign in (1, -1):
                degrees = sign * np.degrees(limit[joint, axis])
                pose(f"{name} {kind} {degrees:+.0f}°", [joint], axis, sign)
    for name, joints in _together(skeleton, plane):
        for axis, kind in enumerate(AXES):
            for sign in (1, -1):
                pose(f"{name} {kind} {'+' if sign > 0 else '-'}", joints, axis, sign * TOGETHER)
    if not turns:
        turns, labels = [np.zeros((len(skeleton), 3))], ["bind pose"]
    times = SECONDS_A_POSE * np.arange(len(turns), dtype=np.float64)
    return Clip("range of motion", times, turned(skeleton, np.array(turns)), tuple(labels))


def played(skeleton: Skeleton, clip: Clip) -> Clip:
    """A clip of separate poses as an animation: each comes from the bind pose and goes back.

    Parameters
    ----------
    skeleton : Skeleton
    clip : Clip

    Returns
    -------
    Clip
        A pose every second, with the bind pose half a second before and after.
    """
    rest = rest_local(skeleton)
    local = np.tile(rest, (2 * len(clip) + 1, 1, 1, 1))
    local[1::2] = clip.local
    labels = ["bind pose"] * len(local)
    labels[1::2] = clip.labels
    times = SECONDS_A_POSE * np.arange(len(local), dtype=np.float64)
    return Clip(clip.name, times, local, tuple(labels))


def random_poses(skeleton: Skeleton, count: int = 10, degrees: float = 30.0) -> NDArray[np.float64]:
    """Poses in which every joint turns on its own, about itself.

    Parameters
    ----------
    skeleton : Skeleton
    count : int
    degrees : float
        Each joint turns about a random axis by an angle drawn evenly from ± this.

    Returns
    -------
    ndarray, shape (count, j, 4, 4)
        What carries a bind-space point that follows one joint alone into the pose; the same in
        every call.
    """
    random = np.random.default_rng(0)
    axis = unit(random.normal(size=(count, len(skeleton), 3)))
    angle = np.radians(random.uniform(-degrees, degrees, size=(count, len(skeleton), 1)))
    return carried(skeleton, world(skeleton, turned(skeleton, axis * angle)))


def _together(skeleton: Skeleton, plane: Plane | None) -> list[tuple[str, list[int]]]:
    """Chains with their counterparts, and all digits of a hand with those of the other."""
    partner = _partners(skeleton, plane)
    groups: dict[tuple[str, int], list[int]] = {}
    for chain, kind in kinds(skeleton, plane).items():
        first = chain.joints[0]
        key = (kind, int(skeleton.parents[first])) if kind == "digit" else ("chain", first)
        groups.setdefault(key, []).extend(chain.joints)
    found: list[tuple[str, list[int]]] = []
    done: set[int] = set()
    for (what, first), joints in groups.items():
        both = sorted({*joints, *(int(partner[each]) for each in joints)} - {UNPAIRED})
        if len(joints) > 1 and not done.intersection(both):
            of = f"digits of {skeleton.names[first]}" if what == "digit" else skeleton.names[first]
            more = " and other side" if len(both) > len(joints) else ""
            found.append((f"{of}{more}, whole" if what == "chain" else of + more, both))
        done.update(both)
    return found


def _turning(skeleton: Skeleton, chain: Chain) -> list[int]:
    """The joints of a chain that bend it: not those that divide a bone."""
    return [joint for joint in chain.joints if not descent(skeleton).dividing[joint]]


def _partners(skeleton: Skeleton, plane: Plane | None) -> NDArray[np.int32]:
    if plane is None:
        return np.full(len(skeleton), UNPAIRED, dtype=np.int32)
    return pairs(skeleton, plane)


def _along(skeleton: Skeleton, chain: Chain, bound: Frames) -> NDArray[np.float64]:
    """Unit direction of the bone of each joint of a chain, (m, 3).

    To the next of the chain where the bone leads to no one child and nothing else tells.
    """
    axis = shared_axis(skeleton)
    found: list[NDArray[np.float64]] = []
    for joint, following in zip(chain.joints, (*chain.joints[1:], None), strict=True):
        way = bound.axes[joint, :, 0]
        step = np.zeros(3)
        if following is not None and len(skeleton.children[joint]) > 1 and axis is None:
            step = skeleton.positions[following] - skeleton.positions[joint]
        found.append(step / np.linalg.norm(step) if step.any() else way)
    return np.array(found)


def _upright(
    skeleton: Skeleton, joint: int, twist: NDArray[np.float64], plane: Plane | None
) -> NDArray[np.float64]:
    """A direction across a bone: the mirror plane's normal, or the joint's own axis."""
    own = skeleton.orientations[joint].T
    if plane is not None:
        own = np.concatenate([[plane.normal], own])
    across = own - (own @ twist)[:, None] * twist
    length = np.linalg.norm(across, axis=1)
    # The first that is well across the bone: an equal choice must not hang on rounding.
    return across[np.argmax(length > 0.9)] if (length > 0.9).any() else across[length.argmax()]

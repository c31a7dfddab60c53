"""What a recipe means for one rig."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from autoweight.methods import find
from autoweight.methods.things import lacking
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Skeleton
from autoweight.skeleton.chains import Chain, chains
from autoweight.skeleton.roles import Fleshless, fleshless
from autoweight.skeleton.sides import Plane, pairs
from autoweight.surface.visibility import Sight
from autoweight.weights.locks import Locks, find_locks

__all__ = ["AttachPlan", "Plan", "RigidPlan", "active_joints", "plan", "plane_of", "roles"]


@dataclass(frozen=True, eq=False)
class RigidPlan:
    """Vertices that one joint alone moves.

    Parameters
    ----------
    name : str
        The part, or the recipe's patterns of joints.
    vertices : ndarray, shape (n,), bool, or None
        Vertices of the mesh; None for those that `joints` move most.
    joints : ndarray, shape (j,), bool, or None
    to : int or None
        The joint; None for the one that moves most of them, or most of each.
    """

    name: str
    vertices: NDArray[np.bool_] | None
    joints: NDArray[np.bool_] | None
    to: int | None


@dataclass(frozen=True, eq=False)
class AttachPlan:
    """Parts whose place among the others the recipe decides.

    Parameters
    ----------
    vertices : ndarray, shape (n,), bool
        Theirs, of the user's mesh.
    below : ndarray, shape (n,), bool
        Those of what they follow; none to leave them as they were solved.
    """

    vertices: NDArray[np.bool_]
    below: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Plan:
    """A recipe with its patterns turned into joints and vertices.

    Parameters
    ----------
    active : ndarray, shape (j,), bool
        Joints that may have weight.
    fleshless : tuple of Fleshless
        Those that are left out without being asked for, and why.
    methods : tuple of str
        The method of each joint.
    chains : tuple of Chain
        Every joint in exactly one.
    falloffs : tuple of Falloff
        One for each chain.
    attached : tuple of AttachPlan
    rigid : tuple of RigidPlan
    locks : Locks or None
    plane : Plane or None
        To mirror across.
    """

    active: NDArray[np.bool_]
    fleshless: tuple[Fleshless, ...]
    methods: tuple[str, ...]
    chains: tuple[Chain, ...]
    falloffs: tuple[Falloff, ...]
    attached: tuple[AttachPlan, ...]
    rigid: tuple[RigidPlan, ...]
    locks: Locks | None
    plane: Plane | None


def roles(skeleton: Skeleton, sight: Sight) -> tuple[Fleshless, ...]:
    """The joints of a skeleton that have no flesh of a body; see `autoweight.skeleton.roles`."""
    vertices = sight.surface.vertices
    box = np.array([vertices.min(axis=0), vertices.max(axis=0)])
    outside = sight.outside(skeleton.positions)
    return fleshless(skeleton, outside, box, partial(lacking, sight, skeleton))


def active_joints(
    recipe: Recipe,
    skeleton: Skeleton,
    found: tuple[Fleshless, ...] = (),
) -> tuple[NDArray[np.bool_], tuple[Fleshless, ...]]:
    """The joints that may have weight, and those left out that the recipe does not speak of.

    Parameters
    ----------
    recipe : Recipe
    skeleton : Skeleton
    found : tuple of Fleshless
        What is left out without being asked for, from `roles`.

    Returns
    -------
    active : ndarray, shape (j,), bool
    left : tuple of Fleshless

    Raises
    ------
    RecipeError
        A pattern that matches nothing, a joint that is to be skipped and used, or none left.
    """
    skipped = recipe.chosen(skeleton.names, "joint", "skip")
    used = recipe.chosen(skeleton.names, "joint", "use")
    both = np.flatnonzero(skipped & used)
    if len(both):
        raise recipe.error(
            ("use",),
            f"joint {skeleton.names[both[0]]!r} is both to be skipped and to be used; leave it to "
            "one of the two",
        )
    active, left = ~skipped, []
    for each in found:
        joints = [joint for joint in each.joints if not (used[joint] or skipped[joint])]
        active[joints] = False
        if joints:
            names = tuple(skeleton.names[joint] for joint in joints)
            left.append(replace(each, joints=tuple(joints), names=names))
    if not active.any():
        raise recipe.error(("skip",), "the patterns leave no joint to weight to")
    return active, tuple(left)


def plan(recipe: Recipe, rig: Rig, idle: tuple[Fleshless, ...] = ()) -> Plan:
    """Find in a rig what a recipe names, before any work is done.

    Parameters
    ----------
    recipe : Recipe
    rig : Rig
    idle : tuple of Fleshless, optional
        What is left out unless the recipe uses it, from `roles`.

    Returns
    -------
    Plan

    Raises
    ------
    RecipeError
        A pattern that matches nothing, a method or joint that is not there, or a joint in two
        chain rules. The message names the line of the recipe.
    FileError
        A file the recipe names that cannot be read.
    WeightsError
        Locks that contradict each other.
    """
    skeleton = rig.skeleton
    active, left_out = active_joints(recipe, skeleton, idle)
    with recipe.at("method"):
        find(recipe.method)

    rule = np.full(len(skeleton), -1)
    for number, each in enumerate(recipe.chain):
        if each.method is not None:
            with recipe.at("chain", number, "method"):
                find(each.method)
        claimed = recipe.chosen(skeleton.names, "joint", "chain", number, "joints")
        twice = np.flatnonzero(claimed & (rule >= 0))
        if len(twice):
            raise recipe.error(
                ("chain", number, "joints"),
                f"joint {skeleton.names[twice[0]]!r} is in chain rule {rule[twice[0]] + 1} "
                "already; leave it to one of the two",
            )
        rule[claimed] = number

    found: list[tuple[Chain, Falloff]] = []
    for number in np.unique(rule).tolist():
        falloff = recipe.chain[number].falloff if number >= 0 else None
        for chain in _chains_of(skeleton, rule == number):
            found.append((chain, falloff or recipe.falloff))
            for place, row in enumerate(found[-1][1].rows):
                if len(row.weights) != len(chain.joints):
                    above = ("chain", number) if falloff else ()
                    raise recipe.error(
                        (*above, "falloff", "rows", place),
                        f"{len(row.weights)} weights for the {len(chain.joints)} joints of chain "
                        f"{chain.name!r}; give one for each",
                    )
    found.sort(key=lambda pair: pair[0].joints)
    methods = tuple(
        (recipe.chain[each].method if each >= 0 else None) or recipe.method for each in rule
    )
    return Plan(
        active,
        left_out,
        methods,
        tuple(chain for chain, _ in found),
        tuple(falloff for _, falloff in found),
        tuple(_attached(recipe, rig, number) for number in range(len(recipe.attach))),
        tuple(each for number in range(len(recipe.rigid)) for each in _rigid(recipe, rig, number)),
        find_locks(recipe, rig, active),
        plane_of(recipe, skeleton),
    )


def plane_of(recipe: Recipe, skeleton: Skeleton) -> Plane | None:
    """What a recipe mirrors across, None where it has no mirror; its pairs are looked at.

    Parameters
    ----------
    recipe : Recipe
    skeleton : Skeleton

    Returns
    -------
    Plane or None

    Raises
    ------
    RecipeError
        A pair of joints that is not there, or a joint in two.
    """
    if recipe.mirror is None:
        return None
    plane = Plane.named(recipe.mirror.plane)
    with recipe.at("mirror", "pairs"):
        pairs(skeleton, plane, recipe.mirror.pairs)
    return plane


def _chains_of(skeleton: Skeleton, wanted: NDArray[np.bool_]) -> list[Chain]:
    """The chains of some joints, as if there were no others."""
    joints = np.flatnonzero(wanted)
    place = np.full(len(skeleton) + 1, -1)  # a root's parent, -1, is the last
    place[joints] = np.arange(len(joints))
    alone = Skeleton(
        tuple(skeleton.names[joint] for joint in joints),
        place[skeleton.parents[joints]],
        skeleton.rest[joints],
    )
    return [
        replace(chain, joints=tuple(int(joints[each]) for each in chain.joints))
        for chain in chains(alone)
    ]


def _attached(recipe: Recipe, rig: Rig, number: int) -> AttachPlan:
    names = [part.name for part in rig.mesh.parts]
    parts = recipe.chosen(names, "part", "attach", number, "parts")
    below = np.zeros(len(names), dtype=bool)
    if recipe.attach[number].follow:
        below = recipe.chosen(names, "part", "attach", number, "follow")
        if (below & parts).any():
            itself = names[int((below & parts).argmax())]
            raise recipe.error(
                ("attach", number, "follow"), f"part {itself!r} would follow itself; leave it out"
            )
    return AttachPlan(rig.mesh.in_parts(parts), rig.mesh.in_parts(below))


def _rigid(recipe: Recipe, rig: Rig, number: int) -> list[RigidPlan]:
    """What one rule means: a plan for each part, or one for all joints."""
    rule = recipe.rigid[number]
    with recipe.at("rigid", number, "to"):
        to = None if rule.to is None else rig.skeleton.number(rule.to)
    if rule.joints:
        joints = recipe.chosen(rig.skeleton.names, "joint", "rigid", number, "joints")
        return [RigidPlan(", ".join(rule.joints), None, joints, to)]
    names = [part.name for part in rig.mesh.parts]
    chosen = recipe.chosen(names, "part", "rigid", number, "parts")
    alone = np.eye(len(names), dtype=bool)
    return [
        RigidPlan(names[part], rig.mesh.in_parts(alone[part]), None, to)
        for part in np.flatnonzero(chosen)
    ]

"""Runs of joints that bend as one: a spine, a tail, a limb, a digit."""

from __future__ import annotations

from dataclasses import dataclass

from autoweight.rig import Skeleton
from autoweight.skeleton.descent import descent

__all__ = ["Chain", "chains"]


@dataclass(frozen=True)
class Chain:
    """Joints in order from the body outward, each of which goes on from the one before.

    That is its parent, but along a bone that joints divide: see `descent`.

    Parameters
    ----------
    name : str
        What the joints' names share, or the name of the first.
    joints : tuple of int
        At least one.
    """

    name: str
    joints: tuple[int, ...]


def chains(skeleton: Skeleton) -> tuple[Chain, ...]:
    """Split a skeleton into chains; every joint is in exactly one.

    Parameters
    ----------
    skeleton : Skeleton

    Returns
    -------
    tuple of Chain
        In the order of their first joints. At a branch the chain goes on into the joint that
        divides the bone, or the child whose name, digits aside, is the joint's own; without one
        it ends, and each child starts anew. What divides a bone is in the chain of that bone.
    """
    following: dict[int, int] = {}
    for joint, children in enumerate(descent(skeleton).below):
        if len(children) == 1:
            following[joint] = children[0]
        else:
            alike = [child for child in children if descent(skeleton).dividing[child]] or [
                child
                for child in children
                if _stem(skeleton.names[child]) == _stem(skeleton.names[joint])
            ]
            if len(alike) == 1:
                following[joint] = alike[0]
    begins = sorted(set(range(len(skeleton))) - set(following.values()))
    found = []
    for joint in begins:
        run = [joint]
        while run[-1] in following:
            run.append(following[run[-1]])
        found.append(Chain(_name([skeleton.names[each] for each in run]), tuple(run)))
    return tuple(found)


def _stem(name: str) -> str:
    return name.rstrip("0123456789").rstrip("._- ")


def _name(names: list[str]) -> str:
    stems = {_stem(name) for name in names}
    return stems.pop() if len(stems) == 1 and "" not in stems else names[0]

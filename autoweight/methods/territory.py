"""Who owns a place: the nearest bone, or the joint that all of several hang from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.rows import entry_rows
from autoweight.skeleton.bones import Bones, closest, distances, heirs
from autoweight.skeleton.descent import descent
from autoweight.surface import Surface
from autoweight.surface.geodesics import network, spread
from autoweight.surface.visibility import Sight

__all__ = ["Territory", "ancestors", "divided", "levels", "owned", "segments", "straight", "tied"]

CHUNK = 1 << 15

TRIES = 4
"""Bones, nearest first, that are looked for from a vertex until one is seen."""

SIGHTED = 0.3
"""Share of a piece's vertices that must see a bone for sight to tell what belongs to which."""

TIE = 1e-9
"""Distances that differ by less than this share are equal: left and right are, but for rounding."""


@dataclass(frozen=True, eq=False)
class Territory:
    """Places that weights are worked out at, the ways between them, and whose each is.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        The n vertices of the surface first.
    graph : csr_array, shape (p, p)
        Lengths of the ways.
    owner : ndarray, shape (p,), int32
        The joint at the end of whose bone, or at whose tip, each place is; -1 between bones of
        two trees.
    away : ndarray, shape (p,)
        How far it is from that bone.
    """

    points: NDArray[np.float64]
    graph: sparse.csr_array
    owner: NDArray[np.int32]
    away: NDArray[np.float64]


def divided(problem: Problem) -> Territory:
    """The surface, divided among the bones that are nearest: through the body, then along it.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Territory
    """
    graph = problem.recall("network", None, lambda: network(problem.surface))
    owner, away = problem.recall(
        "territory",
        problem.active.tobytes(),
        lambda: owned(problem, graph, *_seeds(problem, segments(problem))),
    )
    return Territory(problem.surface.vertices, graph, owner, away)


def segments(problem: Problem) -> Bones:
    """The bones as bands see them: each is the joint's at its end, where there is one.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Bones
        Those of the problem. One that leads to a joint that may have weight is that joint's, as
        a limb begins before its first joint; one that ends at none is its own joint's.
    """
    bones, at = problem.bones, problem.skeleton.positions
    parents = ancestors(problem)
    joint = bones.joint.copy()
    for child in np.flatnonzero(problem.active & (parents >= 0)):
        leads = (bones.joint == parents[child]) & (bones.tail == at[child]).all(axis=1)
        joint[leads] = child
    return Bones(joint, bones.head, bones.tail)


def owned(
    problem: Problem,
    graph: sparse.csr_array,
    seeds: NDArray[np.integer],
    labels: NDArray[np.integer],
    offsets: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Which joint owns each place, and how far its bone is.

    A place as far from several bones belongs to the joint that they hang from, whatever order
    they come in; so what is symmetric stays so.

    Parameters
    ----------
    problem : Problem
    graph : csr_array, shape (p, p)
        Lengths of the ways between places.
    seeds, labels : ndarray, shape (s,), int
        Places that see the bones of joints; one may be there several times.
    offsets : ndarray, shape (s,)
        How far the bones are from there.

    Returns
    -------
    owner : ndarray, shape (p,), int32
        -1 where two trees of joints meet, or where no way leads.
    away : ndarray, shape (p,)
        Infinite where no way leads.
    """
    owner, away = spread(graph, seeds, labels, offsets)
    meet = _meeting(ancestors(problem))
    equal = offsets <= away[seeds] * (1 + TIE)
    _met(owner, seeds[equal], labels[equal], meet)
    # Ties go on along the shortest ways, until nobody hears of another owner.
    here = entry_rows(graph)
    tight = away[here] + graph.data <= away[graph.indices] * (1 + TIE)
    tight &= np.isfinite(away[here])
    here, there = here[tight], graph.indices[tight]
    while len(apart := np.flatnonzero(owner[here] != owner[there])):
        before = owner.copy()
        _met(owner, there[apart], before[here[apart]], meet)
        if (owner == before).all():
            break
    return owner, away


Meeting = Callable[[NDArray[np.integer], NDArray[np.integer]], NDArray[np.integer]]


def _met(
    owner: NDArray[np.int32], place: NDArray[np.integer], label: NDArray[np.integer], meet: Meeting
) -> None:
    """Let places meet labels, of which one may have several."""
    order = np.argsort(place, kind="stable")
    place, label = place[order], label[order]
    while len(place):
        first = np.append(True, place[1:] != place[:-1])
        owner[place[first]] = meet(owner[place[first]], label[first])
        place, label = place[~first], label[~first]


def _meeting(parents: NDArray[np.intp]) -> Meeting:
    """Nearest common ancestors of joints, -1 for those that have none."""
    # A root's parent, -1, is the last: above all of them.
    up, level = np.append(parents, -1), np.append(levels(parents), -1)

    def meet(first: NDArray[np.integer], second: NDArray[np.integer]) -> NDArray[np.integer]:
        first, second = first.copy(), second.copy()
        while len(apart := np.flatnonzero(first != second)):
            one, other = first[apart], second[apart]
            first[apart] = np.where(level[one] >= level[other], up[one], one)
            second[apart] = np.where(level[other] >= level[one], up[other], other)
        return first

    return meet


def straight(
    points: NDArray[np.float64], bones: Bones
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Seeds of places by straight distance: which place, whose bone is the nearest, how far.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
    bones : Bones

    Returns
    -------
    place, joint : ndarray, shape (s,), int
    away : ndarray, shape (s,)
        One entry for each of several bones that are as far.
    """
    away = distances(points, bones)
    place, bone = np.nonzero(away <= away.min(axis=1, keepdims=True) * (1 + TIE))
    return place, bones.joint[bone].astype(np.intp), away[place, bone]


def tied(problem: Problem, land: Territory) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Whose bones are as near as each other to the places that no one owns.

    Parameters
    ----------
    problem : Problem
    land : Territory

    Returns
    -------
    place, joint : ndarray, shape (t,), int
        One entry for each of several bones of different trees.
    """
    lost, bones = np.flatnonzero(land.owner < 0), segments(problem)
    starts = range(0, len(lost), CHUNK)
    found = [straight(land.points[lost[start : start + CHUNK]], bones) for start in starts]
    place = [lost[start + near[0]] for start, near in zip(starts, found, strict=True)]
    joint = [near[1] for near in found]
    none = np.empty(0, dtype=np.intp)
    return np.concatenate([none, *place]), np.concatenate([none, *joint])


def levels(parents: NDArray[np.intp]) -> NDArray[np.intp]:
    """How many joints each hangs from, (j,)."""
    found, line = np.zeros(len(parents), dtype=np.intp), parents
    while (line >= 0).any():
        found += line >= 0
        line = np.where(line >= 0, parents[line], -1)
    return found


def ancestors(problem: Problem) -> NDArray[np.intp]:
    """The nearest ancestor of each joint that may have weight, -1 for none, (j,)."""
    above = descent(problem.skeleton).above
    return np.where(above >= 0, heirs(problem.skeleton, problem.active)[above], -1)


def _seeds(
    problem: Problem, bones: Bones
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Vertices that see a bone from within: which, whose is the nearest, how far it is."""
    surface, rays = problem.surface, problem.sight
    found = [_seen(surface, rays, bones, start) for start in range(0, len(surface), CHUNK)]
    seeds, labels, offsets = (np.concatenate(each) for each in zip(*found, strict=True))
    # A piece that hardly sees a bone, as of a garment, goes by straight distance.
    pieces = surface.components
    seen = np.zeros(len(surface), dtype=bool)
    seen[seeds] = True
    lost = np.flatnonzero((np.bincount(pieces, seen) / np.bincount(pieces) < SIGHTED)[pieces])
    if len(lost):
        place, joint, away = straight(surface.vertices[lost], bones)
        seeds = np.append(seeds, lost[place])
        labels = np.append(labels, joint)
        offsets = np.append(offsets, away)
    return seeds, labels, offsets


def _seen(
    surface: Surface, rays: Sight, bones: Bones, start: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Of some vertices those that see a bone: which, whose are the nearest, how far they are."""
    points = surface.vertices[start : start + CHUNK]
    outward = surface.outward(slice(start, start + CHUNK))
    away = distances(points, bones)
    some = min(TRIES, len(bones)) - 1
    last = np.partition(away, some, axis=1)[:, some] * (1 + TIE)
    tries = int((away <= last[:, None]).sum(axis=1).max())
    order = np.argsort(away, axis=1, kind="stable")[:, :tries]
    ranked = np.take_along_axis(away, order, axis=1)
    near = np.full(len(points), np.inf)
    seen, bone = [], []
    for rank in range(tries):
        left = np.flatnonzero(ranked[:, rank] <= np.minimum(last, near * (1 + TIE)))
        place = closest(points[left], bones, order[left, rank])
        # A way that meets the surface from outside has come through the air.
        within = np.einsum("ij,ij->i", points[left] - place, outward[left]) > 0
        left, place = left[within], place[within]
        clear = left[rays.clear(place, points[left])]
        near[clear] = np.minimum(near[clear], ranked[clear, rank])
        seen.append(clear)
        bone.append(order[clear, rank])
    who, which = np.concatenate(seen), np.concatenate(bone)
    return who + start, bones.joint[which].astype(np.intp), away[who, which]

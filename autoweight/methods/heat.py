"""Heat equilibrium: the bones in sight warm each vertex, and the surface evens it out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from autoweight.machine.abreast import Ahead, abreast, hands
from autoweight.machine.heap import give_back
from autoweight.methods import Problem, Progress, silent
from autoweight.methods.equilibrium import equilibrium
from autoweight.methods.parts import Layout, laid_out, settled
from autoweight.methods.stretches import Stretches, nearby, reach, stretches
from autoweight.rows import scaled
from autoweight.skeleton.bones import Bones, closest
from autoweight.surface import Surface
from autoweight.surface.evenness import Evenness, evenness, mutual
from autoweight.surface.pieces import bridges
from autoweight.surface.visibility import ON, Sight

__all__ = ["solve"]

CHUNK = 1 << 10

PULL = 8.0
"""H is this / distance²: against the surface's own evening out, which Baran & Popović weigh 1."""

FALL = 12
"""Bones about equally near share a vertex by distance to the power of minus this."""

FAR = 1.5
"""A bone this many times as far as the nearest does not warm a vertex, even where it alone is seen:
the surface tells better."""

SEEN = 0.3
"""Of a piece of surface of which less than this share sees a bone from within, sight says nothing:
the bones are outside it, as in a garment of two thin layers."""

EVEN = 1e-6
"""Bones that are nearer than this to each other's image, in diagonals of the body, are even: a file
has joints in single precision."""

CRISP = 1.3
"""Power the result is raised to: artists hand over more steeply than heat does."""


def solve(problem: Problem) -> sparse.csr_array:
    """Weights of the heat equilibrium.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1.

    Notes
    -----
    Departs from the paper where measuring against artists' weights asked for it: a bone must be
    seen from within, its warmth falls with the slant it arrives at (Lambert's law), bones about
    as near share a vertex, and `stretches` corrects what of the skeleton belongs to which joint.

    References
    ----------
    Baran & Popović, "Automatic rigging and animation of 3D characters", TOG 26(3), 2007.
    """
    # Chains and falloffs play no part here.
    return problem.recall("heat", problem.active.tobytes(), lambda: _solved(problem))


def _solved(problem: Problem) -> sparse.csr_array:
    surface = problem.surface
    owned = stretches(problem.skeleton, problem.active, surface, problem.frames)
    measured = problem.measured()
    # What is seen is the same on both sides even where quads are cut along other diagonals.
    warm = _in_sight(problem.sight, owned, evenness(surface), problem.progress)
    sources, pull = _warmth(surface, owned, warm, len(problem.skeleton))
    del warm  # the factor needs the room
    problem.sight.forget()
    give_back()
    # The factor keeps one processor busy.
    beside = Ahead(lambda: _of_pieces(problem), hands(len(surface)), surface, problem.away)
    with beside:
        found = equilibrium(surface, sources, pull, measured=measured, progress=problem.progress)
        found.data **= CRISP
        layout = beside()
    return scaled(found) if layout is None else settled(problem, scaled(found), layout)


def _of_pieces(problem: Problem) -> Layout | None:
    """How several pieces lie, None where there is one, and what is asked next of each's place."""
    if problem.surface.components.max() == 0:
        return None
    _ = problem.away[:], bridges(problem.surface)  # kept for attaching and for stray weight
    return laid_out(problem)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Vertices and the bones near them, in the order of the vertices."""

    vertex: NDArray[np.intp]
    bone: NDArray[np.intp]
    reach: NDArray[np.float64]
    distance: NDArray[np.float64]
    slant: NDArray[np.float64]
    """Cosine between the way from the bone and the outward normal, 0 where the bone is hidden."""


def _in_sight(rays: Sight, owned: Stretches, even: Evenness | None, progress: Progress) -> _Pairs:
    surface = rays.surface
    bones = owned.bones
    lit = Bones(bones.joint, rays.under(bones.head), rays.under(bones.tail))
    on = ON * surface.diagonal
    partner = None if even is None else _partners(owned, even, EVEN * surface.diagonal)
    half = np.arange(len(surface)) if even is None or partner is None else even.half
    # Neighbours in space have the same few bones near, and send their rays the same ways.
    tree = cKDTree(surface.vertices[half], leafsize=CHUNK, compact_nodes=False)
    order = half[tree.indices]
    starts = range(0, len(half), CHUNK)

    def looked(mine: range, progress: Progress) -> list[tuple[NDArray, ...]]:
        found: list[tuple[NDArray, ...]] = []
        for number, start in enumerate(mine):
            progress("sight", number / len(mine))
            chunk = np.sort(order[start : start + CHUNK])
            points = surface.vertices[chunk]
            some = nearby(points, owned, FAR)
            away = reach(points, owned.only(some))
            vertex, bone = np.nonzero(away <= FAR * np.maximum(away.min(axis=1, keepdims=True), on))
            away, bone = away[vertex, bone], some[bone]
            place = closest(points[vertex], bones, bone)
            way = points[vertex] - place
            distance = np.linalg.norm(way, axis=1)
            slant = np.einsum("ij,ij->i", way, surface.outward(chunk)[vertex])
            slant /= np.maximum(distance, np.finfo(float).tiny)
            within = np.flatnonzero(slant > 0)
            source = closest(points[vertex[within]], lit, bone[within])
            hidden = ~rays.clear(source, points[vertex[within]])
            slant[slant < 0] = 0
            slant[within[hidden]] = 0
            slant[distance <= on] = 0  # from which side, only rounding says: its neighbours tell
            found.append((chunk[vertex], bone, away, distance, slant))
        return found

    many = hands(len(surface))
    jobs = [
        partial(looked, starts[first::many], silent if first else progress) for first in range(many)
    ]
    found = [each for part in abreast(jobs, many) for each in part]
    vertex, bone, *rest = (np.concatenate(each) for each in zip(*found, strict=True))
    if even is not None and partner is not None:
        there = np.flatnonzero(even.image[vertex] != vertex)
        bone = np.concatenate([bone, partner[bone[there]]])
        rest = [np.concatenate([each, each[there]]) for each in rest]
        vertex = np.concatenate([vertex, even.image[vertex[there]]])
    by_vertex = np.argsort(vertex, kind="stable")
    return _Pairs(*(each[by_vertex] for each in (vertex, bone, *rest)))


def _partners(owned: Stretches, even: Evenness, near: float) -> NDArray[np.intp] | None:
    """The stretch that is the image of each, (b,); None where one has none."""
    ends = owned.bones.head, owned.bones.tail
    apart = cdist(
        np.column_stack([even.reflect(each) for each in ends]), np.column_stack(ends), "chebyshev"
    )
    apart[owned.free[:, None] != owned.free] = np.inf
    found = mutual(apart, near)
    return found if (found >= 0).all() else None


def _warmth(
    surface: Surface, owned: Stretches, warm: _Pairs, joints: int
) -> tuple[sparse.csr_array, NDArray[np.float64]]:
    """Shares of the joints at each vertex, and how strongly they pull."""
    count = len(surface)
    sees = np.zeros(count, dtype=bool)
    sees[warm.vertex[warm.slant > 0]] = True
    area = np.bincount(surface.components, surface.areas)
    blind = np.bincount(surface.components, sees * surface.areas) < SEEN * area
    slant = np.where(blind[surface.components[warm.vertex]], 1.0, warm.slant)

    used = slant > 0
    vertex, slant = warm.vertex[used], slant[used]
    floor = 1e-3 * surface.diagonal
    away, distance = (np.maximum(each[used], floor) for each in (warm.reach, warm.distance))
    begin = np.flatnonzero(np.diff(vertex, prepend=-1))
    nearest = np.full(count, np.inf)
    nearest[vertex[begin]] = np.minimum.reduceat(away, begin)
    share = (nearest[vertex] / away) ** FALL * slant**4

    # Of a joint's several bones the one that warms most counts.
    entry = vertex * joints + owned.bones.joint[warm.bone[used]]
    order = np.argsort(entry, kind="stable")
    entry, share = entry[order], share[order]
    best = np.flatnonzero(np.diff(entry, prepend=-1))
    best_vertex, best_share = entry[best] // joints, np.maximum.reduceat(share, best)
    whole = np.bincount(best_vertex, best_share, minlength=count)
    sources = sparse.csr_array(
        (best_share / whole[best_vertex], (best_vertex, entry[best] % joints)),
        shape=(count, joints),
    )

    # The pull is that of the nearest bone, of equals the first.
    least = np.flatnonzero(away == nearest[vertex])
    first = least[np.flatnonzero(np.diff(vertex[least], prepend=-1))]
    pull = np.zeros(count)
    pull[vertex[first]] = PULL * slant[first] / distance[first] ** 2
    return sources, pull

"""Geodesic bands: each joint holds a band round its limb, and chains compete along the surface."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import blake2b
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.methods.limbs import Limb, limbs
from autoweight.methods.steps import Share, eased, sheer, steepest
from autoweight.methods.territory import Territory, divided, tied
from autoweight.recipes.profiles import curve
from autoweight.rows import entry_rows
from autoweight.surface.geodesics import smoothed, spread

__all__ = ["blend", "solve"]

T = TypeVar("T")


STRETCH = 3.0
"""How much faster than along the bones a position may change along the surface: the inside of a
bend is shorter than its axis."""


def blend(problem: Problem, parts: list[Limb], land: Territory) -> sparse.csr_array:
    """Weights from the bones that own each place.

    A chain has what it owns, and the chains that hang from it. Near the rim of that it lets go,
    and what it lets go of is left to the chain it hangs from.

    Parameters
    ----------
    problem : Problem
    parts : list of Limb
        From `limbs`.
    land : Territory

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1.
    """
    size, count = len(problem.surface), len(problem.skeleton)
    rooms = _rooms(parts, count)
    above = [int(rooms[limb.hangs]) if limb.hangs >= 0 else -1 for limb in parts]
    stand = _stand(problem, parts, land)
    divided_so = problem.active.tobytes(), _digest(land.owner, land.away)

    def known(what: str, number: int, of: Callable[..., T], *places: NDArray[np.intp]) -> T:
        """What another recipe made of the same places of a limb by the same profile."""
        limb = parts[number]
        shape = limb.joints, limb.points, limb.normals, limb.screws
        depends = *divided_so, limb.falloff, _digest(*shape, *places)
        return problem.recall(f"{what} {number}", depends, lambda: of(limb, land, *places))

    # From the outermost inward, as what a chain leaves is for the one it hangs from.
    given = [np.zeros(len(land.points)) for _ in parts]
    pieces = []
    profiles: list[Share] = []
    slopes = np.zeros(count)
    for number in reversed(range(len(parts))):
        limb = parts[number]
        bone = _bone_of(parts, number, count)[land.owner]
        if number in stand:
            claimed = stand[number][0] > 0
            bone[claimed] = np.maximum(bone[claimed], 0)
        mine = np.flatnonzero(bone >= 0)
        needed = mine[given[number][mine] < 1]
        # What branches claim goes through the limb they hang from, wherever that may be.
        shares, own = known("shares", number, _shares, needed, bone[needed])
        shares = shares * (1 - given[number][needed])[:, None]
        total = np.ones(len(land.points))
        total[needed] = given[number][needed] + shares.sum(axis=1)
        if number in stand:
            claim, width = stand[number]
        else:
            hold, width = known("hold", number, _hold, mine)
            claim = np.minimum(total, hold)
            given[above[number]] += claim
        passed = np.divide(claim, total, out=np.zeros_like(claim), where=total > 0)[:size]
        on = needed < size
        pieces.append((needed[on], passed, shares[on]))
        profiles.append(Share(limb.joints, needed[on], own[on]))
        line = limb.joints if limb.hangs < 0 else np.append(limb.hangs, limb.joints)
        slopes[line] = np.maximum(slopes[line], _slopes(limb, width))
    rows, columns, values = [], [], []
    reach: list[NDArray[np.float64]] = []
    for number, (needed, passed, shares) in enumerate(reversed(pieces)):
        reach.append(passed if above[number] < 0 else passed * reach[above[number]])
        kept = reach[number][needed, None] * shares
        row, column = np.nonzero(kept)
        rows.append(needed[row])
        columns.append(parts[number].joints[column])
        values.append(kept[row, column])
    found = sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(size, count),
    )
    slopes[slopes == 0] = np.inf  # a joint by itself hands over to nobody
    return eased(problem.surface, found, slopes, profiles)


def solve(problem: Problem) -> sparse.csr_array:
    """Weights of geodesic bands round the joints.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)
    """
    parts = limbs(problem)
    problem.progress("finding the surface round each bone", 0.0)
    land = divided(problem)
    problem.progress("bands", 0.5)
    found = blend(problem, parts, land)
    problem.progress("bands", 1.0)
    return found


def _digest(*arrays: NDArray[np.generic]) -> bytes:
    """A few bytes that tell arrays from others."""
    found = blake2b(digest_size=16)
    for each in arrays:
        found.update(repr(each.shape).encode() + each.tobytes())
    return found.digest()


def _rooms(parts: list[Limb], count: int) -> NDArray[np.intp]:
    """The limb of each joint, -1 for none, (j,)."""
    found = np.full(count, -1)
    for number, limb in enumerate(parts):
        found[limb.joints] = number
    return found


def _bone_of(parts: list[Limb], number: int, count: int) -> NDArray[np.intp]:
    """For each joint, the bone of one limb that it is on or hangs from; -1 for none, (j + 1,).

    The last is nobody's, whom places between two trees belong to.
    """
    found = parts[number].bone_of(count)
    for other in parts[number + 1 :]:
        if other.hangs >= 0:
            found[other.joints] = found[other.hangs]
    return found


def _stand(
    problem: Problem, parts: list[Limb], land: Territory
) -> dict[int, tuple[NDArray[np.float64], float]]:
    """What each limb that hangs from nothing claims of every place; together they claim all.

    With it comes the length over which they hand over.

    No joint is there to have what lies between two of them, so they hand over to each other,
    half each where they meet; and where several are as near, as those in one place are, all are at
    home and have as much.
    """
    roots = [number for number, limb in enumerate(parts) if limb.hangs < 0]
    if len(roots) == 1:
        return {roots[0]: (np.ones(len(land.points)), np.inf)}
    found, widths, homes = {}, {}, {}
    shared, joint = tied(problem, land)
    for number in roots:
        mine = _bone_of(parts, number, len(problem.skeleton)) >= 0
        homes[number] = np.unique(shared[mine[joint]])
        inside = mine[land.owner]
        inside[homes[number]] = True
        width = parts[number].shortest
        depth = _depth(land, inside, width / 2)
        width = min(width, 2 * float(depth[np.isfinite(depth)].max(initial=0.0))) or 1.0
        depth -= _depth(land, ~inside, width / 2)
        found[number] = curve(parts[number].falloff.shape, 0.5 - depth / width)
        widths[number] = width
    whole, many = np.zeros(len(land.points)), np.zeros(len(land.points))
    for number, home in homes.items():
        whole[home] += found[number][home]
        many[home] += 1
    for number, home in homes.items():
        found[number][home] = whole[home] / many[home]
    total = sum(found.values())
    return {number: (claim / total, widths[number]) for number, claim in found.items()}


def _shares(
    limb: Limb, land: Territory, nodes: NDArray[np.intp], bone: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights of a limb's joints by its profile, and the same but where it turns sharply."""
    along = limb.along(land.points[nodes], bone)
    hangs = limb.hangs >= 0
    if len(limb.points) < 2 or len(nodes) == 0:
        shares = limb.falloff.weights(along, limb.stations, hangs=hangs)
        return shares, shares
    along = _steady(limb, along, land.graph, nodes)
    shares = limb.falloff.weights(along, limb.stations, hangs=hangs)
    return shares, np.where(limb.sharp[limb.bone_at(along), None], np.nan, shares)


def _slopes(limb: Limb, width: float) -> NDArray[np.float64]:
    """How steep its profile is about each joint, by scene unit; the one it hangs from first."""
    found = np.zeros(len(limb.joints) + (limb.hangs >= 0))
    if limb.shortest < np.inf:
        bones = steepest(limb.falloff, limb.stations, limb.hangs >= 0, limb.paces)
        found = np.maximum(np.append(bones, 0), np.append(0, bones))
        found = found[: len(found) - limb.tipped]
    if width < limb.shortest:  # there is no room to let go as gently as along a bone
        found = np.maximum(found, sheer(limb.falloff.shape, width))
    return found


def _steady(
    limb: Limb,
    along: NDArray[np.float64],
    graph: sparse.csr_array,
    nodes: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Positions without the jumps there are where cutting planes cross, inside a sharp bend."""
    gaps = limb.paces
    pace = np.zeros(graph.shape[0])
    pace[nodes] = STRETCH / gaps[limb.bone_at(along)]
    place = np.full(graph.shape[0], np.nan)
    place[nodes] = along
    near = graph if len(nodes) == graph.shape[0] else graph[nodes]
    row = np.repeat(nodes, np.diff(near.indptr))
    allowed = near.data * np.maximum(pace[row], pace[near.indices])
    if not (np.abs(place[row] - place[near.indices]) > allowed).any():
        return along
    steps = sparse.csr_array((allowed, near.indices, near.indptr), shape=near.shape)
    return smoothed(steps[:, nodes], along)


def _hold(limb: Limb, land: Territory, mine: NDArray[np.intp]) -> tuple[NDArray[np.float64], float]:
    """How firmly a limb holds what it owns: 0 at the rim, 1 from a hand-over's width inward."""
    inside = np.zeros(len(land.points), dtype=bool)
    inside[mine] = True
    # No steeper than along its shortest bone, unless all of the limb has no room for that.
    width = limb.shortest
    depth = _depth(land, inside, width, past=0.5)
    width = min(width, float(depth.max(initial=0.0)) or 1.0)
    if not np.isfinite(width):
        width = 1.0
    return 1 - curve(limb.falloff.shape, np.minimum(depth, width) / width), width


def _depth(
    land: Territory, inside: NDArray[np.bool_], limit: float, *, past: float = 0.0
) -> NDArray[np.float64]:
    """Way out of a region from each place in it, 0 outside, (p,); infinite beyond a limit.

    It ends `past` the rim by that share of the last step.
    """
    nodes = np.flatnonzero(inside)
    near = land.graph[nodes]
    row = entry_rows(near)
    out = np.flatnonzero(~inside[near.indices])
    depth = np.where(inside, np.inf, 0.0)
    if len(out):
        # The rim is where the bones on both sides are as far, not where the vertices happen to be.
        ahead = land.away[near.indices[out]] - land.away[nodes][row[out]]
        step = near.data[out]
        rim = np.clip((step + ahead) / 2, 0, step) + past * step
        zero = np.zeros(len(out), dtype=np.intp)
        depth[nodes] = spread(near[:, nodes], row[out], zero, rim, limit=limit)[1]
    return depth

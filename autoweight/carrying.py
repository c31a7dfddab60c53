"""Finished weights on changed geometry: keep what is the same, copy what is near, fill the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linear_sum_assignment
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from autoweight.errors import GeometryError, RecipeError, SkeletonError, WeightsError
from autoweight.methods import Progress, silent
from autoweight.recipe import Recipe
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.solving import solve
from autoweight.surface import Surface, prepare
from autoweight.surface.inpainting import inpaint
from autoweight.surface.matching import SURE, Matches, astray, match

__all__ = ["FILLS", "ORIGINS", "Carried", "carry"]

ORIGINS = ("kept", "interpolated", "filled", "solved")
"""Where the weights of a vertex can come from, as numbered in `Carried.origin`."""

FILLS = ("inpaint", "solve")
"""What can be done where nothing matches."""

KEPT, INTERPOLATED, FILLED, SOLVED = range(4)

SAME_PLACE = 1e-6
"""Bounding-box diagonals within which two vertices are the same one."""

SAME_JOINT = 1e-3
"""Bounding-box diagonals within which a joint of another name is the same one."""

STRAY = 1e-3
"""A solved weight below this is not worth disturbing a kept one for."""

SLOPE = 0.5
"""Bounding-box diagonals that slopes carry into a gap. The paper has 1 unit of the scene."""

LOCK = "_LOCK"


@dataclass(frozen=True, eq=False)
class Carried:
    """What `carry` made of it.

    Parameters
    ----------
    weights : Weights
        For the new mesh and the new skeleton.
    origin : ndarray, shape (n,), uint8
        Which of `ORIGINS` each vertex is.
    confidence : ndarray, shape (n,), float32
        1 where kept, 0.5 to 1 where interpolated, below 0.5 where filled, 0 where solved.
    locks : ndarray, shape (n,), bool, optional
        The locks of the finished rig on the new vertices; none when it had none.
    notes : tuple of str
        What became of joints that only one of the two skeletons has.
    """

    weights: Weights
    origin: NDArray[np.uint8]
    confidence: NDArray[np.float32]
    locks: NDArray[np.bool_] | None
    notes: tuple[str, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Number of vertices of each origin."""
        found = np.bincount(self.origin, minlength=len(ORIGINS))
        return dict(zip(ORIGINS, map(int, found), strict=True))


def carry(
    finished: Rig,
    new: Rig,
    recipe: Recipe | None = None,
    *,
    fill: str = "inpaint",
    reach: float = 0.05,
    angle: float = 30.0,
    progress: Progress = silent,
) -> Carried:
    """Carry the weights of a finished rig over to new geometry.

    Vertices in the same place keep their weights bit for bit. The others take those of the
    nearest place on the finished surface that faces the same way. Where there is none, weights
    are continued over the gap or solved afresh.

    Parameters
    ----------
    finished : Rig
        With weights.
    new : Rig
        The geometry and joints to weight; its own weights are not read. Joints are matched by
        name, then by position.
    recipe : Recipe, optional
        How to solve what is solved: pieces with no match at all, joints that were added, and
        with ``fill='solve'`` all that is filled.
    fill : {'inpaint', 'solve'}
        Continue the weights round a gap into it, or solve it and fade the difference out.
    reach : float
        Greatest distance of a match, in bounding-box diagonals of the finished mesh.
    angle : float
        Greatest angle between the normals of a match, in degrees.
    progress : callable, optional

    Returns
    -------
    Carried

    Raises
    ------
    WeightsError
        The finished rig has no weights.
    SkeletonError
        The two skeletons have no joint in common.
    RecipeError
        No such fill.
    GeometryError
        A mesh that cannot be used, or nothing of the two is near each other.

    References
    ----------
    Abdrashitov, Raichstat, Monsen & Hill, "Robust Skin Weights Transfer via Weight Inpainting",
    SIGGRAPH Asia 2023 technical communications.
    """
    if finished.weights is None:
        raise WeightsError("the finished rig has no weights to carry; solve it first")
    if fill not in FILLS:
        raise RecipeError(f"no fill is named {fill!r}; there are {', '.join(FILLS)}")
    finished_matrix = finished.weights.matrix
    diagonal = finished.mesh.diagonal
    joints, added, notes = _match_joints(finished, finished_matrix, new.skeleton)
    old = sparse.csr_array(finished_matrix @ joints)
    progress("matching", 0.0)
    source, target = prepare(finished.mesh), prepare(new.mesh)
    twin = _twins(finished, old, source, new)

    # From here on one row for each surface vertex, so that no seam can open.
    first = target.speakers
    placed = twin[first] >= 0
    search = {"reach": reach * diagonal, "angle": float(np.radians(angle))}
    matches = match(source, target, **search)
    on_source = sparse.csr_array(_mean(source) @ old)
    copied = _normalised(matches.interpolator @ on_source)
    rows = _where(placed, old[np.maximum(twin[first], 0)], copied)
    place = np.where(placed[:, None], target.vertices, matches.interpolator @ source.vertices)
    sure = placed | (matches.distance <= SURE * diagonal)
    known = placed | matches.found
    known &= ~astray(source, target, place, sure, known, on_source, rows, **search)
    if not known.any():
        raise GeometryError(
            f"nothing of the new mesh lies within {reach:g} bounding-box diagonals of the "
            "finished one; check that both are in one place and one unit"
        )
    origin = np.where(placed, KEPT, np.where(known, INTERPOLATED, FILLED))
    locks = _locks(finished, source, matches, placed, twin[first])

    progress("filling", 0.5)
    lost = ~np.isin(target.components, np.unique(target.components[known]))
    if fill == "solve":
        lost = ~known
    afresh = sparse.csr_array(rows.shape)
    if lost.any() or added.any():
        afresh = solve(replace(new, weights=None), recipe, progress=progress).matrix[first]
    share = _share_of(added, afresh, locks)
    rows = _where(known, _mixed(rows, share), rows)
    if fill == "solve":
        fade = inpaint(target, known, rows - afresh, span=search["reach"], fade=True)
        rows = _where(known, rows, _normalised(afresh + fade))
    elif not known.all():
        spread = _normalised(inpaint(target, known, rows, span=SLOPE * diagonal))
        rows = _where(known, rows, _where(lost, afresh, spread))
    moved = np.diff(share.indptr) > 0
    origin[lost | (moved & known)] = SOLVED
    confidence = _confidence(target, matches, origin, known, search["reach"])

    # Back to the vertices of the file; seams that differed in the finished file still do.
    weld, own = target.weld, twin >= 0
    kept = _mixed(old[np.maximum(twin, 0)], share[weld])
    origin, confidence = origin[weld], confidence[weld]
    still = own & ~moved[weld]
    origin[still], confidence[still] = KEPT, 1
    if locks is not None:
        locks = np.where(own, _locked(finished)[np.maximum(twin, 0)], locks[weld])
    progress("filling", 1.0)
    return Carried(
        Weights(_where(own, kept, rows[weld])),
        origin.astype(np.uint8),
        confidence.astype(np.float32),
        locks,
        notes,
    )


def _match_joints(
    finished: Rig, weights: sparse.csr_array, target: Skeleton
) -> tuple[sparse.csr_array, NDArray[np.bool_], tuple[str, ...]]:
    """Where each joint's weight goes, (j, new j); the joints that are new; what to tell."""
    source = finished.skeleton
    goes = np.array([target.index.get(name, -1) for name in source.names])
    gone, fresh = np.flatnonzero(goes < 0), np.setdiff1d(np.arange(len(target)), goes)
    notes = []
    if len(gone) and len(fresh):
        apart = cdist(source.positions[gone], target.positions[fresh])
        limit = SAME_JOINT * finished.mesh.diagonal
        old, new = linear_sum_assignment(np.minimum(apart, 2 * limit))
        near = apart[old, new] <= limit
        goes[gone[old[near]]] = fresh[new[near]]
        notes += [
            f"joint {source.names[a]!r} is {target.names[b]!r} now: it is in the same place"
            for a, b in zip(gone[old[near]], fresh[new[near]], strict=True)
        ]
    kept = goes >= 0
    if not kept.any():
        raise SkeletonError(
            f"none of the {len(source)} finished joints is among the {len(target)} new ones by "
            "name or by place; give the skeleton they share"
        )
    for joint in np.flatnonzero(~kept):
        heir = source.parents[joint]
        while heir >= 0 and not kept[heir]:
            heir = source.parents[heir]
        if heir < 0:  # a root went: the nearest joint that stays stands in
            apart = np.linalg.norm(source.positions - source.positions[joint], axis=1)
            heir = int(np.where(kept, apart, np.inf).argmin())
        goes[joint] = goes[heir]
        vertices = weights[:, [joint]].nnz
        notes.append(
            f"joint {source.names[joint]!r} is gone: the weight of its {vertices} vertices goes "
            f"to {target.names[goes[heir]]!r}"
        )
    added = np.ones(len(target), dtype=bool)
    added[goes] = False
    notes += [f"joint {target.names[each]!r} is new: solved" for each in np.flatnonzero(added)]
    table = sparse.csr_array(
        (np.ones(len(source)), (np.arange(len(source)), goes)), shape=(len(source), len(target))
    )
    return table, added, tuple(notes)


def _twins(finished: Rig, weights: sparse.csr_array, source: Surface, new: Rig) -> NDArray[np.intp]:
    """The finished vertex in the same place as each new one, -1 where there is none.

    Where several finished vertices with different weights share a place, the one that belongs to
    a part of the same name and faces most nearly the same way is it.
    """
    before, now = finished.mesh, new.mesh
    if np.array_equal(before.vertices, now.vertices):
        return np.arange(len(now.vertices))
    distance, found = cKDTree(before.vertices).query(
        now.vertices, distance_upper_bound=SAME_PLACE * before.diagonal
    )
    twin = np.where(np.isfinite(distance), found, -1)
    stands = source.speakers[source.weld]
    unlike = weights - weights[stands]
    unlike.eliminate_zeros()
    split = np.zeros(len(source), dtype=bool)
    split[source.weld[np.diff(unlike.indptr) > 0]] = True
    asking = np.flatnonzero((twin >= 0) & split[source.weld[twin]])
    if len(asking) == 0:
        return twin

    order = np.argsort(source.weld, kind="stable")
    begin = np.searchsorted(source.weld[order], np.arange(len(source) + 1))
    group = source.weld[twin[asking]]
    count = begin[group + 1] - begin[group]
    who = np.repeat(asking, count)
    offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    candidate = order[np.repeat(begin[group], count) + offset]
    apart = np.linalg.norm(before.vertices[candidate] - now.vertices[who], axis=1)
    other_part = _part_names(finished)[candidate] != _part_names(new)[who]
    facing = np.einsum("kx,kx->k", _file_normals(finished)[candidate], _file_normals(new)[who])
    best = np.lexsort((candidate, -facing, other_part, apart > SAME_PLACE * before.diagonal, who))
    leads = np.r_[True, who[best][1:] != who[best][:-1]]
    twin[who[best][leads]] = candidate[best][leads]
    return twin


def _part_names(rig: Rig) -> NDArray[np.str_]:
    names = np.full(len(rig.mesh.vertices), "", dtype=object)
    for part in rig.mesh.parts:
        names[part.vertices] = part.name
    return names


def _file_normals(rig: Rig) -> NDArray[np.float64]:
    """Vertex normals of the mesh as it is in the file, seams open."""
    corners = rig.mesh.vertices[rig.mesh.faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    found = np.zeros_like(rig.mesh.vertices)
    np.add.at(found, rig.mesh.faces.ravel(), np.repeat(area, 3, axis=0))
    length = np.linalg.norm(found, axis=1, keepdims=True)
    return np.divide(found, length, out=found, where=length > 0)


def _mean(surface: Surface) -> sparse.csr_array:
    """The matrix that averages file vertices over each surface vertex."""
    share = 1 / np.bincount(surface.weld, minlength=len(surface))
    return sparse.csr_array(
        (share[surface.weld], (surface.weld, np.arange(len(surface.weld)))),
        shape=(len(surface), len(surface.weld)),
    )


def _normalised(rows: sparse.sparray) -> sparse.csr_array:
    """Rows without negative values, scaled to sum to 1; empty rows stay so."""
    rows = sparse.csr_array(rows, copy=True)
    rows.data = np.maximum(rows.data, 0)
    rows.eliminate_zeros()
    sums = np.asarray(rows.sum(axis=1)).ravel()
    scale = np.divide(1.0, sums, out=np.zeros_like(sums), where=sums > 0)
    rows.data *= np.repeat(scale, np.diff(rows.indptr))
    return rows


def _where(chosen: NDArray[np.bool_], yes: sparse.sparray, no: sparse.sparray) -> sparse.csr_array:
    """Rows of one matrix or of another, bit for bit."""
    count = len(chosen)
    row = np.arange(count)
    return sparse.vstack([yes, no], format="csr")[np.where(chosen, row, row + count)]


def _share_of(
    added: NDArray[np.bool_], solved: sparse.csr_array, locks: NDArray[np.bool_] | None
) -> sparse.csr_array:
    """The solved weights of joints that were added, where they may go."""
    share = sparse.csr_array(solved @ sparse.diags_array(added.astype(float)))
    if locks is not None:
        share = sparse.csr_array(sparse.diags_array((~locks).astype(float)) @ share)
    share.data[share.data < STRAY] = 0
    share.eliminate_zeros()
    return share


def _mixed(rows: sparse.csr_array, share: sparse.csr_array) -> sparse.csr_array:
    """Rows that give way to a share for others; those that need not stay bit for bit."""
    taken = np.asarray(share.sum(axis=1)).ravel()
    mixed = _normalised(sparse.diags_array(1 - taken) @ rows + share)
    return _where(taken > 0, mixed, rows)


def _confidence(
    surface: Surface,
    matches: Matches,
    origin: NDArray[np.intp],
    known: NDArray[np.bool_],
    span: float,
) -> NDArray[np.float64]:
    """How much to trust each vertex of the surface, 0 to 1."""
    found = np.select([origin == KEPT, origin == SOLVED], [1.0, 0.0])
    copied = origin == INTERPOLATED
    found[copied] = 1 - 0.5 * np.maximum(
        matches.distance[copied] / span, 1 - np.clip(matches.cosine[copied], 0, 1)
    )
    filled = origin == FILLED
    if filled.any():
        away = dijkstra(surface.adjacency, indices=np.flatnonzero(known), min_only=True)
        found[filled] = 0.5 * np.exp(-away[filled] / span)
    return found


def _locked(finished: Rig) -> NDArray[np.bool_]:
    values = np.asarray(finished.attributes[LOCK]).reshape(len(finished.mesh.vertices), -1)
    return values[:, 0] > 0.5


def _locks(
    finished: Rig,
    source: Surface,
    matches: Matches,
    placed: NDArray[np.bool_],
    twin: NDArray[np.intp],
) -> NDArray[np.bool_] | None:
    """Locks on the new surface: where a vertex is the same, or lies amid locked ones."""
    if LOCK not in finished.attributes:
        return None
    locked = _locked(finished)
    amid = matches.interpolator @ (_mean(source) @ locked.astype(float)) > 1 - 1e-9
    return np.where(placed, locked[np.maximum(twin, 0)], amid)

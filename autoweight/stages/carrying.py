"""Finished weights on changed geometry: keep what is the same, copy what is near, fill the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError, RecipeError, WeightsError, few
from autoweight.methods import Progress, silent
from autoweight.recipes.recipe import Recipe, Tidy
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import normalised, ranks, replaced
from autoweight.skeleton.bones import bones, frames
from autoweight.stages.solving import solve
from autoweight.surface import Surface, prepare
from autoweight.surface.doubting import astray, lonely, vague
from autoweight.surface.inpainting import inpaint
from autoweight.surface.matching import match
from autoweight.surface.places import Ground
from autoweight.surface.prepare import vertex_normals
from autoweight.surface.visibility import Sight
from autoweight.weights.inheriting import follow, inherit
from autoweight.weights.locks import ATTRIBUTE, Locks, marked
from autoweight.weights.tidying import quantise, tidy

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

NAMED = 3
"""Joints that a note names before the rest are only counted."""

SLOPE = 0.5
"""Bounding-box diagonals that slopes carry into a gap. The paper has 1 unit of the scene."""


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
    locks : ndarray, shape (n,), optional
        The locks of the finished rig on the new vertices, not 0 where locked, of the type that its
        attribute has; none when it had none.
    notes : tuple of str
        What became of joints that only one of the two skeletons has, and what was solved.
    """

    weights: Weights
    origin: NDArray[np.uint8]
    confidence: NDArray[np.float32]
    locks: NDArray[Any] | None
    notes: tuple[str, ...]

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Vertices whose weights are those of the finished rig, bit for bit, (n,)."""
        return self.origin == KEPT

    def held(self, skeleton: Skeleton) -> Locks | None:
        """What later steps must leave alone: the locked rows, as they were carried."""
        if self.locks is None:
            return None
        return Locks.of_rows(self.locks != 0, self.weights, skeleton)

    def finished(
        self, new: Rig, how: Tidy, *, surface: Surface | None = None, untouched: bool = False
    ) -> Rig:
        """The new rig with these weights, ready to be written.

        Parameters
        ----------
        new : Rig
            They were carried onto.
        how : Tidy
            Cap, prune and precision.
        surface : Surface, optional
            ``prepare(new.mesh)``, when it is there already.
        untouched : bool
            Leave vertices that are `kept` as they were finished, whatever `how` says.

        Returns
        -------
        Rig
            With the carried locks as an attribute of its mesh, and locked rows left alone.

        Raises
        ------
        RecipeError
            See `autoweight.weights.tidying.tidy`.
        """
        held = self.held(new.skeleton)
        weights = tidy(
            self.weights, how, mesh=new.mesh, skeleton=new.skeleton, locks=held, surface=surface
        )
        if untouched:
            same = np.flatnonzero(self.kept)
            weights = Weights(replaced(weights.matrix, same, self.weights.matrix[same]))
        marks = {} if self.locks is None else {ATTRIBUTE: self.locks}
        return replace(
            new,
            weights=quantise(weights, how.bits, locks=held),
            attributes={**new.attributes, **marks},
        )

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
    surface: Surface | None = None,
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
    surface : Surface, optional
        ``prepare(new.mesh)``, when it is there already.
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
    progress("matching", 0.0)
    slack = SAME_PLACE * new.mesh.diagonal
    before, after, matrix = finished.skeleton, new.skeleton, finished.weights.matrix
    heirs = inherit(before, after, matrix, near=SAME_JOINT * finished.mesh.diagonal)
    old = sparse.csr_array(matrix @ heirs.table)
    source, target = prepare(finished.mesh), surface or prepare(new.mesh)
    twin = _twins(finished, old, source, new)

    # From here on one row for each surface vertex, so that no seam can open.
    kept = _taken(old, twin[target.speakers])
    on_source = sparse.csr_array(source.mean @ old)
    moved = follow(source.vertices, on_source, before, after, heirs, slack=slack)
    ground = Ground(replace(source, vertices=moved))
    copy = _copied(ground, target, on_source, kept, reach * ground.diagonal, np.radians(angle))
    locks = _locks(finished, source, copy, twin[target.speakers])

    progress("filling", 0.5)
    solved, reasons = _to_solve(target, after, copy.known, copy.rows, fill)
    afresh = sparse.csr_array(copy.rows.shape)
    if solved.any() or heirs.added.any():
        # Locks keep what a rig has, and this one has nothing; what they kept is carried.
        alone = replace(recipe or Recipe(), lock=())
        bare = replace(new, weights=None)
        afresh = solve(bare, alone, surface=target, progress=progress).matrix
        afresh = afresh[target.speakers]
    share = _share_of(heirs.added, afresh, locks)
    copy = replace(copy, rows=_where(copy.known, _mixed(copy.rows, share), copy.rows))
    rows = _filled(target, copy, solved, afresh, ground.diagonal)
    shared = np.diff(share.indptr) > 0
    origin = np.where(copy.placed, KEPT, np.where(copy.known, INTERPOLATED, FILLED))
    origin[solved | (shared & copy.known)] = SOLVED
    confidence = _confidence(target, copy, origin)

    # Back to the vertices of the file; seams that differed in the finished file still do.
    weld, own = target.weld, twin >= 0
    origin, confidence = origin[weld], confidence[weld]
    still = own & ~shared[weld]
    origin[still], confidence[still] = KEPT, 1
    if locks is not None:
        locks = np.where(own, marked(finished)[np.maximum(twin, 0)], locks[weld])
    progress("filling", 1.0)
    return Carried(
        Weights(_where(own, _mixed(_taken(old, twin), share[weld]), rows[weld])),
        origin.astype(np.uint8),
        confidence.astype(np.float32),
        None if locks is None else locks.astype(finished.attributes[ATTRIBUTE].dtype),
        heirs.notes + reasons,
    )


@dataclass(frozen=True, eq=False)
class _Copy:
    """What the new surface has from the finished one.

    Parameters
    ----------
    rows : csr_array, shape (n, j)
        Weights of the surface vertices, empty where they are not known.
    known, placed : ndarray, shape (n,), bool
        Where they are, and where the vertex is where it was.
    interpolator : csr_array, shape (n, s)
        From the vertices of the finished surface to the places matched.
    trust : ndarray, shape (n,)
        How well the match fits, 0.5 to 1.
    reach : float
        How far off a match may be, in scene units.
    """

    rows: sparse.csr_array
    known: NDArray[np.bool_]
    placed: NDArray[np.bool_]
    interpolator: sparse.csr_array
    trust: NDArray[np.float64]
    reach: float


def _copied(
    ground: Ground,
    target: Surface,
    on_source: sparse.csr_array,
    kept: sparse.csr_array,
    reach: float,
    angle: float,
) -> _Copy:
    """Keep what is kept, and copy what can be matched beyond doubt."""
    placed = np.diff(kept.indptr) > 0
    matches = match(ground, target, reach=reach, angle=angle)
    places = matches.places
    interpolator = places.interpolator(ground.surface)
    rows = _where(placed, kept, normalised(interpolator @ on_source))
    place = np.where(placed[:, None], target.vertices, places.position)
    sure = placed | matches.sure
    known = placed | matches.found
    known &= ~vague(ground, target, place, known & ~sure, on_source, rows)
    known &= ~lonely(target, sure, known)
    known &= ~astray(ground, target, place, sure, known, on_source, rows)
    if not known.any():
        raise GeometryError(
            f"nothing of the new mesh lies within {reach:g} units of the finished one; check "
            "that both are in one place and one unit"
        )
    off = np.maximum(places.distance / reach, 1 - np.clip(matches.cosine, 0, 1))
    return _Copy(rows, known, placed, interpolator, 1 - 0.5 * np.clip(off, 0, 1), reach)


def _filled(
    target: Surface,
    copy: _Copy,
    solved: NDArray[np.bool_],
    afresh: sparse.csr_array,
    diagonal: float,
) -> sparse.csr_array:
    """Known rows as they are, the solved ones led over to them, the rest continued from them."""
    rows = copy.rows
    if not (copy.known | solved).all():
        spread = normalised(inpaint(target, copy.known, rows, span=SLOPE * diagonal))
        rows = _where(copy.known, rows, spread)
    if solved.any():
        fade = inpaint(target, ~solved, sparse.csr_array(rows - afresh), span=copy.reach, fade=True)
        rows = _where(solved, normalised(afresh + fade), rows)
    return rows


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
    candidate = order[np.repeat(begin[group], count) + ranks(count)]
    apart = np.linalg.norm(before.vertices[candidate] - now.vertices[who], axis=1)
    other_part = _part_names(finished)[candidate] != _part_names(new)[who]
    # Of the meshes as they are in their files, seams open.
    these, those = (vertex_normals(mesh.vertices, mesh.faces) for mesh in (before, now))
    facing = np.einsum("kx,kx->k", these[candidate], those[who])
    best = np.lexsort((candidate, -facing, other_part, apart > SAME_PLACE * before.diagonal, who))
    leads = np.r_[True, who[best][1:] != who[best][:-1]]
    twin[who[best][leads]] = candidate[best][leads]
    return twin


def _part_names(rig: Rig) -> NDArray[np.str_]:
    names = np.full(len(rig.mesh.vertices), "", dtype=object)
    for part in rig.mesh.parts:
        names[part.vertices] = part.name
    return names


def _taken(rows: sparse.csr_array, which: NDArray[np.integer]) -> sparse.csr_array:
    """Rows by their numbers, bit for bit; empty ones for -1."""
    found = rows[np.maximum(which, 0)]
    return _where(which >= 0, found, sparse.csr_array(found.shape))


def _where(chosen: NDArray[np.bool_], yes: sparse.sparray, no: sparse.sparray) -> sparse.csr_array:
    """Rows of one matrix or of another, bit for bit."""
    rows = np.flatnonzero(chosen)
    return replaced(sparse.csr_array(no), rows, sparse.csr_array(yes)[rows])


def _to_solve(
    target: Surface,
    skeleton: Skeleton,
    known: NDArray[np.bool_],
    rows: sparse.csr_array,
    fill: str,
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """The vertices that nothing around can be continued to, (n,), and why, in words.

    Those are pieces without any match, and gaps in which there are joints that have no weight on
    their rim: a fill knows nothing of such joints, and would leave them without vertices.
    """
    unknown = ~known
    if fill == "solve" or not unknown.any():
        return unknown, ()
    edges = target.edges[unknown[target.edges].all(axis=1)]
    linked = sparse.coo_array((np.ones(len(edges)), edges.T), shape=(len(target),) * 2)
    gap = connected_components(linked, directed=False)[1]
    rim = target.edges[unknown[target.edges].sum(axis=1) == 1]
    inner = np.where(unknown[rim[:, 0]], rim[:, 0], rim[:, 1])
    outer = np.where(unknown[rim[:, 0]], rim[:, 1], rim[:, 0])
    shape = (gap.max() + 1, len(target))
    beside = sparse.coo_array((np.ones(len(rim)), (gap[inner], outer)), shape=shape).tocsr()
    around = sparse.csr_array(beside @ rows)

    # Half-way along a bone tells better whose flesh is around it than the joint itself does.
    limbs = bones(skeleton, frame=frames(skeleton, Sight(target).depth))
    nearest = cKDTree(target.vertices).query((limbs.head + limbs.tail) / 2)[1]
    at = np.flatnonzero(unknown[nearest] & (limbs.tail != limbs.head).any(axis=1))
    regions, which = np.unique(gap[nearest[at]], return_inverse=True)
    at = at[around[regions].toarray()[which, limbs.joint[at]] < STRAY]
    bare = np.setdiff1d(gap[unknown], gap[inner])
    chosen = unknown & np.isin(gap, np.concatenate([gap[nearest[at]], bare]))
    reasons = []
    for each in np.unique(gap[nearest[at]]):
        names = [skeleton.names[joint] for joint in limbs.joint[at[gap[nearest[at]] == each]]]
        reasons.append(
            f"a gap of {int((gap == each).sum())} vertices is solved: nothing round it has weight "
            f"of {few(names, NAMED)}"
        )
    return chosen, tuple(reasons)


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
    taken = share.sum(axis=1)
    mixed = normalised(sparse.diags_array(1 - taken) @ rows + share)
    return _where(taken > 0, mixed, rows)


def _confidence(target: Surface, copy: _Copy, origin: NDArray[np.integer]) -> NDArray[np.float64]:
    """How much to trust each vertex of the surface, 0 to 1."""
    found = np.select(
        [origin == KEPT, origin == INTERPOLATED, origin == SOLVED], [1.0, copy.trust, 0.0]
    )
    filled = origin == FILLED
    if filled.any():
        away = dijkstra(target.adjacency, indices=np.flatnonzero(copy.known), min_only=True)
        found[filled] = 0.5 * np.exp(-away[filled] / copy.reach)
    return found


def _locks(
    finished: Rig, source: Surface, copy: _Copy, twin: NDArray[np.integer]
) -> NDArray[np.bool_] | None:
    """Locks on the new surface: where a vertex is the same, or lies amid locked ones."""
    if ATTRIBUTE not in finished.attributes:
        return None
    locked = marked(finished)
    amid = copy.interpolator @ (source.mean @ locked.astype(float)) > 1 - 1e-9
    return np.where(copy.placed, locked[np.maximum(twin, 0)], amid & copy.known)

"""Where each point of one surface lies on another: the nearest place on the same side."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from autoweight.surface.prepare import Surface

__all__ = ["SURE", "Matches", "astray", "match"]

SURE = 1e-3
"""Bounding-box diagonals within which a match lies on the surface itself."""

TWIN_SHARE = 0.02
"""Share of a piece's sure matches that makes a piece of the source one of its counterparts."""

JUMP = 0.25
"""Sum of absolute differences between neighbours from which they may be on different layers."""

STEPS = 16
"""Steps in which the edge between them is walked."""

LEAP = 3.0
"""Steps that the nearest place may move in one."""

CHUNK = 1 << 16
"""Pairs of rows compared at a time."""

DIRECTIONS = 128
"""Directions that normals are sorted into when a nearest place faces the wrong way."""


@dataclass(frozen=True, eq=False)
class Matches:
    """Places on a source surface.

    Parameters
    ----------
    face : ndarray, shape (n,), int32
        Face of the source, -1 where nothing suits.
    interpolator : csr_array, shape (n, s)
        Takes values on the vertices of the source to the places; rows without a match are empty.
    distance : ndarray, shape (n,)
        In scene units; infinite without a match.
    cosine : ndarray, shape (n,)
        Of the angle between the normals.
    """

    face: NDArray[np.int32]
    interpolator: sparse.csr_array
    distance: NDArray[np.float64]
    cosine: NDArray[np.float64]

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether each point has a match, (n,)."""
        return self.face >= 0


def match(source: Surface, target: Surface, *, reach: float, angle: float) -> Matches:
    """Match the vertices of one surface to places on another.

    The nearest place is taken if it is near enough and faces the same way, as in Abdrashitov et
    al., "Robust Skin Weights Transfer via Weight Inpainting" (SIGGRAPH Asia 2023 technical
    communications). Where it faces another way, as across the gap between two fingers, the
    nearest place that faces the right way is taken instead. A piece of the target that lies on
    pieces of the source, as a body does within its coat, is matched to those pieces alone.

    Parameters
    ----------
    source, target : Surface
    reach : float
        Greatest distance, in scene units.
    angle : float
        Greatest angle between the normals, in radians. Matches that lie on the surface itself
        may differ up to a right angle, since edges there may be sharp.

    Returns
    -------
    Matches
        One for each vertex of the target.
    """
    found = _Search(source, target.vertices, target.normals, reach, angle)
    found.nearest(np.arange(len(target)), np.arange(len(source.faces)))
    found.turn_inside_out(target.components)
    found.keep_to_counterparts(target.components)
    found.face_the_right_way()
    return found.matches()


def astray(
    source: Surface,
    target: Surface,
    place: NDArray[np.float64],
    sure: NDArray[np.bool_],
    known: NDArray[np.bool_],
    values: sparse.csr_array,
    rows: sparse.csr_array,
    *,
    reach: float,
    angle: float,
) -> NDArray[np.bool_]:
    """Matches on the wrong one of two layers that lie close together.

    Where the values of two neighbours differ much, the edge between them is walked: on one layer
    they change step by step; from one layer to another the nearest place leaps, and they with
    it. Of the two sides of a leap the one with fewer sure vertices is astray. Layers with the
    same values need not be told apart. A place amid vertices without one is a coincidence.

    Parameters
    ----------
    source, target : Surface
    place : ndarray, shape (n, 3)
        Where each vertex of the target is on the source.
    sure, known : ndarray, shape (n,), bool
        Vertices that lie on the source itself, and all that have a place.
    values, rows : csr_array, shape (s, j) and (n, j)
        On the vertices of the source, and as interpolated at the places.
    reach, angle : float
        As for `match`.

    Returns
    -------
    ndarray, shape (n,), bool
    """
    linked = sparse.csr_array(target.adjacency > 0).astype(float)
    beside, about = linked @ known.astype(float), linked @ np.ones(len(target))
    lost = known & ~sure & (beside < about / 3)
    known = known & ~lost
    edges = target.edges[known[target.edges].all(axis=1)]
    edges = edges[~sure[edges].all(axis=1)]
    jump = _difference(rows, edges[:, 0], edges[:, 1])
    edges, jump = edges[jump > JUMP], jump[jump > JUMP]
    if len(edges) == 0:
        return lost

    share = np.linspace(0, 1, STEPS + 1)[1:-1, None, None]
    start, end = (target.vertices[edges[:, each]] for each in (0, 1))
    walk = ((1 - share) * start + share * end).reshape(-1, 3)
    facing = (1 - share) * target.normals[edges[:, 0]] + share * target.normals[edges[:, 1]]
    search = _Search(source, walk, facing.reshape(-1, 3), reach, angle)
    search.nearest(np.arange(len(walk)), np.arange(len(source.faces)))
    search.face_the_right_way()
    between = search.interpolator(np.arange(len(walk))) @ values
    stops = np.concatenate([place[edges[:, 0]][None], search.place.reshape(STEPS - 1, -1, 3)])
    stops = np.concatenate([stops, place[edges[:, 1]][None]])
    leap = np.linalg.norm(np.diff(stops, axis=0), axis=2)
    step = np.linalg.norm(end - start, axis=1) / STEPS
    both = sparse.vstack([rows[edges[:, 0]], between, rows[edges[:, 1]]], format="csr")
    many = len(edges)
    change = _difference(both, np.arange(STEPS * many), np.arange(many, (STEPS + 1) * many))
    broken = ((leap > LEAP * step) & (change.reshape(STEPS, many) > jump / 2)).any(axis=0)
    edges = edges[broken]
    if len(edges) == 0:
        return lost

    whole = target.edges[known[target.edges].all(axis=1)]
    cut = np.isin(whole @ [len(target), 1], edges @ [len(target), 1])
    whole = whole[~cut]
    graph = sparse.coo_array((np.ones(len(whole)), whole.T), shape=(len(target),) * 2)
    cluster = connected_components(graph, directed=False)[1]
    strength = np.bincount(cluster, sure + known / len(target))
    pairs = np.unique(np.sort(cluster[edges], axis=1), axis=0)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    weak: set[int] = set()
    for each in sorted(np.unique(pairs), key=lambda one: (-strength[one], one)):
        if each in weak:
            continue
        beside = np.setdiff1d(pairs[(pairs == each).any(axis=1)], each)
        weak.update(int(other) for other in beside if strength[other] <= strength[each])
    lost |= np.isin(cluster, sorted(weak))
    # A leap within one cluster: the end farther from the source is the doubtful one.
    inner = edges[cluster[edges[:, 0]] == cluster[edges[:, 1]]]
    away = np.linalg.norm(place - target.vertices, axis=1)
    lost[np.where(away[inner[:, 0]] > away[inner[:, 1]], inner[:, 0], inner[:, 1])] = True
    return lost & ~sure


def _difference(
    rows: sparse.csr_array, first: NDArray[np.integer], second: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Sum of absolute differences between pairs of rows, in bounded memory."""
    found = np.empty(len(first))
    for start in range(0, len(first), CHUNK):
        chunk = slice(start, start + CHUNK)
        found[chunk] = abs(rows[first[chunk]] - rows[second[chunk]]).sum(axis=1)
    return found


class _Search:
    """The best match so far for every point."""

    def __init__(
        self,
        source: Surface,
        vertices: NDArray[np.float64],
        facing: NDArray[np.float64],
        reach: float,
        angle: float,
    ) -> None:
        self.source, self.vertices, self.facing = source, vertices, facing
        self.reach, self.cosine_limit = reach, np.cos(angle)
        self.sure = SURE * np.linalg.norm(np.ptp(source.vertices, axis=0))
        self.flat = igl.per_face_normals(source.vertices, source.faces, np.zeros(3))
        self.face = np.zeros(len(vertices), dtype=np.int32)
        self.place = np.zeros((len(vertices), 3))
        self.distance = np.full(len(vertices), np.inf)

    def nearest(self, points: NDArray[np.intp], faces: NDArray[np.intp]) -> None:
        """Match points to the nearest of some faces."""
        chosen = self.source.faces[faces].astype(np.int64)
        queries = np.ascontiguousarray(self.vertices[points])
        squared, index, place = igl.point_mesh_squared_distance(
            queries, self.source.vertices, chosen
        )
        self.face[points] = faces[index]
        self.place[points] = place
        self.distance[points] = np.sqrt(squared)

    def coordinates(self, points: NDArray[np.intp]) -> NDArray[np.float64]:
        corners = self.source.vertices[self.source.faces[self.face[points]]]
        found = igl.barycentric_coordinates(
            np.ascontiguousarray(self.place[points]),
            *(np.ascontiguousarray(corners[:, each]) for each in range(3)),
        )
        found = np.clip(found, 0, 1)
        sums = found.sum(axis=1, keepdims=True)
        # A sliver has no barycentric coordinates worth the name: take its nearest corner.
        sliver = ~(np.isfinite(sums).ravel() & (sums.ravel() > 0.5))
        if sliver.any():
            apart = np.linalg.norm(corners[sliver] - self.place[points[sliver], None], axis=2)
            found[sliver] = np.eye(3)[apart.argmin(axis=1)]
            sums[sliver] = 1
        return found / sums

    def cosine(self, points: NDArray[np.intp]) -> NDArray[np.float64]:
        """Agreement of normals, with the smooth or the flat one, whichever is better.

        Near a sharp edge one of them tilts and the other does not, depending on the triangles.
        """
        face = self.face[points]
        smooth = np.einsum(
            "pc,pcx->px", self.coordinates(points), self.source.normals[self.source.faces[face]]
        )
        length = np.linalg.norm(smooth, axis=1, keepdims=True)
        smooth = np.divide(smooth, length, out=np.zeros_like(smooth), where=length > 0)
        facing = self.facing[points]
        return np.maximum(
            np.einsum("px,px->p", smooth, facing), np.einsum("px,px->p", self.flat[face], facing)
        )

    def suits(self, points: NDArray[np.intp]) -> NDArray[np.bool_]:
        near = self.distance[points]
        limit = np.where(near <= self.sure, 0.0, self.cosine_limit)
        return (near <= self.reach) & (self.cosine(points) > limit)

    def turn_inside_out(self, piece: NDArray[np.int32]) -> None:
        """Flip the normals of every piece that faces against the source.

        Such a piece was exported inside out, or is a lining. One that lies on the source itself
        tells by that; another is flipped only if most of it has no match that faces its way.
        """
        near = self.distance <= self.reach
        sure = self.distance <= self.sure
        cosine, count = self.cosine(np.arange(len(piece))), piece.max() + 1
        against, along = cosine < -self.cosine_limit, cosine > self.cosine_limit
        other = self.copy()
        other.face_the_right_way()
        suited = other.suits(np.arange(len(piece)))

        def tally(chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
            return np.bincount(piece[chosen], minlength=count)

        flip = np.where(
            tally(sure) > tally(near) / 2,
            tally(against & sure) > tally(along & sure),
            (tally(against & near) > tally(along & near)) & (tally(suited) < tally(near) / 2),
        )
        self.facing = np.where(flip[piece][:, None], -self.facing, self.facing)

    def keep_to_counterparts(self, piece: NDArray[np.int32]) -> None:
        """Match pieces that lie on pieces of the source to those alone, the others elsewhere."""
        theirs = self.source.components[self.source.faces[:, 0]]
        if theirs.max() == 0:
            return
        every = np.arange(len(piece))
        landed = theirs[self.face]
        sure = (self.distance <= self.sure) & self.suits(every)
        shape = (piece.max() + 1, theirs.max() + 1)
        votes = sparse.coo_array((sure.astype(float), (piece, landed)), shape=shape).tocsr()
        size = np.bincount(piece, minlength=shape[0])
        total = np.asarray(votes.sum(axis=1)).ravel()
        settled = total > size / 2
        claimed = np.zeros(shape[1], dtype=bool)
        for each in np.flatnonzero(settled):
            row = slice(votes.indptr[each], votes.indptr[each + 1])
            own = votes.indices[row][votes.data[row] >= TWIN_SHARE * total[each]]
            claimed[own] = True
            stray = np.flatnonzero((piece == each) & ~np.isin(landed, own))
            if len(stray):
                self.nearest(stray, np.flatnonzero(np.isin(theirs, own)))
        # What another piece lies on is hardly the old form of one that does not.
        rest = np.flatnonzero(~settled[piece])
        if claimed.all() or not claimed.any() or len(rest) == 0:
            return
        aside = self.copy()
        aside.nearest(rest, np.flatnonzero(~claimed[theirs]))
        good = np.bincount(piece[rest], aside.suits(rest), minlength=shape[0])
        self.take(aside, rest[(good > size / 2)[piece[rest]]])

    def face_the_right_way(self) -> None:
        """Give points whose match faces the opposite way the nearest that does not.

        A match that is merely tilted is no other layer but a change of shape; what faces the
        right way is then somewhere else along the same surface.
        """
        wrong = np.flatnonzero(self.distance <= self.reach)
        wrong = wrong[self.cosine(wrong) <= 0]
        directions = _directions(DIRECTIONS)
        toward = cKDTree(directions).query(self.facing[wrong])[1]
        # Half the spacing of the directions, so that none within the cone is missed.
        slack = np.sqrt(4 / DIRECTIONS)
        limit = np.cos(min(np.arccos(self.cosine_limit) + slack, np.pi / 2))
        other = self.copy()
        for each in np.unique(toward):
            faces = np.flatnonzero(self.flat @ directions[each] >= limit)
            if len(faces):
                other.nearest(wrong[toward == each], faces)
        self.take(other, wrong[other.suits(wrong)])

    def copy(self) -> _Search:
        twin = copy(self)
        twin.face, twin.place = self.face.copy(), self.place.copy()
        twin.distance = self.distance.copy()
        return twin

    def take(self, other: _Search, points: NDArray[np.intp]) -> None:
        """Take the matches of some points from another search."""
        self.face[points] = other.face[points]
        self.place[points] = other.place[points]
        self.distance[points] = other.distance[points]

    def interpolator(self, points: NDArray[np.intp]) -> sparse.csr_array:
        """The matrix that takes values on the source to points."""
        columns = self.source.faces[self.face[points]]
        return sparse.csr_array(
            (self.coordinates(points).ravel(), (np.repeat(points, 3), columns.ravel())),
            shape=(len(self.face), len(self.source)),
        )

    def matches(self) -> Matches:
        """What suits."""
        every = np.arange(len(self.face))
        good = self.suits(every)
        interpolator = sparse.diags_array(good.astype(float)) @ self.interpolator(every)
        interpolator.eliminate_zeros()
        return Matches(
            np.where(good, self.face, -1).astype(np.int32),
            interpolator,
            np.where(good, self.distance, np.inf),
            self.cosine(every),
        )


def _directions(count: int) -> NDArray[np.float64]:
    """Unit vectors spread evenly, as a Fibonacci lattice on the sphere."""
    height = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    radius = np.sqrt(1 - height**2)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])

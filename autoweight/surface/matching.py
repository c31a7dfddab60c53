"""Where each vertex of one surface lies on another: the nearest place on the same side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.surface.places import Ground, Places
from autoweight.surface.prepare import Surface

__all__ = ["SURE", "Matches", "match"]

SURE = 1e-3
"""Bounding-box diagonals within which a match lies on the surface itself."""

TWIN_SHARE = 0.02
"""Share of a piece's sure matches that makes a piece of the source one of its counterparts."""

SAGITTA = float(np.tan(np.pi / 8)) / 2
"""Edge lengths by which a chord leaves an arc that turns a right angle between its ends.

So near, coarse triangles say nothing: neither the normal of a vertex nor its distance is finer.
"""


@dataclass(frozen=True, eq=False)
class Matches:
    """Places of the vertices of a target on a source.

    Parameters
    ----------
    places : Places
        The nearest suitable place, or where nothing suits, an unsuitable one.
    found : ndarray, shape (n,), bool
        Whether it is near enough and faces the right way.
    cosine : ndarray, shape (n,)
        Of the angle between the normals.
    sure : ndarray, shape (n,), bool
        Whether it lies on the surface itself, as nearly as the triangles of the target tell.
    """

    places: Places
    found: NDArray[np.bool_]
    cosine: NDArray[np.float64]
    sure: NDArray[np.bool_]


def match(ground: Ground, target: Surface, *, reach: float, angle: float) -> Matches:
    """Match the vertices of one surface to places on another.

    The nearest place is taken if it is near enough and faces the same way, as in Abdrashitov et
    al., "Robust Skin Weights Transfer via Weight Inpainting" (SIGGRAPH Asia 2023 technical
    communications). Where it faces the opposite way, as across the gap between two fingers, the
    nearest place that faces the right way is taken instead. A piece of the target that lies on
    pieces of the source, as a body does within its coat, is matched to those pieces alone, and
    the others keep off them if they can.

    Parameters
    ----------
    ground : Ground
        Of the source.
    target : Surface
    reach : float
        Greatest distance, in scene units.
    angle : float
        Greatest angle between the normals, in radians. Matches that lie on the surface itself, as
        nearly as the triangles of the target tell, may differ: edges may be sharp, and the normal
        at the tip of a thin feature is a matter of few triangles.

    Returns
    -------
    Matches
    """
    search = _Search(ground, target, reach, angle)
    search.turn_inside_out()
    search.keep_to_counterparts()
    search.face_the_right_way()
    return Matches(search.places, search.suited() | search.sure, search.cosine, search.sure)


class _Search:
    """The best match so far for every vertex of the target."""

    def __init__(self, ground: Ground, target: Surface, reach: float, angle: float) -> None:
        self.ground, self.target = ground, target
        self.reach, self.limit = reach, float(np.cos(angle))
        self.facing = target.normals
        self.close = np.clip(SAGITTA * target.spacings, SURE * ground.diagonal, reach)
        self.places = ground.nearest(target.vertices)
        self.cosine = self._cosine(self.places, self.facing)

    @property
    def near(self) -> NDArray[np.bool_]:
        return self.places.distance <= self.reach

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Whether a vertex lies on the source as nearly as the triangles of the target tell."""
        return self.places.distance <= self.close

    @property
    def upon(self) -> NDArray[np.bool_]:
        """As `sure`, but whatever the triangles are: a lining may be nearer than they are long."""
        return self.places.distance <= SURE * self.ground.diagonal

    def suited(self) -> NDArray[np.bool_]:
        return self._suits(np.arange(len(self.target)), self.places, self.cosine)

    def _suits(
        self, points: NDArray[np.integer], places: Places, cosine: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        sure = places.distance <= self.close[points]
        return (places.distance <= self.reach) & (cosine > np.where(sure, 0.0, self.limit))

    def _cosine(self, places: Places, facing: NDArray[np.float64]) -> NDArray[np.float64]:
        """Agreement of normals, with the smooth or the flat one, whichever is better.

        Near a sharp edge one of them tilts and the other does not, depending on the triangles.
        """
        smooth, flat = places.normals(self.ground.surface), self.ground.flat[places.face]
        return np.maximum(
            np.einsum("px,px->p", smooth, facing), np.einsum("px,px->p", flat, facing)
        )

    def _take(self, points: NDArray[np.integer], places: Places) -> None:
        self.places = self.places.put(points, places)
        self.cosine[points] = self._cosine(places, self.facing[points])

    def turn_inside_out(self) -> None:
        """Flip the normals of every piece that faces against the source.

        Such a piece was exported inside out, or is a lining. One that lies on the source itself
        tells by that; another is flipped only if most of it has no match that faces its way.
        """
        piece = self.target.components
        against, along = self.cosine < -self.limit, self.cosine > self.limit

        def tally(chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
            return np.bincount(piece[chosen], minlength=piece.max() + 1)

        lies = tally(self.upon) > tally(self.near) / 2
        flip = lies & (tally(against & self.upon) > tally(along & self.upon))
        suspect = ~lies & (tally(against & self.near) > tally(along & self.near))
        if suspect.any():
            asking, other = self._facing_right(np.flatnonzero(self.near & suspect[piece]))
            suited = self.suited()
            suited[asking] = self._suits(asking, other, self._cosine(other, self.facing[asking]))
            flip |= suspect & (tally(suited) < tally(self.near) / 2)
        if flip.any():
            self.facing = np.where(flip[piece][:, None], -self.facing, self.facing)
            self.cosine = self._cosine(self.places, self.facing)

    def keep_to_counterparts(self) -> None:
        """Match pieces that lie on pieces of the source to those alone, the others elsewhere."""
        surface = self.ground.surface
        theirs = surface.components[surface.faces[:, 0]]
        if theirs.max() == 0:
            return
        piece, landed = self.target.components, theirs[self.places.face]
        shape = (piece.max() + 1, theirs.max() + 1)
        sure = (self.sure & self.suited()).astype(float)
        votes = sparse.coo_array((sure, (piece, landed)), shape=shape).tocsr()
        total = votes.sum(axis=1)
        settled = total > np.bincount(piece) / 2
        claimed = np.zeros(shape[1], dtype=bool)
        for each in np.flatnonzero(settled):
            row = slice(votes.indptr[each], votes.indptr[each + 1])
            own = votes.indices[row][votes.data[row] >= TWIN_SHARE * total[each]]
            claimed[own] = True
            stray = np.flatnonzero((piece == each) & ~np.isin(landed, own))
            if len(stray):
                faces = np.flatnonzero(np.isin(theirs, own))
                self._take(stray, self.ground.nearest(self.target.vertices[stray], faces))
        # What another piece lies on is hardly the old form of one that does not.
        rest = np.flatnonzero(~settled[piece])
        if claimed.all() or not claimed.any() or len(rest) == 0:
            return
        aside = self.ground.nearest(self.target.vertices[rest], np.flatnonzero(~claimed[theirs]))
        good = self._suits(rest, aside, self._cosine(aside, self.facing[rest]))
        most = np.bincount(piece[rest], good, minlength=shape[0]) > np.bincount(piece) / 2
        chosen = np.flatnonzero(most[piece[rest]])
        self._take(rest[chosen], aside.taken(chosen))

    def face_the_right_way(self) -> None:
        """Give vertices whose match faces the opposite way the nearest that does not.

        A match that is merely tilted is no other layer but a change of shape; what faces the
        right way is then somewhere else along the same surface.
        """
        asking, other = self._facing_right(np.flatnonzero(self.near))
        good = np.flatnonzero(self._suits(asking, other, self._cosine(other, self.facing[asking])))
        self._take(asking[good], other.taken(good))

    def _facing_right(self, points: NDArray[np.intp]) -> tuple[NDArray[np.intp], Places]:
        """Those of the points whose match faces the opposite way, and a better place for each."""
        asking = points[self.cosine[points] <= 0]
        queries, otherwise = self.target.vertices[asking], self.places.taken(asking)
        ways, angle = self.facing[asking], float(np.arccos(self.limit))
        return asking, self.ground.facing(queries, ways, angle, otherwise)

"""Pieces that lie on, in or against others: cloth, teeth, buttons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.rig import Weights
from autoweight.rows import normalised, one_each, replaced, uniform
from autoweight.skeleton.bones import Reaches
from autoweight.stages.planning import AttachPlan
from autoweight.surface import Surface
from autoweight.surface.doubting import astray, lonely, vague
from autoweight.surface.inpainting import inpaint
from autoweight.surface.pieces import Pieces, parts_of_pieces, pieces_of
from autoweight.surface.places import Ground, Places
from autoweight.surface.prepare import boxed

__all__ = ["attach"]

REACH = 0.05
"""Bounding-box diagonals within which one piece lies on another."""

ALONG = 0.7
"""Least cosine between a cloth's normal, either way, and that of what it lies on."""

COVERED = 0.6
"""Share of a piece's area that must lie on others for it to be their cloth."""

SMALL = 0.02
"""Share of the whole area below which a piece may be an accessory."""

DWARF = 0.1
"""Most area of an accessory to that of what it is nearest to; more is a neighbour."""

COMPACT = 0.75
"""How far an accessory reaches from its middle, at most, by its distance to the bones."""

INSIDE = 0.8
"""Share of an accessory that must be inside others for it to be enclosed."""

MENTIONED = 0.1
"""Share of the contact from which another part is counted in a note."""


def attach(problem: Problem, weights: Weights, plans: Sequence[AttachPlan] = ()) -> Weights:
    """Let each piece of a mesh move with what it lies on, lies in or sits on.

    From the bones outward: a piece most of which lies over others is their cloth and takes the
    weights of the nearest place below, so that the layers move together. A small compact piece
    is stiff: enclosed by others it goes to the joint that has most of it, against another it
    moves as the place it sits on. A piece that moves as one already is left alone, and so is
    all that lies on nothing.

    Parameters
    ----------
    problem : Problem
        Its `note` is told every decision and its reason.
    weights : Weights
        One row for each vertex of the surface, as the method solved them.
    plans : sequence of AttachPlan, optional
        What the recipe says instead; of several that name a part the last counts.

    Returns
    -------
    Weights
    """
    surface = problem.surface
    if surface.components.max() == 0:
        return weights
    away, pieces = problem.away, pieces_of(surface)
    rule = np.full(len(pieces), -1)
    for number, plan in enumerate(plans):
        rule[np.unique(pieces.of[surface.weld[plan.vertices]])] = number
    told = _Notes(surface, pieces)
    matrix = weights.matrix
    stiff = uniform(matrix, pieces.of)
    small = pieces.area < SMALL * pieces.area.sum()
    small &= pieces.farthest < COMPACT * _depth(surface, pieces, small, away)

    layers = np.flatnonzero(~small)
    if len(layers) > 1:  # from within outward
        layers = layers[np.argsort(_depth(surface, pieces, ~small, away)[layers], kind="stable")]
    below = np.zeros(len(pieces), dtype=bool)
    for piece in layers:
        if rule[piece] < 0 and not stiff[piece]:
            on = _contact(surface, pieces, piece, below, away, COVERED)
            if on and on.share > COVERED:
                matrix = on.followed(matrix)
                told.add(piece, f"follows {on.names}", "it lies on it", on.share)
        below[piece] = True

    loose = np.flatnonzero(small & (rule < 0) & ~stiff)
    inside = _inside(surface, pieces, loose, below)
    for piece in loose:
        on = _contact(surface, pieces, piece, below, away)
        if on and pieces.area[piece] > DWARF * pieces.area[on.host(pieces.of)]:
            continue
        if on and inside[piece] > INSIDE:
            matrix = on.held(matrix)
            told.add(piece, f"one joint's, inside {on.names}", "small and enclosed", inside[piece])
        elif on and (seat := on.seat(pieces.farthest[[piece]])).nnz:
            mean = normalised(sparse.csr_array(seat @ matrix))
            matrix = replaced(matrix, on.own, mean[[0] * len(on.own)])
            told.add(piece, f"sits on {on.names}", "small and against it", None)

    for piece in np.flatnonzero(rule >= 0):
        wanted = np.zeros(len(pieces), dtype=bool)
        wanted[pieces.of[surface.weld[plans[rule[piece]].below]]] = True
        wanted[piece] = False
        on = _contact(surface, pieces, piece, wanted, None)
        if on:
            matrix = on.followed(matrix)
            told.add(piece, f"follows {on.names}", "by the recipe", on.share)
        else:
            told.add(piece, "as it was solved", "by the recipe", None)
    for line in told.lines():
        problem.note(line)
    return Weights(matrix)


def _depth(
    surface: Surface, pieces: Pieces, chosen: NDArray[np.bool_], away: Reaches
) -> NDArray[np.float64]:
    """Mean distance of each chosen piece to the bones, 0 for the others, (pieces,)."""
    some = np.flatnonzero(chosen[pieces.of])
    total = np.bincount(pieces.of[some], surface.areas[some] * away[some], len(pieces))
    return np.asarray(total / pieces.area)


def _inside(
    surface: Surface, pieces: Pieces, chosen: NDArray[np.intp], below: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Share of each chosen piece that the pieces below enclose, (pieces,)."""
    share = np.zeros(len(pieces))
    own = np.flatnonzero(np.isin(pieces.of, chosen))
    faces = surface.faces[below[pieces.of[surface.faces[:, 0]]]].astype(np.int64)
    if len(own) and len(faces):
        points = np.ascontiguousarray(surface.vertices[own])
        within = igl.fast_winding_number(surface.vertices, faces, points) > 0.5
        share = np.bincount(pieces.of[own], surface.areas[own] * within, len(pieces)) / pieces.area
    return share


def _contact(
    surface: Surface,
    pieces: Pieces,
    piece: np.integer,
    below: NDArray[np.bool_],
    away: Reaches | None,
    least: float = 0.0,
) -> _Contact | None:
    """What a piece has to do with those below, None if they are near less than a share of it."""
    own = np.flatnonzero(pieces.of == piece)
    reach = REACH * surface.diagonal
    at = surface.vertices[own]
    low, high = at.min(axis=0), at.max(axis=0)
    # No face that comes within reach has a corner farther off than by its longest edge.
    margin = reach + surface.adjacency.data.max()
    near = boxed(surface.vertices, low, high, margin) & below[pieces.of]
    faces = surface.faces[near[surface.faces[:, 0]]]
    corners = surface.vertices[faces]
    near = (corners.min(axis=1) <= high + reach) & (corners.max(axis=1) >= low - reach)
    near = near.all(axis=1)
    faces, corners = faces[near], corners[near]
    if len(faces) == 0:
        return None
    over = boxed(at, corners.min(axis=(0, 1)), corners.max(axis=(0, 1)), reach)
    if surface.areas[own] @ over < least * pieces.area[piece]:
        return None
    local = np.zeros(len(surface), dtype=np.int32)
    local[own] = np.arange(len(own))
    cloth = Surface(
        at,
        local[surface.faces[pieces.of[surface.faces[:, 0]] == piece]],
        np.arange(len(own), dtype=np.int32),
        surface.part[own],
        surface.parts,
    )
    ground = Ground(replace(surface, faces=faces))
    places = ground.nearest(cloth.vertices)
    lies = places.distance <= reach
    if away is not None:
        # Along it and above it, which is farther from the bones, and not beside it.
        along = np.einsum("px,px->p", cloth.normals, places.normals(ground.surface))
        there = np.einsum("pc,pc->p", places.coordinates, away[faces[places.face]])
        lies &= (np.abs(along) >= ALONG) & (away[own] >= there - 1e-3 * reach)
        lies &= places.distance <= there
    return _Contact(own, cloth, ground, places, lies, reach)


@dataclass(frozen=True, eq=False)
class _Contact:
    """One piece, and the places nearest to it on others.

    Parameters
    ----------
    own : ndarray, shape (k,), int
        Its vertices in the whole surface.
    cloth : Surface
        The piece by itself.
    ground : Ground
        The others, as far as they are near.
    places : Places
        On the ground, of its vertices.
    lies : ndarray, shape (k,), bool
        Whether they are near, along it and above.
    reach : float
        How near that is, in scene units.
    """

    own: NDArray[np.intp]
    cloth: Surface
    ground: Ground
    places: Places
    lies: NDArray[np.bool_]
    reach: float

    @property
    def share(self) -> float:
        """Share of the piece's area that lies on others."""
        return float(self.cloth.areas @ self.lies / self.cloth.areas.sum())

    @property
    def gap(self) -> float:
        """Least distance, in scene units."""
        return float(self.places.distance.min())

    @property
    def names(self) -> str:
        """The parts it is in contact with, the first by area."""
        near = self.lies if self.lies.any() else self.places.distance == self.gap
        surface = self.ground.surface
        parts = surface.part[surface.faces[self.places.face[near], 0]]
        touched = np.bincount(parts, self.cloth.areas[near], minlength=len(surface.parts))
        others = int((touched > MENTIONED * touched.sum()).sum()) - 1
        return surface.parts[int(touched.argmax())] + (f" and {others} more" if others else "")

    def host(self, pieces: NDArray[np.integer]) -> int:
        """The piece it is nearest to, by the piece of each vertex."""
        face = self.places.face[self.places.distance.argmin()]
        return int(pieces[self.ground.surface.faces[face, 0]])

    def followed(self, matrix: sparse.csr_array) -> sparse.csr_array:
        """Weights of the nearest place below; where there is none, the own, led over to them."""
        here = sparse.csr_array(matrix[self.own])
        there = sparse.csr_array(self.places.interpolator(self.ground.surface) @ matrix)
        position, known = self.places.position, self.lies.copy()
        sure = np.zeros(len(self.own), dtype=bool)
        known &= ~vague(self.ground, self.cloth, position, known, matrix, there)
        known &= ~lonely(self.cloth, sure, known)
        known &= ~astray(self.ground, self.cloth, position, sure, known, matrix, there)
        change = inpaint(
            self.cloth, known, sparse.csr_array(there - here), span=self.reach, fade=True
        )
        return replaced(matrix, self.own, normalised(here + change))

    def held(self, matrix: sparse.csr_array) -> sparse.csr_array:
        """All to the joint that has most of it."""
        most = np.argmax(self.cloth.areas @ matrix[self.own])
        alone = one_each(np.full(len(self.own), most), matrix.shape[1])
        return replaced(matrix, self.own, alone)

    def seat(self, size: NDArray[np.float64]) -> sparse.csr_array:
        """The mean over the place it sits on, (1, n), empty where it sits on nothing."""
        of = np.zeros(len(self.own), dtype=np.intp)
        return self.places.seats(self.ground.surface, of, self.cloth.areas, size)


class _Notes:
    """Decisions, one line for all pieces of a part that go alike."""

    def __init__(self, surface: Surface, pieces: Pieces) -> None:
        self.names, self.area = surface.parts, pieces.area
        self.part = parts_of_pieces(surface)
        self.made: dict[tuple[str, str, str], list[tuple[float, float]]] = {}

    def add(self, piece: np.integer, what: str, why: str, share: float | None) -> None:
        key = (self.names[self.part[piece]], what, why)
        entry = (self.area[piece], -1.0 if share is None else share)
        self.made.setdefault(key, []).append(entry)

    def lines(self) -> list[str]:
        found = []
        for (part, what, why), entries in self.made.items():
            area, share = np.array(entries).T
            many = f"{len(entries)} pieces" if len(entries) > 1 else "1 piece"
            mean = f", {area @ share / area.sum():.0%} of it" if share.min() >= 0 else ""
            found.append(f"{part}: {many} {what}, {why}{mean}")
        return found

"""Detached pieces and what they turn about: an eye, a button, a plate of armour, a ball joint."""

from __future__ import annotations

from dataclasses import dataclass, replace

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.methods.territory import ancestors
from autoweight.rows import normalised, one_each, replaced
from autoweight.skeleton.bones import nearest
from autoweight.skeleton.descent import descent
from autoweight.surface import Surface
from autoweight.surface.pieces import Pieces, pieces_of
from autoweight.surface.places import Ground
from autoweight.surface.prepare import boxed

__all__ = ["Layout", "laid_out", "settled"]

BODY = 0.5
"""Share of the whole area from which a piece is not a detail but a body, and may bend anywhere."""

MIDDLE = 0.3
"""A joint nearer to a piece's middle than this share of its radius, with no other joint within the
radius, is there to turn it, as an eye or the ball of a hinge is turned."""

MOST = 0.5
"""A piece that goes this far along both bones at a joint, in their lengths, is bent there."""

EDGE = 0.2
"""A joint is at a piece's edge if it is outside by less than this share of the radius."""

DEEP = 0.1
"""A joint is in a piece, which bends there, if it is inside by more than this."""

ALONG = 0.8
"""Share of a piece's area that must be along one joint's bones for the piece to turn about it."""

OWN = 0.7
"""Share of a piece that one joint must hold for the piece to be wholly its own."""

ALL = 1 - 1e-6
"""A piece is one joint's if that has more than this share of it."""

SHARED = 0.9
"""Share of a piece that siblings with pieces of their own must have, with their parent."""

HALF, LITTLE = 0.5, 0.02
"""Of that the siblings have more than this; one of them counts from this share of the piece."""

BOXED = 0.1
"""A joint is in a piece's box if it is outside by less than this share of the radius."""

LESSER = 0.8
"""Share of a piece's area that one turning on it has at most; as large a one is a layer of it."""

CHUNK = 1 << 15
"""Faces that are worked on at once."""

QUADRATURE = np.array([[4, 1, 1], [1, 4, 1], [1, 1, 4]]) / 6
"""Three places in a triangle that stand for a third of it each (Strang & Fix, 1973)."""


def laid_out(problem: Problem) -> Layout:
    """How the pieces of a mesh lie to joints and bones, whatever they are weighted with.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Layout
    """
    pieces = pieces_of(problem.surface)
    small = pieces.area < BODY * pieces.area.sum()
    beside = _boxed(problem, pieces, EDGE) & problem.active
    near = _near(problem, pieces, small, beside)
    built = _built(problem, pieces, beside)
    number = np.arange(len(pieces))
    deep = np.isin(number, near.piece[near.depth < -DEEP])
    touched = np.isin(number, near.piece[near.depth < EDGE])
    whole = touched & (small | ~deep)
    asked = whole & ~(small & (near.alone >= 0))  # of the others it is known what they turn about
    along = _along(problem, pieces, asked)
    return Layout(pieces, small, deep, touched, whole, near.alone, along, built)


def settled(problem: Problem, weights: sparse.csr_array, layout: Layout) -> sparse.csr_array:
    """Let pieces of a mesh that do not bend move as one.

    A rigid piece turns about its joint, so the joint is in the piece or at its edge:

    - the joint that is alone in a piece's middle has all of it, unless it goes round most of both
      bones that meet there, as a sleeve does;
    - a piece with joints at its edge alone is the one's along whose bones it lies;
    - a piece with a joint deeper inside bends there, and stays as it was solved.

    A piece without a joint is carried by what it sits on. It moves as the place there does, and
    not as the joint that happens to be nearest: an eye is the head's, though a leg be nearer. But
    joints that have less than the piece elsewhere keep what is mostly theirs.

    Of a thing that is built of stiff parts, what is still shared goes to the joint in it that the
    others in it hang from.

    Parameters
    ----------
    problem : Problem
    weights : csr_array, shape (n, j)
        As a method solved them, vertex by vertex. Rows sum to 1.
    layout : Layout
        ``laid_out(problem)``.

    Returns
    -------
    csr_array, shape (n, j)
    """
    surface, pieces, small, touched = problem.surface, layout.pieces, layout.small, layout.touched
    held = (pieces.gather @ weights).toarray() / pieces.area[:, None]
    own = small & (held.max(axis=1) > OWN)

    owner = np.full(len(pieces), -1)
    turns = layout.whole & (layout.along.max(axis=1) > ALONG)
    owner[turns] = layout.along[turns].argmax(axis=1)
    left = own & touched & ~layout.deep & ~turns
    owner[left] = held[left].argmax(axis=1)
    middle = small & (layout.alone >= 0)
    owner[middle] = layout.alone[middle]
    shared = _shared(problem, layout, held, owner)
    owner[shared >= 0] = shared[shared >= 0]
    found = _given(weights, pieces, owner)

    loose = np.flatnonzero(~touched & ~middle & (shared < 0))
    if len(loose) < len(pieces):
        kept = (pieces.gather @ found).toarray()
        kept[loose] = 0
        poor = kept.sum(axis=0) < pieces.area[loose, None]
        needed = (held[loose] * poor).sum(axis=1) > 0.5
        found, sits = _seated(surface, pieces, found, loose[small[loose] & ~needed], loose, own)
        loose = loose[~sits[loose]]
    owner[:] = -1
    loose = loose[own[loose]]
    owner[loose] = held[loose].argmax(axis=1)
    found = _given(found, pieces, owner)
    most = (pieces.gather @ found).max(axis=1).toarray() / pieces.area
    return _given(found, pieces, np.where(most < ALL, layout.built, -1))


@dataclass(frozen=True, eq=False)
class Layout:
    """How pieces lie to joints and bones.

    Parameters
    ----------
    pieces : Pieces
    small : ndarray, shape (pieces,), bool
        Whether each is a detail and not a body.
    deep, touched : ndarray, shape (pieces,), bool
        Whether a joint is well inside it, or in it or at its edge at all.
    whole : ndarray, shape (pieces,), bool
        Whether it may turn about a joint as one.
    alone : ndarray, shape (pieces,), int
        The joint alone in its middle, -1 for none.
    along : ndarray, shape (pieces, j)
        Share of it that is nearest to the bones of each joint, 0 where it is not `whole` or has
        a joint alone in its middle.
    built : ndarray, shape (pieces,), int
        The joint that has each piece of a thing built of stiff parts, -1 for none.
    """

    pieces: Pieces
    small: NDArray[np.bool_]
    deep: NDArray[np.bool_]
    touched: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    alone: NDArray[np.intp]
    along: NDArray[np.float64]
    built: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class _Near:
    """Joints in and near pieces.

    Parameters
    ----------
    piece, joint : ndarray, shape (p,), int
        Pairs that are near each other.
    depth : ndarray, shape (p,)
        Distance from the surface of the piece in its radii, negative inside.
    alone : ndarray, shape (pieces,), int
        The joint in the middle of each, -1 for none.
    """

    piece: NDArray[np.intp]
    joint: NDArray[np.intp]
    depth: NDArray[np.float64]
    alone: NDArray[np.intp]


def _near(
    problem: Problem, pieces: Pieces, small: NDArray[np.bool_], beside: NDArray[np.bool_]
) -> _Near:
    surface, at = problem.surface, problem.skeleton.positions
    piece, joint = np.nonzero(beside)
    depth = np.empty(len(piece))
    order = np.argsort(pieces.of[surface.faces[:, 0]], kind="stable")
    ends = np.cumsum(np.bincount(pieces.of[surface.faces[:, 0]], minlength=len(pieces)))
    for each in np.unique(piece):
        mine = piece == each
        faces = surface.faces[order[ends[each - 1] if each else 0 : ends[each]]].astype(np.int64)
        used = np.zeros(len(surface), dtype=bool)
        used[faces] = True
        faces = (np.cumsum(used) - 1)[faces]
        corners = surface.vertices[used]
        points = np.ascontiguousarray(at[joint[mine]])
        if not small[each] and _any_deeper(
            points, corners, faces, DEEP * pieces.radius[each], surface.adjacency.data.max()
        ):
            depth[mine] = -np.inf  # nothing else is asked of a body
            continue
        away = np.sqrt(igl.point_mesh_squared_distance(points, corners, faces)[0])
        within = np.abs(igl.fast_winding_number(corners, faces, points)) > 0.5
        depth[mine] = np.where(within, -away, away) / pieces.radius[each]
    apart = np.linalg.norm(at[joint] - pieces.middle[piece], axis=1)
    central = (apart < MIDDLE * pieces.radius[piece]) & (depth < 0)
    crowd = np.bincount(piece, apart < pieces.radius[piece], minlength=len(pieces))
    alone = np.full(len(pieces), -1)
    alone[piece[central]] = joint[central]
    alone[crowd > 1] = -1
    alone[_round_bend(problem, pieces, alone)] = -1
    return _Near(piece, joint, depth, alone)


def _round_bend(problem: Problem, pieces: Pieces, alone: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which pieces go round most of two bones that meet in their middle, as a sleeve does."""
    skeleton = problem.skeleton
    at, above = skeleton.positions, descent(skeleton).above
    bends = (above >= 0) & ~descent(skeleton).last
    rows = np.flatnonzero(((alone >= 0) & bends[alone])[pieces.of])
    piece, joint = pieces.of[rows], alone[pieces.of[rows]]
    found = np.ones(len(pieces), dtype=bool)
    for end in (at[above], problem.frames.end):
        way = (end - at)[joint]
        length = np.maximum(np.einsum("ij,ij->i", way, way), np.finfo(float).tiny)
        share = np.einsum("ij,ij->i", problem.surface.vertices[rows] - at[joint], way) / length
        far = np.zeros(len(pieces))
        np.maximum.at(far, piece, share)
        found &= far >= MOST
    return found


def _any_deeper(
    points: NDArray[np.float64],
    corners: NDArray[np.float64],
    faces: NDArray[np.int64],
    depth: float,
    longest: float,
) -> bool:
    """Whether one of the points is further inside than that; of a body one of the first is.

    The trees of all faces that libigl would build take longer than a few such looks. No edge is
    longer than `longest`.
    """
    for point in points:
        ways = corners - point
        gap = np.sqrt(np.einsum("ij,ij->i", ways, ways))
        near = (gap <= gap.min() + longest)[faces].any(axis=1)
        away = igl.point_mesh_squared_distance(point[None], corners, faces[near])[0]
        if away > depth**2 and abs(_turns(ways, gap, faces)) > 0.5:
            return True
    return False


def _turns(ways: NDArray[np.float64], gap: NDArray[np.float64], faces: NDArray[np.int64]) -> float:
    """How often faces wind round a point, from the ways to their corners and how long they are.

    Van Oosterom & Strackee, "The solid angle of a plane triangle", IEEE Transactions on
    Biomedical Engineering 30(2), 1983.
    """
    found = 0.0
    for start in range(0, len(faces), CHUNK):
        corner = faces[start : start + CHUNK].T
        a, b, c = ways[corner]
        la, lb, lc = gap[corner]
        volume = np.einsum("ij,ij->i", a, np.cross(b, c))
        rest = la * lb * lc
        for first, second, length in ((a, b, lc), (b, c, la), (c, a, lb)):
            rest += np.einsum("ij,ij->i", first, second) * length
        found += float(2 * np.arctan2(volume, rest).sum())
    return found / (4 * np.pi)


def _along(problem: Problem, pieces: Pieces, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Share of each chosen piece's area that is nearest to the bones of each joint."""
    surface, count = problem.surface, len(problem.skeleton)
    faces = np.flatnonzero(chosen[pieces.of[surface.faces[:, 0]]])
    share = np.zeros((len(pieces), count))
    for start in range(0, len(faces), CHUNK):
        some = faces[start : start + CHUNK]
        corners = surface.vertices[surface.faces[some]]
        for place in QUADRATURE:
            joint = problem.bones.joint[nearest(place @ corners, problem.bones)[0]]
            at = pieces.of[surface.faces[some, 0]], joint
            np.add.at(share, at, surface.face_areas[some] / 3)
    whole = share.sum(axis=1, keepdims=True)
    return np.divide(share, whole, out=share, where=whole > 0)


def _built(problem: Problem, pieces: Pieces, beside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The joint that has each piece of a thing built of stiff parts, -1 for none.

    What bends has three joints in a line somewhere, in a piece or with the last of them at none.
    Elsewhere each piece moves as one, with the joint in it that all others in it hang from, if
    those have lesser pieces to move, which they are in or beside: a wheel, a trigger, a lid.
    """
    parents, joints = ancestors(problem), problem.active
    hanging = parents >= 0
    inside = _boxed(problem, pieces, BOXED) & joints
    hangs = inside & hanging & inside[:, parents]
    third = joints & hanging & hanging[parents]
    if (hangs & hangs[:, parents]).any() or (third & ~beside.any(axis=0)).any():
        return np.full(len(pieces), -1)
    heads, area = inside & ~hangs, pieces.area[:, None]
    moves = np.where(beside, area, np.inf).min(axis=0) < LESSER * area
    sound = (heads.sum(axis=1) == 1) & (~hangs | moves).all(axis=1)
    return np.where(sound, heads.argmax(axis=1), -1)


def _boxed(problem: Problem, pieces: Pieces, margin: float) -> NDArray[np.bool_]:
    """Which joints are in the box of each piece, or outside by less than a share of its radius."""
    wide = margin * pieces.radius[:, None, None]
    return boxed(problem.skeleton.positions, pieces.low[:, None], pieces.high[:, None], wide)


def _shared(
    problem: Problem, layout: Layout, held: NDArray[np.float64], owner: NDArray[np.intp]
) -> NDArray[np.intp]:
    """The joint that has each piece which several of its children would share, -1 for none.

    Only children with a piece of their own count: what they share is none of theirs, and as
    siblings meet in their parent alone, it does not bend between them. With a joint deep inside it
    may, as trousers do between two legs; of three or more it is a wheel in a track, or a palm.
    """
    parents, pieces = ancestors(problem), layout.pieces
    clear = layout.small & (held.max(axis=1) > OWN)
    child = np.unique(np.append(owner[owner >= 0], held[clear].argmax(axis=1)))
    child = child[parents[child] >= 0]
    share, many = np.zeros_like(held), np.zeros(held.shape, dtype=int)
    np.add.at(share.T, parents[child], held[:, child].T)
    np.add.at(many.T, parents[child], held[:, child].T > LITTLE)
    found, number = share.argmax(axis=1), np.arange(len(pieces))
    siblings = share[number, found]
    shared = (owner < 0) & ~clear & (siblings > HALF)
    shared &= siblings + held[number, found] > SHARED
    shared &= many[number, found] >= np.where(layout.deep, 3, 2)
    return np.where(shared, found, -1)


def _given(weights: sparse.csr_array, pieces: Pieces, owner: NDArray[np.intp]) -> sparse.csr_array:
    """Weights with some pieces wholly their owner's, those that have one."""
    rows = np.flatnonzero(owner[pieces.of] >= 0)
    return replaced(weights, rows, one_each(owner[pieces.of[rows]], weights.shape[1]))


def _seated(
    surface: Surface,
    pieces: Pieces,
    weights: sparse.csr_array,
    chosen: NDArray[np.intp],
    loose: NDArray[np.intp],
    own: NDArray[np.bool_],
) -> tuple[sparse.csr_array, NDArray[np.bool_]]:
    """Pieces that move as the place does that they sit on, of those that are not loose.

    What is clearly one joint's own goes over to what is one joint's too, and to nothing vaguer.

    Returns
    -------
    weights : csr_array, shape (n, j)
        One row for all of such a piece; one joint's wholly where it has most of the row.
    sits : ndarray, shape (pieces,), bool
    """
    sits = np.zeros(len(pieces), dtype=bool)
    rows = np.flatnonzero(np.isin(pieces.of, chosen))
    if len(rows) == 0:
        return weights, sits
    ground = Ground(
        replace(surface, faces=surface.faces[~np.isin(pieces.of[surface.faces[:, 0]], loose)])
    )
    places = ground.nearest(surface.vertices[rows])
    seats = places.seats(ground.surface, pieces.of[rows], surface.areas[rows], pieces.radius)
    sits = np.diff(seats.indptr) > 0
    mean = normalised(sparse.csr_array(seats @ weights))
    whole = mean.max(axis=1).toarray() > OWN
    sits &= whole | ~own
    most = np.flatnonzero(whole)
    mean = replaced(mean, most, one_each(mean.argmax(axis=1)[most], mean.shape[1]))
    rows = rows[sits[pieces.of[rows]]]
    return replaced(weights, rows, mean[pieces.of[rows]]), sits

"""One side made exactly the mirror image of the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError, RecipeError, WeightsError, suggestion
from autoweight.recipe import KEEPS, Mirror
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import replaced
from autoweight.sides import UNPAIRED, Plane, pairs
from autoweight.surface import Surface, prepare

__all__ = ["Counterparts", "MirrorReport", "counterparts", "mirror", "unevenness"]

_KEPT = {"positive": (1,), "negative": (-1,), "mean": ()}
"""Sides whose own weights stay."""


@dataclass(frozen=True, eq=False)
class Counterparts:
    """Which vertex of a surface is the mirror image of which.

    Parameters
    ----------
    partner : ndarray, shape (n,), int32
        The vertex on the other side, the vertex itself where it is on the plane, and `UNPAIRED`
        where there is none. ``partner[partner[v]] == v`` where paired.
    walked : ndarray, shape (n,), bool
        Found by walking the faces, since no vertex is at the mirror image.
    side : ndarray, shape (n,), int8
        1 on the side of the normal, -1 on the other, 0 for a vertex that is its own partner.
    distance : ndarray, shape (n,)
        From the mirror image of the vertex to its partner, or to the surface if it has none, in
        scene units.
    """

    partner: NDArray[np.int32]
    walked: NDArray[np.bool_]
    side: NDArray[np.int8]
    distance: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MirrorReport:
    """How each vertex got its weights, and what of the rig is not symmetric.

    Parameters
    ----------
    on_plane, by_position, by_topology, by_closest_point : int
        Vertices of the welded surface that are their own counterpart, have one at their mirror
        image, have one that the faces lead to, or took the weights of the nearest point.
    asymmetric : ndarray, shape (a,), int64
        The vertices of the user's mesh whose mirror image is not on a vertex, ascending.
    distance : ndarray, shape (a,)
        How far each is out, in scene units.
    unpaired : tuple of str
        Joints off the plane without a counterpart. Their weights stay where they are, and the
        other side takes those of the nearest ancestor that has one.
    shifted : tuple of (str, float)
        Joints that are not where the mirror image of their counterpart is, and by how much, in
        scene units: the bind pose itself is not symmetric there.
    tolerance : float
        What counts as out, in scene units.
    """

    on_plane: int
    by_position: int
    by_topology: int
    by_closest_point: int
    asymmetric: NDArray[np.int64]
    distance: NDArray[np.float64]
    unpaired: tuple[str, ...]
    shifted: tuple[tuple[str, float], ...]
    tolerance: float

    @property
    def symmetric(self) -> bool:
        """Whether mesh and bind pose are each other's mirror image within the tolerance."""
        return not (len(self.asymmetric) or self.unpaired or self.shifted)

    @property
    def summary(self) -> str:
        """One line for a person to read."""
        said = (
            f"mirrored {self.by_position} vertices by position, {self.by_topology} by topology, "
            f"{self.by_closest_point} by the closest point, {self.on_plane} on the plane"
        )
        if len(self.asymmetric):
            said += f"; {len(self.asymmetric)} are not where the mirror image is"
        if self.shifted:
            said += f"; the bind pose is not symmetric at {len(self.shifted)} joints"
        if self.unpaired:
            said += f"; without a counterpart: {', '.join(self.unpaired)}"
        return said


def mirror(
    rig: Rig,
    plane: Plane,
    keep: str = Mirror.keep,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = Mirror.tolerance,
) -> tuple[Weights, MirrorReport]:
    """Carry the weights of one side to the other.

    All of it happens in bind space, so the pose the file's nodes are in does not matter. Where
    vertices have exact counterparts the two sides come out equal bit for bit, and a vertex on
    the plane gives both joints of a pair the same weight.

    Parameters
    ----------
    rig : Rig
        With weights.
    plane : Plane
    keep : {'positive', 'negative', 'mean'}
        The side whose weights are carried to the other, or the mean of both for both. Vertices
        on the plane always get the mean.
    overrides : sequence of (str, str), optional
        Joint pairs that names and places do not give; see `autoweight.sides.pairs`.
    tolerance : float, optional
        How far a vertex may be from a mirror image to be its counterpart, in bounding-box
        diagonals.

    Returns
    -------
    Weights
    MirrorReport

    Raises
    ------
    RecipeError
        An unknown side, an override that names what is not there.
    WeightsError
        The rig has no weights.
    GeometryError
        There is nothing on the side to keep.
    """
    if keep not in KEEPS:
        raise RecipeError(f"nothing is kept by {keep!r}; {suggestion(keep, KEEPS)}")
    if rig.weights is None:
        raise WeightsError("there are no weights to mirror; solve the rig first")
    surface = prepare(rig.mesh)
    reach = tolerance * rig.mesh.diagonal
    partner = pairs(rig.skeleton, plane, overrides)
    found = counterparts(surface, plane, reach)

    # The first of the vertices that are one place in space speaks for all of them.
    own = rig.weights.matrix[surface.speakers]
    lend = _lend(rig.skeleton, partner)
    flip = lend[:, np.where(partner == UNPAIRED, np.arange(len(partner)), partner)]
    fresh = _flipped(own @ flip, surface, plane, found, keep)
    both = np.flatnonzero((found.side == 0) | (keep == "mean"))
    fresh = replaced(fresh, both, (own[both] @ lend + fresh[both]) / 2)
    if (partner == UNPAIRED).any():
        staying = own @ sparse.diags_array((partner == UNPAIRED).astype(float), format="csr")
        room = 1 - np.asarray(staying.sum(axis=1)).ravel()
        fresh = sparse.csr_array(staying + sparse.diags_array(room, format="csr") @ fresh)
    changed = np.flatnonzero(~np.isin(found.side, _KEPT[keep])[surface.weld])
    matrix = replaced(rig.weights.matrix, changed, fresh[surface.weld[changed]])
    return Weights(matrix), _report(rig, surface, plane, found, partner, reach)


def unevenness(
    rig: Rig,
    plane: Plane,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = Mirror.tolerance,
) -> NDArray[np.float64]:
    """How far the weights of each vertex are from those of its counterpart.

    Parameters
    ----------
    rig : Rig
        With weights.
    plane, overrides, tolerance
        As for `mirror`.

    Returns
    -------
    ndarray, shape (n,)
        Σ_j of the differences, joints swapped for their partners: exactly 0 where the two sides
        are equal, and not a number for a vertex without a counterpart.

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to compare; solve the rig first")
    surface = prepare(rig.mesh)
    partner = pairs(rig.skeleton, plane, overrides)
    flip = np.where(partner == UNPAIRED, np.arange(len(partner)), partner)
    vertex = counterparts(surface, plane, tolerance * rig.mesh.diagonal).partner
    own = rig.weights.matrix[surface.speakers]
    apart = np.asarray(abs(own - own[vertex][:, flip]).sum(axis=1)).ravel()
    apart[vertex == UNPAIRED] = np.nan
    return apart[surface.weld]


def counterparts(surface: Surface, plane: Plane, reach: float) -> Counterparts:
    """Match the vertices of a surface with those at their mirror images.

    First by position, then by walking: two matched vertices of an edge match the vertices
    opposite it, wave by wave from the faces that positions matched. A walked match that does
    not carry every face on a face is dropped again.

    Parameters
    ----------
    surface : Surface
    plane : Plane
    reach : float
        How far a vertex may be from a mirror image to be its counterpart, in scene units.

    Returns
    -------
    Counterparts
    """
    image = plane.reflect(surface.vertices)
    numbers = np.arange(len(surface))
    apart, nearest = cKDTree(surface.vertices).query(image, distance_upper_bound=reach)
    near = np.isfinite(apart)
    nearest = np.where(near, nearest, numbers)
    by_position = near & (nearest[nearest] == numbers)
    partner = np.where(by_position, nearest, UNPAIRED)
    if not by_position.all():
        partner = _walk(surface.faces, partner)
    paired = partner != UNPAIRED

    distance = np.linalg.norm(image - surface.vertices[partner], axis=1)
    if not paired.all():
        distance[~paired] = _closest(surface, surface.faces, image[~paired])[0]
    height = plane.heights(surface.vertices)
    ahead = np.where(paired, height - height[partner], height)
    level = np.where(paired, np.sign(partner - numbers), 1)
    side = np.where(ahead != 0, np.sign(ahead), level)
    return Counterparts(
        partner.astype(np.int32), paired & ~by_position, side.astype(np.int8), distance
    )


def _walk(faces: NDArray[np.int32], partner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Match what positions did not, wave by wave, over edges whose ends are matched.

    A mirror image turns the faces round: the face left of the edge from a to b is matched by the
    one left of the edge from b's partner to a's.
    """
    count = len(partner)
    start, end, apex = (np.roll(faces, -turn, axis=1).ravel().astype(np.int64) for turn in range(3))
    keys, first, repeats = np.unique(start * count + end, return_index=True, return_counts=True)
    keys, first = keys[repeats == 1], first[repeats == 1]  # of an edge used twice, neither

    def opposite(edge: NDArray[np.int64]) -> NDArray[np.int64]:
        """The apex that the mirror image of each directed edge has, or `UNPAIRED`."""
        wanted = partner[end[edge]] * count + partner[start[edge]]
        at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        there = (partner[start[edge]] >= 0) & (partner[end[edge]] >= 0) & (keys[at] == wanted)
        return np.where(there, apex[first[at]], UNPAIRED)

    partner = partner.copy()
    unmatched = partner == UNPAIRED
    while True:
        edge = np.flatnonzero(partner[apex] == UNPAIRED)
        found = opposite(edge)
        lowest, highest = np.full(count, count), np.full(count, UNPAIRED)
        told = found >= 0
        told[told] = partner[found[told]] == UNPAIRED
        np.minimum.at(lowest, apex[edge[told]], found[told])
        np.maximum.at(highest, apex[edge[told]], found[told])
        new = np.flatnonzero(lowest == highest)  # every face that tells, tells the same
        new = new[lowest[lowest[new]] == new]
        new = new[highest[highest[new]] == new]
        if len(new) == 0:
            break
        partner[new] = lowest[new]

    whole = np.flatnonzero((partner[faces] >= 0).all(axis=1).repeat(3))
    wrong = whole[(opposite(whole) != partner[apex[whole]])]
    doubtful = np.unique(faces[wrong // 3])
    doubtful = doubtful[unmatched[doubtful]]
    partner[partner[doubtful]] = UNPAIRED
    partner[doubtful] = UNPAIRED
    return partner


def _closest(
    surface: Surface, faces: NDArray[np.int32], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], sparse.csr_array]:
    """Distance to the nearest point of some faces, and its barycentric weights, (p, n)."""
    import igl

    faces = faces.astype(np.int64)
    squared, face, foot = igl.point_mesh_squared_distance(points, surface.vertices, faces)
    corners = faces[face]
    shares = igl.barycentric_coordinates(
        foot, *(np.ascontiguousarray(surface.vertices[corners[:, each]]) for each in range(3))
    )
    shares = np.clip(shares, 0, None)
    shares /= shares.sum(axis=1, keepdims=True)
    rows = np.repeat(np.arange(len(points)), 3)
    weights = sparse.csr_array(
        (shares.ravel(), (rows, corners.ravel())), shape=(len(points), len(surface))
    )
    return np.sqrt(squared), weights


def _flipped(
    flipped: sparse.csr_array,
    surface: Surface,
    plane: Plane,
    found: Counterparts,
    keep: str,
) -> sparse.csr_array:
    """What each vertex gets from the other side, whose weights are flipped already, (n, j)."""
    lost = np.flatnonzero(found.partner == UNPAIRED)
    if len(lost) == 0:
        return flipped[found.partner]
    faces = surface.faces
    if keep != "mean":
        kept = np.isin(found.side, (*_KEPT[keep], 0))
        faces = faces[kept[faces].all(axis=1)]
        if len(faces) == 0:
            raise GeometryError(
                f"no face is wholly on the {keep} side of the plane; move the plane"
            )
    shares = _closest(surface, faces, plane.reflect(surface.vertices[lost]))[1]
    place = found.partner.astype(np.int64)
    place[lost] = len(surface) + np.arange(len(lost))
    return sparse.vstack([flipped, shares @ flipped], format="csr")[place]


def _lend(skeleton: Skeleton, partner: NDArray[np.int32]) -> sparse.csr_array:
    """Moves the weight of each unpaired joint to its nearest ancestor that is paired, (j, j).

    Without such an ancestor it stays, as for a centre joint.
    """
    heir = np.arange(len(skeleton))
    for joint in np.flatnonzero(partner == UNPAIRED):  # parents come first
        parent = skeleton.parents[joint]
        heir[joint] = heir[parent] if parent >= 0 else joint
    stuck = partner[heir] == UNPAIRED
    heir[stuck] = np.flatnonzero(stuck)
    return sparse.csr_array(
        (np.ones(len(heir)), (np.arange(len(heir)), heir)), shape=(len(heir), len(heir))
    )


def _report(
    rig: Rig,
    surface: Surface,
    plane: Plane,
    found: Counterparts,
    partner: NDArray[np.int32],
    reach: float,
) -> MirrorReport:
    names, at = rig.skeleton.names, rig.skeleton.positions
    off = np.linalg.norm(plane.reflect(at) - at[partner], axis=1)
    shifted = np.flatnonzero((partner != UNPAIRED) & (off > reach))
    distance = found.distance[surface.weld]
    asymmetric = np.flatnonzero(distance > reach)
    lost = found.partner == UNPAIRED
    counted = found.side != 0, ~found.walked, ~lost
    return MirrorReport(
        on_plane=int((found.side == 0).sum()),
        by_position=int(np.logical_and.reduce(counted).sum()),
        by_topology=int((found.walked & (found.side != 0)).sum()),
        by_closest_point=int(lost.sum()),
        asymmetric=asymmetric,
        distance=distance[asymmetric],
        unpaired=tuple(names[joint] for joint in np.flatnonzero(partner == UNPAIRED)),
        shifted=tuple((names[joint], float(off[joint])) for joint in shifted),
        tolerance=reach,
    )

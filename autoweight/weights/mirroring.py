"""One side made exactly the mirror image of the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError, RecipeError, WeightsError, few, suggestion
from autoweight.recipes.recipe import KEEPS, Mirror, Tidy
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import one_each, replaced
from autoweight.skeleton.sides import UNPAIRED, Plane, pairs
from autoweight.surface import Surface, prepare
from autoweight.surface.places import Ground
from autoweight.weights.counterparts import Counterparts, counterparts
from autoweight.weights.middle import middle
from autoweight.weights.tidying import quantise

__all__ = [
    "MirrorReport",
    "Symmetry",
    "check_plane",
    "differences",
    "evened",
    "mendable",
    "mirror",
    "mirrored",
    "report",
    "symmetry",
    "unevenness",
]

_KEPT = {"positive": (1,), "negative": (-1,), "mean": ()}
"""Sides whose own weights stay."""


STRANGE = 0.05
"""Distance of a mirror image to the mesh, in bounding-box diagonals, that is no asymmetry of a
model but the wrong plane; common practice, no source."""

LISTED = 12
"""Joints and vertices a report names before it trails off."""


@dataclass(frozen=True, eq=False)
class Symmetry:
    """What of a rig is the mirror image of what.

    Parameters
    ----------
    plane : Plane
    surface : Surface
        The n places the vertices of the mesh are at.
    joints : ndarray, shape (j,), int32
        The counterpart of each joint, as `autoweight.skeleton.sides.pairs` finds it.
    vertices : Counterparts
        Of the surface.
    reach : float
        How far a vertex may be from a mirror image to be its counterpart, in scene units.
    aside : float
        How far beside the origin the body was found to stand, in scene units; 0 where the plane
        is the one that was asked for.
    """

    plane: Plane
    surface: Surface
    joints: NDArray[np.int32]
    vertices: Counterparts
    reach: float
    aside: float = 0.0

    @property
    def alone(self) -> NDArray[np.bool_]:
        """Joints off the plane without a counterpart, (j,)."""
        return self.joints == UNPAIRED

    @property
    def flip(self) -> NDArray[np.int64]:
        """The counterpart of each joint, or the joint itself where it has none, (j,)."""
        return np.where(self.alone, np.arange(len(self.joints)), self.joints)


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
    moved : str
        Where the body stands if that is beside the plane through the origin, in words.
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
    moved: str = ""

    @property
    def symmetric(self) -> bool:
        """Whether mesh and bind pose are each other's mirror image within the tolerance."""
        return not (len(self.asymmetric) or self.unpaired or self.shifted)

    @property
    def lines(self) -> tuple[str, ...]:
        """What a person wants to read of it."""
        ways = (
            f"mirrored {self.by_position} vertices by position, {self.by_topology} by topology, "
            f"{self.by_closest_point} by the closest point; {self.on_plane} are on the plane"
        )
        lines = [self.moved, ways] if self.moved else [ways]
        if self.unpaired:
            lines.append(f"joints without a counterpart: {', '.join(self.unpaired)}")
        if self.shifted:
            joints = few(self.shifted, LISTED, lambda each: f"{each[0]} by {each[1]:.3g}")
            lines.append(f"the bind pose is not symmetric: {joints}")
        if len(self.asymmetric):
            worst = np.argsort(-self.distance, kind="stable").tolist()
            named = few(
                worst, LISTED, lambda at: f"{self.asymmetric[at]} by {self.distance[at]:.3g}"
            )
            lines.append(f"{len(worst)} vertices are not where the mirror image is: {named}")
        return tuple(lines)


def mirror(
    rig: Rig,
    plane: Plane,
    keep: str = Mirror.keep,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = Mirror.tolerance,
    surface: Surface | None = None,
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
        Joint pairs that names and places do not give; see `autoweight.skeleton.sides.pairs`.
    tolerance : float, optional
        How far a vertex may be from a mirror image to be its counterpart, in bounding-box
        diagonals.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

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
    if rig.weights is None:
        raise WeightsError("there are no weights to mirror; solve the rig first")
    found = symmetry(rig, plane, overrides, tolerance=tolerance, surface=surface)
    return mirrored(rig.weights, rig.skeleton, found, keep), report(rig, found)


def symmetry(
    rig: Rig,
    plane: Plane,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = Mirror.tolerance,
    surface: Surface | None = None,
    own: bool = False,
) -> Symmetry:
    """Find what of a rig is the mirror image of what.

    Parameters
    ----------
    rig : Rig
    plane, overrides, tolerance, surface
        As for `mirror`.
    own : bool, optional
        Whether the plane may be moved along its normal to the body's own middle; see `middle`.

    Returns
    -------
    Symmetry

    Raises
    ------
    RecipeError
        An override names what is not there.
    """
    surface, reach = surface or prepare(rig.mesh), tolerance * rig.mesh.diagonal
    asked = plane
    if own:
        plane = middle(surface, rig.skeleton, plane, tolerance)
    joints = pairs(rig.skeleton, plane, overrides)
    aside = float(asked.heights(plane.point))
    return Symmetry(plane, surface, joints, counterparts(surface, plane, reach), reach, aside)


def mirrored(weights: Weights, skeleton: Skeleton, across: Symmetry, keep: str) -> Weights:
    """Carry the weights of one side to the other; see `mirror`.

    Parameters
    ----------
    weights : Weights
    skeleton : Skeleton
    across : Symmetry
    keep : {'positive', 'negative', 'mean'}

    Returns
    -------
    Weights

    Raises
    ------
    RecipeError
        An unknown side.
    GeometryError
        There is nothing on the side to keep, or the plane is not one of symmetry at all.
    """
    check_plane(across, keep)
    side, own = across.vertices.side, weights.matrix[across.surface.speakers]
    lend = _lend(skeleton, across.joints)
    fresh = _from_other_side(own @ lend[:, across.flip], across, keep)
    both = np.flatnonzero((side == 0) | (keep == "mean"))
    fresh = replaced(fresh, both, (own[both] @ lend + fresh[both]) / 2)
    if across.alone.any():
        staying = own @ sparse.diags_array(across.alone.astype(np.float64), format="csr")
        room = np.clip(1 - staying.sum(axis=1), 0, None)
        fresh = sparse.csr_array(staying + sparse.diags_array(room, format="csr") @ fresh)
    weld = across.surface.weld
    changed = np.flatnonzero(~np.isin(side, _KEPT[keep])[weld])
    return Weights(replaced(weights.matrix, changed, fresh[weld[changed]]))


def check_plane(across: Symmetry, keep: str) -> None:
    """Refuse what weights cannot be mirrored across, before any are worked out.

    Parameters
    ----------
    across : Symmetry
    keep : {'positive', 'negative', 'mean'}

    Raises
    ------
    RecipeError, GeometryError
        See `mirrored`.
    """
    if keep not in KEEPS:
        raise RecipeError(f"nothing is kept by {keep!r}; {suggestion(keep, KEEPS)}")
    wrong = _misfit(across, keep)
    if wrong:
        raise GeometryError(wrong)


def _misfit(across: Symmetry, keep: str) -> str:
    """Why weights cannot be mirrored across a plane; empty where they can."""
    found = across.vertices
    lost = found.partner == UNPAIRED
    if lost.any() and len(_lenders(across, keep)) == 0:
        return f"no face is wholly on the {keep} side of the plane; move the plane"
    nothing = lost & (found.distance > STRANGE * across.surface.diagonal)
    if nothing.mean() > 0.5:
        return (
            f"{nothing.mean():.0%} of the vertices have nothing within {STRANGE:.0%} of the "
            "model's size at their mirror image; choose the plane it is symmetric to"
        )
    return ""


def _lenders(across: Symmetry, keep: str) -> NDArray[np.int32]:
    """Faces that vertices without a counterpart may take weights from, (f, 3)."""
    faces = across.surface.faces
    if keep == "mean":
        return faces
    kept = np.isin(across.vertices.side, (*_KEPT[keep], 0))
    return faces[kept[faces].all(axis=1)]


def evened(
    weights: Weights,
    across: Symmetry,
    how: Tidy,
    keep: str = Mirror.keep,
    fixed: NDArray[np.bool_] | None = None,
) -> Weights:
    """Make mirrored weights equal on both sides again after they were tidied.

    Rows that are each other's mirror image list their joints in different orders, so that a cap
    breaks ties, a sum rounds and the last unit of a whole number falls differently.

    Parameters
    ----------
    weights : Weights
        Tidied and quantised.
    across : Symmetry
    how : Tidy
        As they were tidied; the result meets it too.
    keep : {'positive', 'negative', 'mean'}
        The side whose rows the other gets; the positive side for the mean.
    fixed : ndarray, shape (n,), bool, optional
        Vertices of the mesh that may not change.

    Returns
    -------
    Weights
        A vertex without a counterpart, or with weight of a joint without one, is as before. On
        the plane, one influence cannot be a pair, and an odd number of units cannot be halved:
        without a centre joint to take the last, it stays with one of the two.
    """
    found, weld = across.vertices, across.surface.weld
    own = weights.matrix[across.surface.speakers]
    usable = _exact(own, across)
    if fixed is not None:
        usable[weld[fixed]] = False
    fits = np.diff(own.indptr)[found.partner] <= how.max_influences  # a locked row may not
    from_kept = np.flatnonzero(usable & fits & (found.side == (1 if keep == "negative" else -1)))
    centre = np.flatnonzero(usable & (found.side == 0))
    rows = replaced(own, from_kept, own[found.partner[from_kept]][:, across.flip])
    rows = replaced(rows, centre, _centred(own[centre].toarray(), across.flip, how))
    touched = np.zeros(len(own.indptr) - 1, dtype=bool)
    touched[from_kept], touched[centre] = True, True
    changed = np.flatnonzero(touched[weld])
    return Weights(replaced(weights.matrix, changed, rows[weld[changed]]))


def _exact(own: sparse.csr_array, across: Symmetry) -> NDArray[np.bool_]:
    """Vertices of the surface, with rows (n, j), that a mirror can make equal to a counterpart."""
    partner = across.vertices.partner
    found = partner != UNPAIRED
    found[(own @ across.alone.astype(np.float64)) > 0] = False
    return np.asarray(found & found[partner])


def _centred(rows: NDArray[np.float64], flip: NDArray[np.int64], how: Tidy) -> sparse.csr_array:
    """Tidied rows (r, j) of vertices on the plane, made symmetric where that can be."""
    mean = (rows + rows[:, flip]) / 2
    pair = np.broadcast_to(np.minimum(np.arange(len(flip)), flip), mean.shape)
    rank = np.argsort(np.lexsort((pair, -mean)), axis=1)
    kept = (mean > 0) & (rank < how.max_influences)
    kept &= kept[:, flip]
    kept &= mean >= how.prune * np.where(kept, mean, 0.0).sum(axis=1, keepdims=True)
    good = kept.any(axis=1)
    even = np.where(kept, mean, 0.0)[good]
    even /= even.sum(axis=1, keepdims=True)
    found = rows.copy()
    found[good] = quantise(Weights(even), how.bits).dense()
    if how.bits < 32:
        found[good] = _paired_units(found[good], flip, how.bits)
    return sparse.csr_array(found)


def _paired_units(rows: NDArray[np.float64], flip: NDArray[np.int64], bits: int) -> NDArray:
    """Symmetric rows of whole units, in which rounding set a unit between the two of a pair."""
    whole, number = 2**bits - 1, np.arange(len(flip))
    units = np.rint(rows * whole)
    units = np.minimum(units, units[:, flip])
    over = whole - units.sum(axis=1)
    centre = np.where(flip == number, units, 0.0)
    has = centre.max(axis=1, initial=0) > 0
    units[has, centre[has].argmax(axis=1)] += over[has]
    # Without a centre joint they go back two by two, and only an odd one makes a difference.
    left = np.where((number < flip) & ~has[:, None], units, 0.0)
    rank = np.argsort(np.argsort(-left, axis=1, kind="stable"), axis=1)
    more = (left > 0) & (rank < over[:, None] // 2)
    units += more | more[:, flip]
    odd = ~has & (over % 2 == 1)
    units[odd, units[odd].argmax(axis=1)] += 1
    return units / whole


def unevenness(
    rig: Rig,
    plane: Plane,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = Mirror.tolerance,
    surface: Surface | None = None,
) -> NDArray[np.float64]:
    """How far the weights of each vertex are from those of its counterpart.

    Parameters
    ----------
    rig : Rig
        With weights.
    plane, overrides, tolerance, surface
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
    across = symmetry(rig, plane, overrides, tolerance=tolerance, surface=surface)
    return differences(rig.weights, across)


def differences(weights: Weights, across: Symmetry) -> NDArray[np.float64]:
    """How far the weights of each vertex are from those of its counterpart; see `unevenness`."""
    partner, own = across.vertices.partner, weights.matrix[across.surface.speakers]
    apart = abs(own - own[partner][:, across.flip]).sum(axis=1)
    apart[partner == UNPAIRED] = np.nan
    return apart[across.surface.weld]


def mendable(weights: Weights, across: Symmetry, fixed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which vertices a mirror makes equal to their counterparts, as it is without options.

    Parameters
    ----------
    weights : Weights
    across : Symmetry
    fixed : ndarray, shape (n,), bool
        Vertices of the mesh that may not change.

    Returns
    -------
    ndarray, shape (n,), bool
        None where the plane would be refused; see `mirrored`. On the plane, whole units of a
        file with 8 or 16 bits may stay one apart; see `evened`.
    """
    surface, own = across.surface, weights.matrix[across.surface.speakers]
    if _misfit(across, Mirror.keep):
        return np.zeros(len(surface.weld), dtype=bool)
    found = _exact(own, across)
    found[surface.weld[fixed]] = False
    # What is kept stays as it is, and of what the other side gets a cap leaves less.
    over = np.diff(own.indptr) > Tidy.max_influences
    found[over & np.isin(across.vertices.side, _KEPT[Mirror.keep])] = False
    return np.asarray(found & found[across.vertices.partner])[surface.weld]


def _from_other_side(flipped: sparse.csr_array, across: Symmetry, keep: str) -> sparse.csr_array:
    """What each vertex gets from the other side, whose weights are flipped already, (n, j)."""
    surface, found = across.surface, across.vertices
    lost = np.flatnonzero(found.partner == UNPAIRED)
    if len(lost) == 0:
        return flipped[found.partner]
    image = across.plane.reflect(surface.vertices[lost])
    lenders = replace(surface, faces=_lenders(across, keep))
    shares = Ground(lenders).nearest(image).interpolator(lenders)
    return replaced(flipped[found.partner], lost, sparse.csr_array(shares @ flipped))


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
    return one_each(heir, len(heir))


def report(rig: Rig, across: Symmetry) -> MirrorReport:
    """Say how the vertices of a rig are mirrored.

    Parameters
    ----------
    rig : Rig
    across : Symmetry
        Of this rig.

    Returns
    -------
    MirrorReport
    """
    names, at, found = rig.skeleton.names, rig.skeleton.positions, across.vertices
    off = np.linalg.norm(across.plane.reflect(at) - at[across.joints], axis=1)
    shifted = np.flatnonzero(~across.alone & (off > across.reach))
    distance = found.distance[across.surface.weld]
    asymmetric = np.flatnonzero(distance > across.reach)
    lost, centre = found.partner == UNPAIRED, found.side == 0
    return MirrorReport(
        on_plane=int(centre.sum()),
        by_position=int((~lost & ~centre & ~found.walked).sum()),
        by_topology=int((~centre & found.walked).sum()),
        by_closest_point=int(lost.sum()),
        asymmetric=asymmetric,
        distance=distance[asymmetric],
        unpaired=tuple(names[joint] for joint in np.flatnonzero(across.alone)),
        shifted=tuple((names[joint], float(off[joint])) for joint in shifted),
        tolerance=across.reach,
        moved=_moved(across) if across.aside else "",
    )


def _moved(across: Symmetry) -> str:
    share = abs(across.aside) / across.surface.diagonal
    return (
        f"the body stands {abs(across.aside):.3g} beside the origin, {share:.2g} of its size, and "
        f"is mirrored across its own middle, {across.plane.name}"
    )

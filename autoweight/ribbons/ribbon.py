"""Ribbons: strip surfaces that control joints bend and deform joints ride on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError, RecipeError, SkeletonError, WeightsError, suggestion
from autoweight.pose.skinning import carried, linear_blend
from autoweight.recipes.profiles import Falloff
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.skeleton.sides import Plane
from autoweight.surface import prepare

__all__ = ["Ribbon", "Riders", "basis", "bend", "ride", "rider_joints"]

SAMPLES_PER_ROW = 64
"""How finely the length of a ribbon is measured."""


@dataclass(frozen=True, eq=False)
class Riders:
    """Deform joints that a ribbon carries along.

    Parameters
    ----------
    names : sequence of str
        Joints of the rig whose mesh they move.
    at : array_like, shape (k, 2)
        Where on the surface each is, in knot units: along, across.
    """

    names: tuple[str, ...] = ()
    at: NDArray[np.float64] = ()  # type: ignore[assignment]

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", tuple(self.names))
        object.__setattr__(self, "at", np.asarray(self.at, dtype=np.float64).reshape(-1, 2))
        if len(self.at) != len(self.names):
            raise SkeletonError(f"{len(self.names)} riders need as many u, v, got {len(self.at)}")


@dataclass(frozen=True, eq=False)
class Ribbon:
    """A NURBS surface, long one way and narrow the other, and the joints that bend it.

    Parameters
    ----------
    points : array_like, shape (p, q, 3)
        Control points in bind space: p along the ribbon, q across it.
    degree : pair of int
        Along, across.
    knots : pair of array_like, shapes (p + degree + 1,) and (q + degree + 1,)
        Not decreasing.
    controls : Skeleton
        The joints that move the control points.
    rational : array_like, shape (p, q), optional
        The W of NURBS, one for each control point; all 1 when left out.
    riders : Riders
    weights : Weights, optional
        Control point (row ``along * q + across``) by control joint.

    Raises
    ------
    GeometryError
        Shapes, degree and knots that do not fit each other, a rational weight that is not above
        0, or a rider outside the surface.
    WeightsError
        Weights that do not fit the control points and joints.

    References
    ----------
    L. Piegl, W. Tiller, The NURBS Book, 2nd ed., Springer 1997, chapters 2 to 4.
    """

    points: NDArray[np.float64]
    degree: tuple[int, int]
    knots: tuple[NDArray[np.float64], NDArray[np.float64]]
    controls: Skeleton
    rational: NDArray[np.float64] = None  # type: ignore[assignment]
    riders: Riders = Riders()
    weights: Weights | None = None

    def __post_init__(self) -> None:
        points = np.asarray(self.points, dtype=np.float64)
        if points.ndim != 3 or points.shape[2] != 3 or not np.isfinite(points).all():
            raise GeometryError(
                f"control points: need finite numbers of shape (p, q, 3), got {points.shape}"
            )
        knots = tuple(np.asarray(each, dtype=np.float64) for each in self.knots)
        for way, degree, count, knot in zip(
            ("along", "across"), self.degree, points.shape, knots, strict=False
        ):
            if not 1 <= degree < count:
                raise GeometryError(
                    f"degree {way}: {count} control points allow 1 to {count - 1}, got {degree}"
                )
            if knot.shape != (count + degree + 1,) or (np.diff(knot) < 0).any():
                raise GeometryError(
                    f"knots {way}: need {count + degree + 1} that do not decrease, got {len(knot)}"
                )
        given = np.ones(points.shape[:2]) if self.rational is None else self.rational
        rational = np.asarray(given, dtype=np.float64)
        if rational.shape != points.shape[:2] or not (rational > 0).all():
            raise GeometryError(
                f"rational weights: need {points.shape[:2]} numbers above 0, got {rational.shape}"
            )
        for name, value in {"points": points, "knots": knots, "rational": rational}.items():
            object.__setattr__(self, name, value)
        low, high = self.domain.T
        outside = ((self.riders.at < low) | (self.riders.at > high)).any(axis=1)
        if outside.any():
            raise GeometryError(
                f"rider {self.riders.names[int(outside.argmax())]!r} is outside the ribbon; its "
                f"u, v must be within {low.tolist()} and {high.tolist()}"
            )
        wanted = (points.shape[0] * points.shape[1], len(self.controls))
        if self.weights is not None and self.weights.shape != wanted:
            raise WeightsError(f"ribbon weights: need shape {wanted}, got {self.weights.shape}")

    @property
    def domain(self) -> NDArray[np.float64]:
        """First and last parameter, along and across, (2, 2)."""
        return np.array(
            [
                (knot[degree], knot[-degree - 1])
                for knot, degree in zip(self.knots, self.degree, strict=True)
            ]
        )

    @cached_property
    def stations(self) -> NDArray[np.float64]:
        """How far along the ribbon's middle each row of control points sits, (p,), scene units.

        A row belongs to its Greville abscissa, the mean of the knots that shape it; from there
        its distance is measured along the surface.
        """
        inner = np.lib.stride_tricks.sliding_window_view(self.knots[0][1:-1], self.degree[0])
        return self.distance(inner.mean(axis=1))

    def distance(self, along: ArrayLike) -> NDArray[np.float64]:
        """Distance from the ribbon's beginning, on its middle line, in scene units.

        Parameters
        ----------
        along : array_like, shape (k,)
            Parameters along the ribbon.

        Returns
        -------
        ndarray, shape (k,)
        """
        fine, length = self._ruler
        return np.interp(np.asarray(along, dtype=np.float64), fine, length)

    def nearest(self, positions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Parameter along the ribbon whose middle is nearest to each position, (k,)."""
        fine, _ = self._ruler
        return fine[cKDTree(self.surface(self._middle(fine))).query(positions)[1]]

    @cached_property
    def _ruler(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        first, last = self.domain[0]
        fine = np.linspace(float(first), float(last), SAMPLES_PER_ROW * len(self.points) + 1)
        path = self.surface(self._middle(fine))
        step = np.linalg.norm(np.diff(path, axis=0), axis=1)
        return fine, np.concatenate([[0], np.cumsum(step)])

    def _middle(self, along: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.stack([along, np.full_like(along, self.domain[1].mean())], axis=1)

    def mix(self, at: ArrayLike, toward: int | None = None) -> NDArray[np.float64]:
        """Share of every control point in points of the surface.

        Parameters
        ----------
        at : array_like, shape (k, 2)
            Parameters along, across.
        toward : {0, 1}, optional
            The shares in the derivative along or across instead.

        Returns
        -------
        ndarray, shape (k, p q)
            Rows sum to 1, those of a derivative to 0.
        """
        along, across = np.asarray(at, dtype=np.float64).reshape(-1, 2).T

        def product(first: int, second: int) -> NDArray[np.float64]:
            u = basis(self.knots[0], self.degree[0], along, first)
            v = basis(self.knots[1], self.degree[1], across, second)
            both = u[:, :, None] * v[:, None, :] * self.rational
            return both.reshape(len(along), -1)

        value = product(0, 0)
        total = value.sum(axis=1, keepdims=True)
        if toward is None:
            return value / total
        slope = product(1 - toward, toward)
        return (slope - value / total * slope.sum(axis=1, keepdims=True)) / total

    def surface(
        self, at: ArrayLike, points: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Points of the surface.

        Parameters
        ----------
        at : array_like, shape (k, 2)
            Parameters along, across.
        points : ndarray, shape (..., p q, 3), optional
            Control points in other poses; the ribbon's own when left out.

        Returns
        -------
        ndarray, shape (..., k, 3)
        """
        return self.mix(at) @ (self.points.reshape(-1, 3) if points is None else points)

    def frames(
        self, at: ArrayLike, points: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Where a rider sits and how it is turned.

        Parameters
        ----------
        at : array_like, shape (k, 2)
        points : ndarray, shape (..., p q, 3), optional

        Returns
        -------
        ndarray, shape (..., k, 4, 4)
            x along the ribbon, z its normal, y across it.
        """
        points = self.points.reshape(-1, 3) if points is None else points
        x = _unit(self.mix(at, toward=0) @ points)
        z = _unit(np.cross(x, self.mix(at, toward=1) @ points))
        frames = np.zeros((*x.shape[:-1], 4, 4))
        frames[..., :3, :] = np.stack([x, np.cross(z, x), z, self.mix(at) @ points], axis=-1)
        frames[..., 3, 3] = 1
        return frames


def weigh(
    ribbon: Ribbon,
    falloff: Falloff | None = None,
    *,
    chain: Sequence[str] = (),
    zero: Mapping[str, slice] | None = None,
) -> Weights:
    """Weights of the control joints on the control points.

    Parameters
    ----------
    ribbon : Ribbon
    falloff : Falloff, optional
        Bands or exact rows. A row of control points sits where its distance along the ribbon
        falls between the joints' own.
    chain : sequence of str, optional
        The control joints that share the ribbon, in any order; all when left out.
    zero : mapping of str to slice, optional
        Rows of control points on which a joint is to have exactly no weight: beyond a head or a
        tip that must not be pulled. The other joints of the row share what it had.

    Returns
    -------
    Weights
        The same on every control point of a row, so that both edges move as one.

    Raises
    ------
    RecipeError
        A joint that is not a control of the ribbon.
    WeightsError
        A row of control points that is left without any joint.
    """
    joints = [_control(ribbon, name) for name in chain or ribbon.controls.names]
    stations = ribbon.distance(ribbon.nearest(ribbon.controls.positions[joints]))
    order = np.argsort(stations, kind="stable")
    joints, stations = [joints[each] for each in order], stations[order]
    along = np.interp(ribbon.stations, stations, np.arange(len(joints), dtype=np.float64))
    dense = np.zeros((len(ribbon.points), len(ribbon.controls)))
    dense[:, joints] = (falloff or Falloff()).weights(along, stations)
    touched = np.zeros(len(dense), dtype=bool)  # the other rows stay exact
    for name, rows in (zero or {}).items():
        touched[rows] |= dense[rows, _control(ribbon, name)] > 0
        dense[rows, _control(ribbon, name)] = 0
    total = dense.sum(axis=1)
    if not (total > 0).all():
        raise WeightsError(
            f"row {int((total <= 0).argmax())} of the ribbon's control points is left without "
            "weight; leave one joint there that is not zeroed"
        )
    dense[touched] /= total[touched, None]
    return Weights(np.repeat(dense, ribbon.points.shape[1], axis=0))


def leftovers(ribbon: Ribbon, threshold: float = 1e-2) -> list[tuple[str, list[int]]]:
    """Control joints with weights too small to be meant, and the control points that have them.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    threshold : float
        Weights above 0 and below this count.

    Returns
    -------
    list of (str, list of int)
        A small weight on a control point still moves all that rides nearby.
    """
    if ribbon.weights is None:
        return []
    matrix = ribbon.weights.matrix.tocoo()
    small = matrix.data < threshold
    return [
        (ribbon.controls.names[joint], np.sort(matrix.row[small & (matrix.col == joint)]).tolist())
        for joint in np.unique(matrix.col[small])
    ]


def mirrored(ribbon: Ribbon, plane: Plane, names: Mapping[str, str]) -> Ribbon:
    """The other side's copy of a ribbon.

    Parameters
    ----------
    ribbon : Ribbon
    plane : Plane
    names : mapping of str to str
        What the control joints and riders are called there; names that are not in it stay.

    Returns
    -------
    Ribbon
        The mirror image, with the very same weights. The axes of its controls are the mirror
        images turned back into a rotation, by flipping x.
    """
    points = ribbon.points.reshape(-1, 3)
    flip = np.eye(4)
    flip[:3, :3] -= 2 * np.outer(plane.normal, plane.normal)
    flip[:3, 3] = 2 * (plane.normal @ plane.point) * plane.normal
    controls = ribbon.controls
    return replace(
        ribbon,
        points=plane.reflect(points).reshape(ribbon.points.shape),
        controls=Skeleton(
            tuple(names.get(name, name) for name in controls.names),
            controls.parents,
            flip @ controls.rest @ np.diag([-1.0, 1, 1, 1]),
        ),
        riders=Riders(
            tuple(names.get(name, name) for name in ribbon.riders.names), ribbon.riders.at
        ),
    )


def strip(ribbon: Ribbon) -> Rig:
    """A ribbon's control points as a strip mesh that its control joints move.

    Parameters
    ----------
    ribbon : Ribbon

    Returns
    -------
    Rig
        Vertex ``along * q + across``; for a ribbon of degree 1 the mesh is the surface itself.
    """
    p, q = ribbon.points.shape[:2]
    corner = (q * np.arange(p - 1)[:, None] + np.arange(q - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + q, corner + 1], axis=1),
            np.stack([corner + 1, corner + q, corner + q + 1], axis=1),
        ]
    )
    return Rig(Mesh(ribbon.points.reshape(-1, 3), faces), ribbon.controls, ribbon.weights)


def from_strip(rig: Rig, riders: Riders | None = None) -> Ribbon:
    """A ribbon of degree 1 from a strip mesh two vertices wide.

    Parameters
    ----------
    rig : Rig
        One open strip of triangles, and the control joints that move it.
    riders : Riders, optional

    Returns
    -------
    Ribbon
        It begins at the end that is nearer to the first joint. Its knots are the numbers of its
        rows: 0, 1, 2 and so on.

    Raises
    ------
    GeometryError
        The mesh is no such strip.
    """
    import igl

    surface = prepare(rig.mesh)
    loops = igl.boundary_loop_all(surface.faces)
    if len(loops) != 1 or len(loops[0]) != len(surface) or len(surface) % 2:
        raise GeometryError(
            "the mesh is not a strip two vertices wide; give one row of faces with one outline"
        )
    loop = np.asarray(loops[0])
    count = len(loop)
    place = np.empty(count, dtype=np.int64)
    place[loop] = np.arange(count)
    # Opposite vertices have places that sum to the same number round the outline. Edges across
    # the strip vote for it; of the diagonals and the outline itself no sum has as many.
    votes = np.bincount(place[surface.edges].sum(axis=1) % count, minlength=count)
    fold = int(votes.argmax())
    if fold % 2 == 0 or votes[fold] != count // 2:
        raise GeometryError(
            "the mesh is not a strip: its vertices do not lie opposite each other in pairs"
        )
    one = ((fold + 1) // 2 + np.arange(count // 2)) % count
    rows = np.stack([loop[one], loop[(fold - one) % count]], axis=1)
    points = surface.vertices[rows]
    first = rig.skeleton.positions[0]
    if (
        np.linalg.norm(points[-1] - first, axis=1).min()
        < np.linalg.norm(points[0] - first, axis=1).min()
    ):
        rows = rows[::-1]
    weights = rig.weights and Weights(rig.weights.matrix[surface.speakers[rows.ravel()]])
    along = np.arange(len(rows), dtype=np.float64)
    return Ribbon(
        surface.vertices[rows],
        (1, 1),
        (np.concatenate([along[:1], along, along[-1:]]), np.array([0.0, 0, 1, 1])),
        rig.skeleton,
        riders=riders or Riders(),
        weights=weights,
    )


def basis(
    knots: NDArray[np.float64], degree: int, at: ArrayLike, derivative: int = 0
) -> NDArray[np.float64]:
    """Values of all B-spline basis functions.

    Parameters
    ----------
    knots : ndarray, shape (p + degree + 1,)
    degree : int
    at : array_like, shape (k,)
        Parameters between the first and last the knots allow.
    derivative : int
        Of this order; 0 for the value.

    Returns
    -------
    ndarray, shape (k, p)
    """
    count = len(knots) - degree - 1
    return BSpline(knots, np.eye(count), degree, extrapolate=False)(at, nu=derivative)


def ride(ribbon: Ribbon, skeleton: Skeleton, controls: NDArray[np.float64]) -> NDArray[np.float64]:
    """World transforms of the joints that ride a ribbon.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    skeleton : Skeleton
        The rig's, with the riders among its joints.
    controls : ndarray, shape (f, c, 4, 4)
        World transforms of the control joints, pose by pose.

    Returns
    -------
    ndarray, shape (f, k, 4, 4)
        Each rider keeps its bind-pose place in the frame of the surface it sits on.

    Raises
    ------
    SkeletonError
        A rider that the skeleton does not have.
    WeightsError
        The ribbon has no weights.
    """
    posed = bend(ribbon, controls)
    at = ribbon.riders.at
    rest = np.linalg.solve(ribbon.frames(at), skeleton.rest[rider_joints(ribbon, skeleton)])
    return ribbon.frames(at, posed) @ rest


def bend(ribbon: Ribbon, controls: NDArray[np.float64]) -> NDArray[np.float64]:
    """Control points in other poses, by linear blend of their joints.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    controls : ndarray, shape (f, c, 4, 4)
        World transforms of the controls.

    Returns
    -------
    ndarray, shape (f, p q, 3)

    Raises
    ------
    WeightsError
        The ribbon has no weights.
    """
    if ribbon.weights is None:
        raise WeightsError("the ribbon has no weights; give it some with 'autoweight ribbon'")
    return linear_blend(
        ribbon.points.reshape(-1, 3), ribbon.weights.matrix, carried(ribbon.controls, controls)
    )


def rider_joints(ribbon: Ribbon, skeleton: Skeleton) -> list[int]:
    """Joint numbers of a ribbon's riders in the skeleton of the rig.

    Raises
    ------
    SkeletonError
        The rig has no joint of that name.
    """
    missing = [name for name in ribbon.riders.names if name not in skeleton.index]
    if missing:
        raise SkeletonError(
            f"rider {missing[0]!r} is not a joint of the rig; "
            f"{suggestion(missing[0], skeleton.names)}"
        )
    return [skeleton.index[name] for name in ribbon.riders.names]


def _control(ribbon: Ribbon, name: str) -> int:
    if name not in ribbon.controls.index:
        hint = suggestion(name, ribbon.controls.names)
        raise RecipeError(f"the ribbon has no control joint {name!r}; {hint}")
    return ribbon.controls.index[name]


def _unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    if not (length > 0).all():
        raise GeometryError("the ribbon has no direction at a rider; move it off the pinched end")
    return vectors / length

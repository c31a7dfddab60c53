"""Ribbons: strip surfaces that control joints bend and deform joints ride on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from autoweight.errors import GeometryError, SkeletonError, WeightsError
from autoweight.rig import Skeleton, Weights
from autoweight.skeleton.sides import Plane
from autoweight.vectors import unit

__all__ = ["Ribbon", "Riders", "basis", "mirrored"]

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
        x = _direction(self.mix(at, toward=0) @ points)
        z = _direction(np.cross(x, self.mix(at, toward=1) @ points))
        frames = np.zeros((*x.shape[:-1], 4, 4))
        frames[..., :3, :] = np.stack([x, np.cross(z, x), z, self.mix(at) @ points], axis=-1)
        frames[..., 3, 3] = 1
        return frames


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


def _direction(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    found = unit(vectors)
    if not found.any(axis=-1).all():
        raise GeometryError("the ribbon has no direction at a rider; move it off the pinched end")
    return found

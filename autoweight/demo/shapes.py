"""Solids as signed distance: rounded cones, grown from one another by smooth union."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["Shape", "distance", "smooth_minimum"]

Points = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shape:
    """A union of rounded cones, and what grows from it.

    Parameters
    ----------
    head, tail : ndarray, shape (c, 3)
        Ends of the cones' axes; they coincide for a ball.
    head_radius, tail_radius : ndarray, shape (c,)
        They differ by less than the length of the axis, or by anything for a ball.
    blend : float
        Width over which the shape runs into the one it grows from.
    plate : tuple of int and float, optional
        Axis and half thickness: the cones count only as outlines in the plane across that axis,
        and the sheet within them has a round rim. The plane is the one the cones' axes lie in.
    carved : Shape, optional
        What is cut out of it and of all that grows from it, with edges as round as that shape's
        own blend.
    grown : tuple of Shape
        Shapes that grow from this one. They blend with it and never with each other, so that
        neighbouring digits stay apart however close they are.
    """

    head: Points
    tail: Points
    head_radius: NDArray[np.float64]
    tail_radius: NDArray[np.float64]
    blend: float = 0.0
    plate: tuple[int, float] | None = None
    grown: tuple[Shape, ...] = ()
    carved: Shape | None = None

    @cached_property
    def bounds(self) -> tuple[Points, Points]:
        """Lower and upper corner of a box round the shape and all that grows from it."""
        radius = np.maximum(self.head_radius, self.tail_radius)[:, None]
        lower = (np.minimum(self.head, self.tail) - radius).min(axis=0)
        upper = (np.maximum(self.head, self.tail) + radius).max(axis=0)
        boxes = [each.bounds for each in self.grown]
        return (
            np.min([lower - self.blend, *(box[0] for box in boxes)], axis=0),
            np.max([upper + self.blend, *(box[1] for box in boxes)], axis=0),
        )


def smooth_minimum(first: Points, second: Points, width: float) -> Points:
    """Minimum of two distances with a rounded corner.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
    width : float
        The result is the plain minimum where they differ by more, and lower by up to a quarter
        of this where they are equal.

    Returns
    -------
    ndarray, shape (n,)

    References
    ----------
    I. Quilez, "Smooth minimum", quadratic polynomial kernel,
    https://iquilezles.org/articles/smin/.
    """
    if width == 0:
        return np.minimum(first, second)
    near = np.maximum(width - np.abs(first - second), 0) / width
    return np.minimum(first, second) - near * near * (width / 4)


def distance(shape: Shape, points: Points, within: float) -> Points:
    """Signed distance to a shape and all that grows from it, negative inside.

    Parameters
    ----------
    shape : Shape
    points : ndarray, shape (n, 3)
    within : float
        Values below this are right; others may be anything above it, infinity included, which
        is what makes it quick.

    Returns
    -------
    ndarray, shape (n,)
        It changes by no more than a point is moved.
    """
    lower, upper = shape.bounds
    margin = within + shape.blend
    outside = np.maximum(np.maximum(lower - points, points - upper), 0)
    near = np.flatnonzero(np.einsum("ij,ij->i", outside, outside) <= margin * margin)
    found = np.full(len(points), np.inf)
    if len(near):
        found[near] = _distance(shape, points[near], within)
    return found


def _distance(shape: Shape, points: Points, within: float) -> Points:
    own = np.full(len(points), np.inf)
    cones = zip(shape.head, shape.tail, shape.head_radius, shape.tail_radius, strict=True)
    for head, tail, head_radius, tail_radius in cones:
        _lower_to_cone(own, points, head, tail, head_radius, tail_radius, shape.plate)
    found = own
    for each in shape.grown:
        branch = distance(each, points, within + each.blend)
        found = np.minimum(found, smooth_minimum(own, branch, each.blend))
    if shape.carved is not None:
        cut = distance(shape.carved, points, within + shape.carved.blend)
        found = -smooth_minimum(-found, cut, shape.carved.blend)
    return found


def _lower_to_cone(
    found: Points,
    points: Points,
    head: Points,
    tail: Points,
    head_radius: float,
    tail_radius: float,
    plate: tuple[int, float] | None,
) -> None:
    # A rounded cone is the union of balls along its axis, so the distance is the least over
    # the axis of |p - a(t)| - r(t): convex in t, and where it is least has a closed form.
    offset = points - head
    off_plate: Points | float = 0.0
    if plate is not None:
        axis, thickness = plate
        off_plate = offset[:, axis]
        offset = offset.copy()
        offset[:, axis] = 0
    axis_vector = tail - head
    squared = float(axis_vector @ axis_vector)
    taper = head_radius - tail_radius
    if squared > 0:
        foot = offset @ axis_vector / squared
        across = np.sqrt(
            np.maximum(np.einsum("ij,ij->i", offset, offset) - foot * foot * squared, 0)
        )
        lean = taper / np.sqrt(squared * (squared - taper * taper))
        share = np.clip(foot - lean * across, 0, 1)
        value = np.sqrt(across * across + (share - foot) ** 2 * squared)
        value += share * taper - head_radius
    else:
        value = np.linalg.norm(offset, axis=1) - head_radius
    if plate is not None:
        beyond = np.maximum(value + thickness, 0)
        value = np.sqrt(beyond * beyond + off_plate * off_plate) - thickness
    np.minimum(found, value, out=found)

"""The axolotl's solid: flesh round the limbs of the table, and what has no joints of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from autoweight.demo.anatomy import LIMBS, Limb
from autoweight.demo.shapes import Shape, distance

__all__ = ["CELL", "colours", "field", "finest", "solid"]

Points = NDArray[np.float64]

CELL = 0.38
"""Mesh size of the trunk, in centimetres."""
BLEND = {"gill": 0.3, "arm": 0.7, "leg": 0.7, "digit": 0.12}
"""Width over which a limb runs into what it grows from."""
SKIN = (0.97, 0.78, 0.79)
TINT = {"gill": (0.80, 0.20, 0.33), "digit": (0.93, 0.62, 0.66)}
LIP = (0.80, 0.42, 0.47)


def solid() -> Shape:
    """The left half of the body, whole across x = 0; the eyes are not part of it."""
    limbs = {limb.kind: limb for limb in LIMBS}
    trunk = _run(
        np.concatenate([limbs["tail"].points[::-1], limbs["spine"].points]),
        np.concatenate([limbs["tail"].radii[::-1], limbs["spine"].radii]),
    )
    fin = _run(
        [(0, 3.6, 1), (0, 3, -3), (0, 2.5, -6), (0, 2.35, -9.5), (0, 2.2, -13.5), (0, 2.2, -15.6)],
        [0.9, 1.9, 2.2, 2.1, 1.3, 0.5],
    )
    return replace(
        trunk,
        grown=(
            _head(),
            replace(fin, blend=0.6, plate=(0, 0.25)),
            _arm(limbs["arm"]),
            _arm(limbs["leg"]),
        ),
    )


def field(shape: Shape, points: Points, within: float) -> Points:
    """Signed distance to the whole body; see `shapes.distance`."""
    return distance(shape, np.abs(points[:, :1]) * (1, 0, 0) + points * (0, 1, 1), within)


def finest(points: Points, cell: float) -> Points:
    """Mesh size for cells of size `cell` at these points, all in centimetres."""
    found = np.full(len(points), CELL)
    for size, shape in _fine_shapes():
        near = distance(shape, points, cell) < cell
        found[near] = np.minimum(found[near], size)
    return found


def _fine_shapes() -> Iterator[tuple[float, Shape]]:
    # Cells change size only where the surface is plain at the scale of the larger ones: above
    # the wrist, not between the digits.
    for limb in LIMBS:
        if limb.kind in ("arm", "leg"):
            arm = _arm(limb)
            yield CELL / 2, replace(arm, grown=())
            yield CELL / 4, arm.grown[0]
        elif limb.kind == "gill":
            yield CELL / 4, _flesh(limb)
    yield CELL / 4, _mouth(_face())


def colours(points: Points) -> Points:
    """Linear red, green and blue of the skin at points of the left half, (n, 3)."""
    found = np.tile(SKIN, (len(points), 1))
    tinted = [(_flesh(limb), TINT[limb.kind], 0.12) for limb in LIMBS if limb.kind in TINT]
    for shape, tint, depth in [*tinted, (_mouth(_face()), LIP, 0.0)]:
        outside = np.minimum(distance(shape, points, 1), 1) - depth
        share = 1 / (1 + np.exp(outside / 0.05))
        found += share[:, None] * (np.array(tint) - found)
    return found


def _head() -> Shape:
    gills = tuple(_flesh(limb) for limb in LIMBS if limb.kind == "gill")
    face = _face()
    return replace(face, grown=(*face.grown, *gills), carved=_mouth(face))


def _face() -> Shape:
    skull = _cones([(0, 2.75, 5.5), (0, 2.75, 5.7)], [(0, 2.75, 6.6), (1.5, 2.75, 5.6)], 2.5, 1.9)
    snout = replace(_cones([(0, 2.4, 6.3)], [(0, 2.4, 7.6)], 2.4, 2.1), blend=1.0, plate=(1, 1.1))
    return replace(skull, blend=1.2, plate=(1, 1.45), grown=(snout,))


def _mouth(face: Shape) -> Shape:
    """A groove round the front of a face, its corners turned up, shallow in the middle."""
    turn = np.radians(np.linspace(0, 68, 18))
    rise = 2.0 + 0.5 * (turn / turn[-1]) ** 3
    outward = np.stack([np.sin(turn), 0 * turn, np.cos(turn)], axis=1)
    eye = np.stack([0 * turn, rise, 0 * turn + 6.0], axis=1)
    inside, outside = np.zeros(len(turn)), np.full(len(turn), 8.0)
    for _ in range(40):
        middle = (inside + outside) / 2
        within = distance(face, eye + middle[:, None] * outward, 1) < 0
        inside, outside = np.where(within, middle, inside), np.where(within, outside, middle)
    radii = np.where(turn < 0.1, 0.07, 0.12)
    return replace(_run(eye + inside[:, None] * outward, radii, 1), blend=0.1)


def _arm(limb: Limb) -> Shape:
    """An arm or leg, its palm, and the digits on that."""
    digits = [each for each in LIMBS if each.parent == limb.joints[-1]]
    wrist, thickness = limb.points[-2], limb.radii[-2]
    bases = [each.points[0] for each in digits]
    rays = _cones([wrist] * len(bases), bases, 0.85 * thickness, 0.18)
    web = _cones(bases[:-1], bases[1:], 0.15, 0.15)
    palm = Shape(
        np.concatenate([rays.head, web.head]),
        np.concatenate([rays.tail, web.tail]),
        np.concatenate([rays.head_radius, web.head_radius]),
        np.concatenate([rays.tail_radius, web.tail_radius]),
    )
    return replace(
        _run(limb.points[:-1], limb.radii[:-1]),
        blend=BLEND[limb.kind],
        grown=(replace(palm, blend=0.3, grown=tuple(_flesh(each) for each in digits)),),
    )


def _flesh(limb: Limb) -> Shape:
    shape = replace(_run(limb.points, limb.radii), blend=BLEND[limb.kind])
    return replace(shape, grown=(_filaments(limb),)) if limb.kind == "gill" else shape


def _filaments(stalk: Limb) -> Shape:
    """A row of filaments on both edges of a gill stalk."""
    share = np.linspace(0.32, 0.97, 5)
    at = np.linspace(0, 1, len(stalk.points))
    root = np.stack([np.interp(share, at, column) for column in stalk.points.T], axis=1)
    along = stalk.points[-1] - stalk.points[0]
    along /= np.linalg.norm(along)
    side = np.cross(along, (0.0, 0.25, 1.0))
    side /= np.linalg.norm(side)
    length = (0.9 - 0.5 * np.abs(share - 0.5))[:, None]
    tips = [root + length * (0.6 * along + turn * 0.8 * side) for turn in (-1, 1)]
    return replace(_cones([*root, *root], np.concatenate(tips), 0.15, 0.12), blend=0.08)


def _cones(head, tail, head_radius: float, tail_radius: float) -> Shape:
    head, tail = np.array(head, float), np.array(tail, float)
    return Shape(head, tail, np.full(len(head), head_radius), np.full(len(tail), tail_radius))


def _run(points, radii, pieces: int = 4) -> Shape:
    """Rounded cones along a smooth curve through some points, so many between two."""
    points = np.array(points, float)
    knots = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    share = np.linspace(0, 1, pieces, endpoint=False)
    fine = np.append((knots[:-1, None] + share * np.diff(knots)[:, None]).ravel(), knots[-1])
    curve, thickness = CubicSpline(knots, points)(fine), PchipInterpolator(knots, radii)(fine)
    return Shape(curve[:-1], curve[1:], thickness[:-1], thickness[1:])

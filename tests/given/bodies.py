"""Bodies of simple shape round joints: tubes along a curve, and capsules grown together."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.skeleton.bones import Bones, bones, distances
from autoweight.surface import prepare
from autoweight.surface.voxels import voxelise

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def straight(s: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack([s, 0 * s, 0 * s])


def bend(radius: float) -> Curve:
    def curve(s: NDArray[np.float64]) -> NDArray[np.float64]:
        turn = s / radius
        return radius * np.column_stack([np.sin(turn), 1 - np.cos(turn), 0 * s])

    return curve


def helix(radius: float, rise: float) -> Curve:
    def curve(s: NDArray[np.float64]) -> NDArray[np.float64]:
        turn = s / np.hypot(radius, rise)
        return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), rise * turn])

    return curve


def tube(
    curve: Curve, length: float, radius: float, rings: int, around: int
) -> tuple[Mesh, NDArray[np.float64]]:
    """A closed tube along a curve given by arc length, and where along it each vertex is."""
    s = np.linspace(0, length, rings)
    centre = curve(s)
    step = 1e-5 * length
    axis = (curve(s + step) - curve(s - step)) / (2 * step)
    side = np.empty_like(axis)
    side[0] = np.cross(axis[0], [0.3, 0.5, 0.8])
    for ring in range(1, rings):  # carried along, so that the faces do not twist
        side[ring] = side[ring - 1] - (side[ring - 1] @ axis[ring]) * axis[ring]
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(axis, side)
    turn = 2 * np.pi * np.arange(around) / around
    skin = np.cos(turn)[:, None] * side[:, None] + np.sin(turn)[:, None] * up[:, None]
    vertices = (centre[:, None] + radius * skin).reshape(-1, 3)
    i, j = (each.ravel() for each in np.indices((rings - 1, around)))
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    rim = np.arange(around)
    after, last = (rim + 1) % around, (rings - 1) * around
    first_cap, last_cap = np.full(around, len(vertices)), np.full(around, len(vertices) + 1)
    faces = np.concatenate(
        [
            np.column_stack([a, b, d]),
            np.column_stack([a, d, c]),
            np.column_stack([after, rim, first_cap]),
            np.column_stack([last + rim, last + after, last_cap]),
        ]
    )
    places = np.concatenate([np.repeat(s, around), [0.0, length]])
    return Mesh(np.vstack([vertices, centre[[0, -1]]]), faces), places


def capsules(
    heads: Sequence[Sequence[float]],
    tails: Sequence[Sequence[float]],
    radii: Sequence[float],
    cell: float,
) -> Mesh:
    """The outside of round-ended rods grown together, triangulated on a grid."""
    rods = Bones(np.arange(len(radii), dtype=np.int32), np.array(heads, float), np.array(tails))
    ends, wide = np.concatenate([rods.head, rods.tail]), max(radii) + 2 * cell
    low, high = ends.min(axis=0) - wide, ends.max(axis=0) + wide
    lines = [np.arange(a, b + cell, cell) for a, b in zip(low, high, strict=True)]
    z, y, x = np.meshgrid(*lines[::-1], indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    values = (distances(points, rods) - np.array(radii)).min(axis=1)
    vertices, faces, _ = igl.marching_cubes(values, points, *map(len, lines), 0.0)
    if igl.centroid(vertices, faces)[1] < 0:
        faces = faces[:, ::-1]
    return Mesh(vertices, faces)


def skeleton(points: Sequence[Sequence[float]], parents: Sequence[int] | None = None) -> Skeleton:
    rest = np.tile(np.eye(4), (len(points), 1, 1))
    rest[:, :3, 3] = points
    parents = range(-1, len(points) - 1) if parents is None else parents
    return Skeleton(tuple(f"joint {number}" for number in range(len(points))), parents, rest)


def problem(mesh: Mesh, skeleton: Skeleton, **more) -> Problem:
    active = np.ones(len(skeleton), dtype=bool)
    return Problem(prepare(mesh), skeleton, bones(skeleton, active), active, **more)


def coarse(mesh: Mesh, skeleton: Skeleton, cells: int = 5_000, **more) -> Problem:
    """A problem whose body is filled with few cells, which is quick."""
    surface = prepare(mesh)

    def recall(what, depends, make):
        return voxelise(surface, cells=cells) if what == "voxels" else make()

    return problem(mesh, skeleton, recall=recall, **more)


def fingers():
    """Two tubes side by side and each other's mirror image, each with two joints, and a root."""
    one, along = tube(straight, 4.0, 0.4, 41, 24)
    right = one.vertices - np.array([0, 0, 0.6])
    vertices = np.concatenate([right, right * [1, 1, -1]])
    faces = np.concatenate([one.faces, one.faces[:, ::-1] + len(right)])
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[1:, :3, 3] = [(0, 0, -0.6), (2, 0, -0.6), (0, 0, 0.6), (2, 0, 0.6)]
    rest[0, :3, 3] = (-1, 0, 0)
    skeleton = Skeleton(("root", "a_R_1", "a_R_2", "a_L_1", "a_L_2"), [-1, 0, 1, 0, 3], rest)
    share = np.clip(along - 1.5, 0, 1)
    weights = np.zeros((len(vertices), 5))
    weights[: len(along), 1:3] = weights[len(along) :, 3:5] = np.column_stack([1 - share, share])
    return Rig(Mesh(vertices, faces), skeleton, Weights(sparse.csr_array(weights)))

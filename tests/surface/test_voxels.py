"""Solid cells against volumes and distances known in closed form."""

import igl
import numpy as np
import pytest

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.geodesics import spread
from autoweight.surface.voxels import voxelise


def ball(centre=(0.0, 0.0, 0.0), cuts=3):
    vertices, faces = igl.icosahedron()
    for _ in range(cuts):
        vertices, faces = igl.upsample(vertices, faces)
        vertices /= np.linalg.norm(vertices, axis=1, keepdims=True)
    return vertices + centre, faces


def filled(vertices, faces, cells=60_000):
    return voxelise(prepare(Mesh(vertices, faces)), cells=cells)


def volume(voxels):
    """Every cell that the skin touches counts whole; half of its thickness is outside."""
    return len(voxels) * voxels.size**3


def test_a_ball_has_its_volume():
    voxels = filled(*ball())
    assert 30_000 < len(voxels) < 120_000
    # 4/3 pi R^3, with R up to a cell's diagonal more
    assert 4 / 3 * np.pi < volume(voxels) < 4 / 3 * np.pi * (1 + 2 * voxels.size) ** 3
    assert voxels.at(np.array([[0, 0, 0], [1.5, 0, 0], [9, 9, 9]])).tolist()[1:] == [-1, -1]
    away = np.linalg.norm(voxels.centres, axis=1)
    assert away.max() < 1 + voxels.size * np.sqrt(3)


def test_an_open_ball_is_filled_all_the_same():
    vertices, faces = ball()
    open_faces = faces[vertices[faces][:, :, 2].mean(axis=1) < 0.8]
    whole, cut = filled(vertices, faces), filled(vertices, open_faces)
    assert volume(cut) == pytest.approx(volume(whole), rel=0.1)
    assert cut.at(np.zeros((1, 3)))[0] >= 0
    # Cells that only the winding number tells of count like any other.
    assert 30_000 < len(cut) < 120_000


def test_overlapping_balls_are_one_body():
    first, faces = ball()
    second, _ = ball((1.2, 0, 0))
    both = filled(np.vstack([first, second]), np.vstack([faces, faces + len(first)]))
    # The lens that both have, V = pi (4R + d)(2R - d)^2 / 12 (Weisstein, MathWorld,
    # "Sphere-Sphere Intersection"), counts once.
    lens = np.pi * (4 + 1.2) * (2 - 1.2) ** 2 / 12
    exact = 8 / 3 * np.pi - lens
    assert exact < volume(both) < exact * (1 + 2 * both.size) ** 3


def test_ways_through_a_ball_are_straight():
    voxels = filled(*ball())
    start = voxels.at(np.array([[-0.9, 0, 0]]))
    _, found = spread(voxels.network(), start, np.array([0]), np.zeros(1))
    exact = np.linalg.norm(voxels.centres - voxels.centres[start], axis=1)
    far = exact > 10 * voxels.size
    # A step to one of 26 neighbours, the worst direction for which is between three of them:
    # (1, sqrt 2 - 1, sqrt 3 - sqrt 2) makes it 1.128 times too long (Borgefors, "Distance
    # transformations in arbitrary dimensions", CVGIP 27, 1984).
    excess = found[far] / exact[far]
    assert excess.min() > 1 - 1e-9 and excess.max() < 1.13


def test_cells_follow_the_budget_and_stay_small_in_memory():
    few, many = filled(*ball(), cells=2_000), filled(*ball(), cells=40_000)
    assert many.size < few.size / 2
    # A long thin body that lies across its box: the grid, not the cells, is the limit.
    spike = np.array([[0, 0, 0], [1000, 1000, 1000], [1000, 1000, 1000.01]])
    assert np.prod(filled(spike, np.array([[0, 1, 2]]), cells=10**6).shape) < 2 * 24_000_000

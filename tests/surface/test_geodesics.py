"""Distance along a surface against closed forms."""

import igl
import numpy as np
from bodies import straight, tube

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.geodesics import network, smoothed, spread


def test_ways_over_a_sphere_are_arcs_of_great_circles():
    # R acos(n1 . n2)
    vertices, faces = igl.icosahedron()
    for _ in range(4):
        vertices, faces = igl.upsample(vertices, faces)
        vertices /= np.linalg.norm(vertices, axis=1, keepdims=True)
    surface = prepare(Mesh(vertices, faces))
    _, found = spread(network(surface), np.array([0]), np.array([0]), np.zeros(1))
    exact = np.arccos(np.clip(surface.vertices @ surface.vertices[0], -1, 1))
    excess = found[1:] / exact[1:] - 1
    assert excess.min() > -2e-3  # chords are a little shorter than arcs
    assert excess.max() < 0.055


def test_ways_over_a_cylinder_are_straight_when_it_is_laid_flat():
    # sqrt(dz^2 + (R dphi)^2)
    mesh, s = tube(straight, 2.0, 0.3, 81, 76)
    surface = prepare(mesh)
    start = 40 * 76
    _, found = spread(network(surface), np.array([start]), np.array([0]), np.zeros(1))
    turn = np.arctan2(mesh.vertices[:, 2], mesh.vertices[:, 1])
    across = np.abs((turn - turn[start] + np.pi) % (2 * np.pi) - np.pi)
    exact = np.hypot(s - s[start], 0.3 * across)
    side = np.abs(s - 1) < 0.6  # no shorter way leads over the caps
    side[start] = side[-2:] = False
    excess = found[side] / exact[side] - 1
    # On squares there are eight directions to go in.
    assert excess.min() > -2e-3 and excess.max() < 1 / np.cos(np.pi / 8) - 1 + 1e-3


def test_the_nearest_label_wins_and_far_nodes_have_none():
    mesh, s = tube(straight, 2.0, 0.3, 41, 8)
    graph = network(prepare(mesh))
    label, away = spread(
        graph, np.array([0, 320]), np.array([7, 3]), np.array([0.4, 0.0]), limit=0.9
    )
    assert label[s < 0.4][0] == 7 and label[320] == 3
    assert label[np.argmin(np.abs(s - 0.8))] == -1
    assert np.isinf(away[label < 0]).all() and (away[label >= 0] <= 0.9).all()


def test_smoothed_leaves_gentle_values_alone_and_spreads_a_jump():
    mesh, s = tube(straight, 2.0, 0.3, 41, 8)
    graph = network(prepare(mesh))
    np.testing.assert_allclose(smoothed(graph, 0.99 * s), 0.99 * s, atol=1e-12)
    found = smoothed(graph, np.where(s < 1, 0.0, 0.5))
    first, second = prepare(mesh).edges.T
    length = np.linalg.norm(mesh.vertices[first] - mesh.vertices[second], axis=1)
    assert (np.abs(found[first] - found[second]) <= length + 1e-12).all()
    assert found[s < 0.49].max() < 1e-12
    np.testing.assert_allclose(found[s > 1.51], 0.5)
    assert np.ptp(found[np.isclose(s, 1)]) < 0.1

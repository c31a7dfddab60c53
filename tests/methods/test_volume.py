"""Bands through the body: closed forms, and meshes that no surface method can walk on."""

import numpy as np
import pytest
from bodies import bend, capsules, coarse, problem, skeleton, straight, tube

from autoweight.methods.bands import solve as solve_bands
from autoweight.methods.volume import solve
from autoweight.recipes.profiles import Falloff
from autoweight.rig import Mesh

LENGTH = 4.0


@pytest.mark.parametrize("path", [straight, bend(LENGTH / (np.pi / 2))])
def test_a_tube_has_the_closed_form(path):
    mesh, s = tube(path, LENGTH, 0.3, 100, 20)
    given = coarse(mesh, skeleton(path(np.linspace(0, LENGTH, 5))))
    np.testing.assert_allclose(
        solve(given).toarray()[given.surface.weld],
        Falloff(centre=0.5).weights(s, np.arange(5)),
        atol=1e-6,
    )


def test_loose_triangles_have_the_closed_form():
    mesh, _ = tube(straight, LENGTH, 0.3, 60, 16)
    # Every face by itself and a hundredth smaller: no two share a vertex, all round are gaps.
    corners = mesh.vertices[mesh.faces]
    corners = corners + 0.01 * (corners.mean(axis=1, keepdims=True) - corners)
    given = coarse(
        Mesh(corners.reshape(-1, 3), np.arange(len(mesh.faces) * 3).reshape(-1, 3)),
        skeleton(straight(np.linspace(0, LENGTH, 5))),
    )
    exact = Falloff(centre=0.5).weights(corners.reshape(-1, 3)[:, 0], np.arange(5))
    np.testing.assert_allclose(solve(given).toarray()[given.surface.weld], exact, atol=1e-6)


def test_fingers_one_percent_apart_have_none_of_each_other():
    half = 0.04  # radius 0.03, 0.02 apart, on a body of 1.9
    rods = (
        [[-1.3, 0, 0], [0, half, 0], [0, -half, 0]],
        [[-0.05, 0, 0], [0.5, half, 0], [0.5, -half, 0]],
    )
    fingers = capsules(*rods, [0.08, 0.03, 0.03], 0.009)
    palm = capsules([[0, 0, 0]], [[0.17, 0, 0]], [0.085], 0.02)  # a body of its own, overlapping
    mesh = Mesh(
        np.vstack([fingers.vertices, palm.vertices]),
        np.vstack([fingers.faces, palm.faces + len(fingers.vertices)]),
    )
    joints, parents = [[-1.3, 0, 0], [-0.65, 0, 0], [0, 0, 0]], [-1, 0, 1]
    for side in (half, -half):
        for number, x in enumerate((0.25, 0.33, 0.41)):
            parents.append(len(joints) - 1 if number else 2)
            joints.append([x, side, 0])
    given = problem(mesh, skeleton(joints, parents))
    weights, at = solve(given).toarray(), given.surface.vertices
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    first = (at[:, 1] > 0.005) & (at[:, 0] > 0.29)
    second = (at[:, 1] < -0.005) & (at[:, 0] > 0.29)
    assert weights[second, 3:6].max() == 0 and weights[first, 6:9].max() == 0
    assert weights[first & (at[:, 0] > 0.45), 5].min() > 0.99


def test_parts_that_overlap_are_weighted_as_one_body():
    # A tube in two pieces that overlap: on the surface they are apart, in the body they are not.
    whole, _ = tube(straight, LENGTH, 0.3, 60, 16)
    piece, _ = tube(straight, 2.2, 0.3, 34, 16)
    mesh = Mesh(
        np.vstack([piece.vertices, piece.vertices + [1.8, 0, 0]]),
        np.vstack([piece.faces, piece.faces + len(piece.vertices)]),
    )
    joints = skeleton(straight(np.linspace(0, LENGTH, 5)))
    given = coarse(mesh, joints)
    exact = Falloff(centre=0.5).weights(given.surface.vertices[:, 0], np.arange(5))
    np.testing.assert_allclose(solve(given).toarray(), exact, atol=1e-6)
    # On one closed body both methods agree.
    given = coarse(whole, joints)
    np.testing.assert_allclose(solve(given).toarray(), solve_bands(given).toarray(), atol=1e-6)


def test_nothing_is_left_to_chance():
    mesh, _ = tube(straight, LENGTH, 0.3, 30, 12)
    given = coarse(mesh, skeleton(straight(np.linspace(0, LENGTH, 5))))
    assert (solve(given) != solve(given)).nnz == 0


def test_progress_is_told_from_beginning_to_end():
    mesh, _ = tube(straight, LENGTH, 0.3, 30, 12)
    told = []
    solve(
        coarse(
            mesh,
            skeleton(straight(np.linspace(0, LENGTH, 5))),
            progress=lambda stage, share: told.append((stage, share)),
        )
    )
    shares = [share for _, share in told]
    assert shares == sorted(shares) and shares[0] == 0 and shares[-1] == 1

"""Which bodies are even, and by which image."""

import numpy as np
import pytest
from bodies import tube
from trimesh.creation import box, icosphere

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.evenness import NEAR, even_surface, evenness, foldable, unchanged
from autoweight.surface.laplacian import laplacian, measure

BALL = icosphere(2)


def ball(stretch=1.0):
    """Even about all three planes, with vertices in each."""
    return BALL.vertices * stretch


@pytest.mark.parametrize("moved", [0.0, [3.0, -0.7, 1 / 3]])
def test_the_image_is_where_a_mirror_shows_it(moved):
    surface = prepare(Mesh(ball() + moved, BALL.faces))
    across = evenness(surface).image
    at = surface.vertices - moved
    np.testing.assert_allclose(at[across], at * [-1, 1, 1], atol=1e-12)
    middle = np.abs(at[:, 0]) < 1e-12
    assert 0 < middle.sum() < len(at)
    np.testing.assert_array_equal(across[middle], np.flatnonzero(middle))


@pytest.mark.parametrize("axis", range(3))
def test_any_axis_will_do(axis):
    bent = ball()
    for other in {0, 1, 2} - {axis}:
        bent[:, other] += 0.2 * bent[:, other] ** 2  # even about this one alone now
    surface = prepare(Mesh(bent, BALL.faces))
    sign = np.where(np.arange(3) == axis, -1, 1)
    np.testing.assert_allclose(
        surface.vertices[evenness(surface).image], surface.vertices * sign, atol=1e-12
    )


def test_a_body_with_one_vertex_elsewhere_is_not_even():
    bent = ball() + 0.1 * ball() ** 2
    assert evenness(prepare(Mesh(bent, BALL.faces))) is None
    moved = ball([1, 1.1, 1.2])
    moved[17] *= 1 + 1e-4
    assert evenness(prepare(Mesh(moved, BALL.faces))) is None


def test_a_flat_body_is_not_its_own_image():
    flat = Mesh([[0, 0, 0], [0, 1, 0], [0, 0, 2.0]], [[0, 1, 2]])
    assert evenness(prepare(flat)) is None


def test_triangles_that_are_not_even_are_seen():
    flat = Mesh([[-1, 0, 0], [1, 0, 0], [1.0, 1, 0.3], [-1, 1, 0.3]], [[0, 1, 2], [0, 2, 3]])
    surface = prepare(flat)
    across = evenness(surface).image
    bent = surface.vertices + [[0, 0, 0.5], [0, 0, -0.5], [0, 0, 0.5], [0, 0, -0.5]]
    assert not unchanged(laplacian(bent, surface.faces)[0], across)


def test_what_is_measured_of_an_even_body_is_the_same_on_both_sides():
    found = measure(prepare(Mesh(ball(), BALL.faces)))
    across = found.even.image
    matrix = found.laplacian.toarray()
    np.testing.assert_allclose(matrix[across][:, across], matrix, atol=1e-12)
    np.testing.assert_allclose(found.mass[across], found.mass, rtol=1e-12)
    mesh, _ = tube(lambda s: np.column_stack([s, 0.3 * s**2, 0.1 * s**3]), 1.0, 0.1, 9, 12)
    assert measure(prepare(mesh)).even is None


def test_faces_that_the_laplacian_does_not_tell_apart_are_told_by_their_areas():
    # Of a square cut in two the cotangent across the cut is 0, whichever way it goes.
    square = box([1, 1.1, 1.2])
    surface = prepare(Mesh(square.vertices, square.faces))
    matrix, mass = laplacian(surface.vertices, surface.faces)
    across = evenness(surface).image
    assert unchanged(matrix, across)
    assert np.abs(mass - mass[across]).max() > 0.1 * mass.max()
    np.testing.assert_array_equal(measure(surface).mass, (mass + mass[across]) / 2)


def test_of_quads_cut_along_other_diagonals_left_than_right_both_cuts_count_half():
    corners = [[-1, 0, 0], [0, 0, 0.4], [1, 0, 0], [-1, 1.2, 0.2], [0, 1, 0.3], [1, 1.2, 0.2]]
    one, other = [[0, 1, 4], [0, 4, 3]], [[1, 2, 5], [1, 5, 4]]  # both cut from the lower left
    found = measure(prepare(Mesh(corners, one + other)))
    mirror = [2, 1, 0, 5, 4, 3]
    wanted = [laplacian(np.array(corners), np.array(one + other, dtype=np.int32))]
    swapped = [[mirror[each] for each in face[::-1]] for face in one + other]
    wanted.append(laplacian(np.array(corners), np.array(swapped, dtype=np.int32)))
    matrix, mass = (sum(each) / 2 for each in zip(*wanted, strict=True))
    np.testing.assert_allclose(found.laplacian.toarray(), matrix.toarray(), atol=1e-12)
    np.testing.assert_allclose(found.mass, mass)
    assert np.abs((wanted[0][0] - wanted[1][0]).toarray()).max() > 0.01


def uneven_ball():
    """Even across x alone, and not about the origin."""
    return ball([1, 1.1, 1.2]) + 0.1 * np.array([0, 1, 1]) * ball() ** 2 + [0.37, 5, 1]


@pytest.mark.parametrize("share", [1e-9, 1e-7, 1e-6, 1e-5, 0.9e-4])
def test_what_exporters_round_is_made_even(share):
    at = uneven_ball()
    size = np.linalg.norm(np.ptp(at, axis=0))
    noise = np.random.default_rng(3).uniform(-1, 1, at.shape) / np.sqrt(3)
    surface = prepare(Mesh(at + 0.4 * share * size * noise, BALL.faces))
    found, even = even_surface(surface)
    assert even.axis == 0
    assert abs(even.twice / 2 - 0.37) < share * size
    assert np.linalg.norm(found.vertices - surface.vertices, axis=1).max() < share * size
    assert foldable(found) is not None
    np.testing.assert_array_equal(found.faces, surface.faces)


def test_what_is_even_stays_the_very_surface_and_what_is_meant_stays_uneven():
    surface = prepare(Mesh(uneven_ball(), BALL.faces))
    assert even_surface(surface)[0] is surface
    dented = uneven_ball()
    dented[17] += 3 * NEAR * np.linalg.norm(np.ptp(dented, axis=0))
    assert even_surface(prepare(Mesh(dented, BALL.faces))) is None
    mesh, _ = tube(lambda s: np.column_stack([s, 0.3 * s**2, 0.1 * s**3]), 1.0, 0.1, 9, 12)
    assert even_surface(prepare(mesh)) is None


def test_a_body_folds_where_faces_and_places_are_images_too():
    surface = prepare(Mesh(ball() + 0.3, BALL.faces))
    even = foldable(surface)
    low = surface.vertices[even.half, even.axis]
    assert low.max() <= even.twice / 2 + 1e-12
    np.testing.assert_array_equal(even.image, evenness(surface).image)
    assert len(np.union1d(even.half, even.image[even.half])) == len(surface)

    square = box([1, 1.1, 1.2])
    surface = prepare(Mesh(square.vertices, square.faces))
    assert evenness(surface) is not None
    assert foldable(surface) is None  # each side is cut in two in the same way, not in the mirror

    near = ball([1, 1.1, 1.2]) + 0.1 * np.array([0, 1, 1]) * ball() ** 2
    near[near[:, 0] > 0.5] += 1e-8
    surface = prepare(Mesh(near, BALL.faces))
    assert evenness(surface) is not None
    assert foldable(surface) is None

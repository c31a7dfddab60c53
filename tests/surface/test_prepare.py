import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist

from autoweight import Mesh, Part
from autoweight.errors import GeometryError
from autoweight.surface import prepare

TOLERANCE = 1e-6
TETRAHEDRON = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
SIDES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])


def same_partition(one, other):
    return len(set(zip(one.tolist(), other.tolist(), strict=True))) == len(set(one.tolist()))


@given(st.integers(0, 10**6))
@settings(max_examples=40)
def test_weld_agrees_with_all_pairs(seed):
    # Points spread so that no distance lies in the band the weld leaves open, 1 to 2.74.
    rng = np.random.default_rng(seed)
    base = rng.random((20, 3))
    diagonal = np.sqrt(3)
    corners = np.array([[0.0, 0, 0], [1, 1, 1]])
    jitter = rng.choice([0.0, 0.3, 0.5], (20, 1)) * TOLERANCE * rng.uniform(-1, 1, (20, 3))
    away = TOLERANCE * diagonal * 4 * np.eye(3)[rng.integers(0, 3, 20)]
    points = np.concatenate([corners, base, base + jitter, base + away])
    faces = rng.permutation(len(points) // 3 * 3).reshape(-1, 3)
    surface = prepare(Mesh(points, np.concatenate([faces, np.roll(faces, 1) % len(points)])))
    near = cdist(points, points) <= TOLERANCE * diagonal
    wanted = connected_components(near)[1]
    used = np.bincount(surface.weld, minlength=len(surface)) > 0
    assert used.all()
    if not any("without" in repair for repair in surface.repairs):
        assert same_partition(surface.weld, wanted) and same_partition(wanted, surface.weld)


def test_a_pair_on_either_side_of_a_grid_line_is_one_vertex():
    # Steps of a quarter of the tolerance along each axis cannot all miss the lines of a grid.
    for step in np.linspace(0, 2, 17):
        for axis in np.eye(3):
            at = TETRAHEDRON + step * TOLERANCE * axis
            twin = at[1:] + 0.9 * TOLERANCE * axis
            mesh = Mesh(np.concatenate([at, twin]), np.concatenate([SIDES, [[0, 4, 5], [4, 5, 6]]]))
            assert len(prepare(mesh)) == 4


def test_a_mesh_without_flaws_keeps_its_vertices_and_faces():
    surface = prepare(Mesh(TETRAHEDRON, SIDES))
    np.testing.assert_array_equal(surface.vertices, TETRAHEDRON)
    np.testing.assert_array_equal(surface.faces, SIDES)
    np.testing.assert_array_equal(surface.weld, np.arange(4))
    assert surface.repairs == ()


def test_edges_and_neighbours_are_those_of_the_faces():
    surface = prepare(Mesh(TETRAHEDRON, SIDES[:2]))
    wanted = [[0, 1], [0, 2], [0, 3], [1, 2], [1, 3]]
    np.testing.assert_array_equal(surface.edges, wanted)
    lengths = surface.adjacency.toarray()
    np.testing.assert_allclose(lengths, lengths.T)
    np.testing.assert_allclose(lengths[1], [1, 0, np.sqrt(2), np.sqrt(2)])
    np.testing.assert_allclose(surface.areas.sum(), 1.0)


def test_faces_without_area_and_twins_are_left_out_and_said():
    points = np.concatenate([TETRAHEDRON, [[0.5, 0, 0], [5, 5, 5]]])
    faces = np.concatenate([SIDES, [[0, 1, 4], [3, 3, 1], [1, 2, 0], [2, 1, 0]]])
    surface = prepare(Mesh(points, faces))
    np.testing.assert_array_equal(surface.faces, SIDES)
    assert surface.weld[5] in (1, 2, 3)
    said = " ".join(surface.repairs)
    assert "2 faces without area" in said and "2 faces that were there twice" in said
    assert "2 vertices without a face" in said


def test_a_vertex_without_a_face_neither_speaks_for_a_place_nor_says_its_part():
    points = np.concatenate([[[0.1, 0, 0], [0, 0, 0]], TETRAHEDRON])
    parts = (Part("stray", slice(0, 2), slice(0, 0)), Part("body", slice(2, 6), slice(0, 4)))
    surface = prepare(Mesh(points, SIDES + 2, parts))
    np.testing.assert_array_equal(surface.weld[:2], 0)
    np.testing.assert_array_equal(surface.loose, [0, 1])
    np.testing.assert_array_equal(surface.speakers, [2, 3, 4, 5])
    np.testing.assert_array_equal(surface.part, 1)
    np.testing.assert_array_equal(surface.mean @ np.arange(6), [2, 3, 4, 5])


def test_a_vertex_far_away_does_not_end_in_all_pairs():
    rng = np.random.default_rng(0)
    points = np.concatenate([rng.random((30_000, 3)), [[1e9, 0, 0]]])
    faces = rng.integers(0, 30_000, (60_000, 3))
    assert len(prepare(Mesh(points, faces))) > 29_000  # it belongs to no face
    faces[0, 0] = 30_000
    with pytest.raises(GeometryError, match="area"):
        prepare(Mesh(points, faces))


def test_all_vertices_in_one_place():
    with pytest.raises(GeometryError, match="one place"):
        prepare(Mesh(np.ones((3, 3)), [[0, 1, 2]]))


def test_what_is_kept_for_the_next_cannot_be_changed_by_the_last():
    surface = prepare(Mesh(TETRAHEDRON, SIDES))
    with pytest.raises(ValueError, match="read-only"):
        surface.adjacency.data /= 2

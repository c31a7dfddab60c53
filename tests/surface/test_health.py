import igl
import numpy as np
from bodies import capsules, straight, tube
from hypothesis import given, settings
from hypothesis import strategies as st

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.health import health

TETRAHEDRON = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
SIDES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])


def looked_over(vertices, faces):
    return health(prepare(Mesh(vertices, faces)))


def counts(state):
    return (
        len(state.crowded),
        len(state.pinched),
        len(state.rim),
        state.holes,
        len(state.opposed),
        len(state.inside_out),
    )


def test_a_closed_body_has_nothing():
    assert counts(looked_over(TETRAHEDRON, SIDES)) == (0, 0, 0, 0, 0, 0)
    body = capsules([[0.0, 0, 0]], [[1.0, 0, 0]], [0.3], 0.1)
    assert counts(health(prepare(body))) == (0, 0, 0, 0, 0, 0)


def test_a_missing_face_is_a_hole_and_an_open_tube_has_two():
    assert counts(looked_over(TETRAHEDRON, SIDES[1:])) == (0, 0, 3, 1, 0, 0)
    mesh, _ = tube(straight, 1.0, 0.2, 6, 8)
    count = len(mesh.vertices) - 2  # without the middles of the caps
    open_ = mesh.faces[(mesh.faces < count).all(axis=1)]
    assert counts(looked_over(mesh.vertices[:count], open_)) == (0, 0, 16, 2, 0, 0)


def test_a_body_turned_inside_out():
    state = looked_over(
        np.concatenate([TETRAHEDRON, TETRAHEDRON + 5]), np.concatenate([SIDES, SIDES[:, ::-1] + 4])
    )
    assert counts(state) == (0, 0, 0, 0, 0, 1)
    np.testing.assert_array_equal(state.inside_out, [1])


def test_a_face_wound_against_its_neighbours():
    faces = SIDES.copy()
    faces[2] = faces[2, ::-1]
    state = looked_over(TETRAHEDRON, faces)
    np.testing.assert_array_equal(state.opposed, [[1, 2], [1, 3], [2, 3]])


def test_a_fin_on_an_edge_and_two_bodies_at_one_corner():
    fin = np.concatenate([TETRAHEDRON, [[1, 1, 1.0]]])
    state = looked_over(fin, np.concatenate([SIDES, [[1, 2, 4]]]))
    np.testing.assert_array_equal(state.crowded, [[1, 2]])
    mirrored = np.concatenate([TETRAHEDRON, -TETRAHEDRON[1:]])
    away = np.array([0, 4, 5, 6])
    state = looked_over(mirrored, np.concatenate([SIDES, away[SIDES][:, ::-1]]))
    np.testing.assert_array_equal(state.pinched, [0])


@given(st.integers(0, 10**6), st.integers(4, 12), st.integers(2, 25))
@settings(max_examples=60)
def test_edges_agree_with_libigl(seed, points, count):
    rng = np.random.default_rng(seed)
    faces = np.array([rng.choice(points, 3, replace=False) for _ in range(count)])
    surface = prepare(Mesh(rng.normal(size=(points, 3)), faces))
    state = health(surface)
    whole = surface.faces.astype(np.int64)
    rim = np.sort(igl.boundary_facets(whole)[0], axis=1)
    # Theirs are the edges of one face; twice the same edge is none.
    assert len(rim) == len(state.rim)
    manifold = igl.is_edge_manifold(whole)[0]
    assert manifold == (len(state.crowded) == 0)

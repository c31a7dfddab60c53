import igl
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.sparse.linalg import eigsh
from scipy.spatial import ConvexHull, Delaunay

from autoweight.surface.laplacian import laplacian


def test_a_regular_tetrahedron_has_equal_weights():
    # Each edge has (cot 60° + cot 60°) / 2 = 1/√3 (Pinkall & Polthier, Experimental Math. 2, 1993).
    vertices = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    matrix, mass = laplacian(vertices, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]]))
    wanted = (4 * np.eye(4) - np.ones((4, 4))) / np.sqrt(3)
    np.testing.assert_allclose(matrix.toarray(), wanted, rtol=1e-4)
    np.testing.assert_allclose(mass, 2 * np.sqrt(3), rtol=1e-4)


def test_agrees_with_plain_cotangents_within_a_delaunay_mesh():
    # libigl's, of the opposite sign.
    flat = np.stack(np.meshgrid(np.arange(18.0), np.arange(18.0)), axis=-1)
    flat[1:-1, 1:-1] += np.random.default_rng(3).uniform(-0.3, 0.3, (16, 16, 2))
    flat = flat.reshape(-1, 2)
    faces = Delaunay(flat).simplices.astype(np.int64)
    vertices = np.column_stack([flat, np.zeros(len(flat))])
    found, plain = laplacian(vertices, faces.astype(np.int32))[0], -igl.cotmatrix(vertices, faces)
    inside = np.flatnonzero(((flat > 0) & (flat < 17)).all(axis=1))
    np.testing.assert_allclose(found.toarray()[inside], plain.toarray()[inside], atol=1e-3)


def test_frequencies_of_the_sphere():
    # Spherical harmonics of degree l: l(l + 1), 2l + 1 times.
    step = np.arange(2000) + 0.5
    height, turn = 1 - step / 1000, step * np.pi * (3 - np.sqrt(5))
    width = np.sqrt(1 - height**2)
    vertices = np.column_stack([width * np.cos(turn), width * np.sin(turn), height])
    matrix, mass = laplacian(vertices, ConvexHull(vertices).simplices.astype(np.int32))
    found = eigsh(
        sparse.csc_array(matrix),
        9,
        sparse.diags_array(mass),
        sigma=-0.1,
        v0=np.ones(2000),
        return_eigenvectors=False,
    )
    np.testing.assert_allclose(np.sort(found), [0, 2, 2, 2, 6, 6, 6, 6, 6], atol=0.03)


@given(st.integers(0, 10**6), st.integers(4, 12), st.integers(2, 25))
@settings(max_examples=60)
def test_any_heap_of_triangles_has_a_maximum_principle(seed, points, count):
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(points, 3)) * 10.0 ** rng.uniform(-3, 3)
    faces = np.array([rng.choice(points, 3, replace=False) for _ in range(count)])
    used, faces = np.unique(faces, return_inverse=True)
    matrix, mass = laplacian(vertices[used], faces.reshape(-1, 3).astype(np.int32))
    dense = matrix.toarray()
    scale = np.abs(dense).max()
    np.testing.assert_allclose(dense, dense.T, atol=1e-9 * scale)
    np.testing.assert_allclose(dense.sum(axis=1), 0, atol=1e-9 * scale)
    assert (dense - np.diag(np.diag(dense))).max() <= 1e-9 * scale
    assert np.linalg.eigvalsh(dense).min() > -1e-9 * scale
    assert (mass > 0).all()

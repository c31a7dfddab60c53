import numpy as np
import pytest
from bodies import capsules
from scipy import sparse
from trimesh.creation import icosphere

from autoweight.errors import GeometryError
from autoweight.methods.equilibrium import NEGLIGIBLE, equilibrium
from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.laplacian import Measured, laplacian, measure

HEADS = np.column_stack([np.linspace(0, 3, 12), np.zeros(12), np.zeros(12)])


@pytest.fixture(scope="module")
def rod():
    """A rod of radius 0.2 and the twelve joints along it, each vertex pulled to the nearest."""
    surface = prepare(capsules([HEADS[0]], [HEADS[-1]], [0.2], 0.05))
    nearest = np.abs(surface.vertices[:, :1] - HEADS[:, 0]).argmin(axis=1)
    share = sparse.csr_array(np.eye(12)[nearest])
    return surface, share, np.full(len(surface), 4 / 0.2**2)


def test_agrees_with_a_dense_solve_of_everything_at_once(rod):
    surface, share, pull = rod
    stiffness, mass = laplacian(surface.vertices, surface.faces)
    system = stiffness.toarray() + np.diag(mass * pull)
    wanted = np.linalg.solve(system, (mass * pull)[:, None] * share.toarray())
    # Its quads are cut one way all round, of which `measure` would take the mean with the other.
    found = equilibrium(surface, share, pull, measured=Measured(stiffness, mass, None)).toarray()
    assert np.abs(found - wanted).max() < 12 * NEGLIGIBLE
    np.testing.assert_allclose(found.sum(axis=1), 1, rtol=1e-14)
    assert found[found > 0].min() > NEGLIGIBLE / 2


def test_a_vertex_without_pull_takes_what_its_neighbours_have(rod):
    surface, share, pull = rod
    middle = np.abs(surface.vertices[:, 0] - 1.5) < 0.4
    found = equilibrium(
        surface, sparse.diags_array((~middle).astype(float)) @ share, np.where(middle, 0, pull)
    ).toarray()
    ends = surface.vertices[:, 0] < 1.5
    assert found[middle & ends, :6].sum(axis=1).min() > 0.5
    np.testing.assert_allclose(found.sum(axis=1), 1, rtol=1e-14)


def test_only_joints_with_sources_have_weight(rod):
    surface, share, pull = rod
    wide = sparse.hstack([sparse.csr_array((len(surface), 3)), share], format="csr")
    found = equilibrium(surface, wide, pull)
    assert found.shape == (len(surface), 15)
    assert found[:, :3].nnz == 0


def test_a_piece_that_nothing_pulls_is_an_error_that_says_where():
    triangle = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    surface = prepare(Mesh(np.concatenate([triangle, triangle + 7]), [[0, 1, 2], [3, 4, 5]]))
    share = sparse.csr_array(np.array([[1.0], [1], [1], [0], [0], [0]]))
    with pytest.raises(GeometryError, match=r"1 pieces.*\[7"):
        equilibrium(surface, share, np.array([1.0, 1, 1, 0, 0, 0]))


@pytest.mark.parametrize("uneven", [False, True])
def test_an_even_body_is_solved_as_halves_only_where_both_are_pulled_alike(uneven):
    ball = icosphere(2)
    surface = prepare(Mesh(ball.vertices, ball.faces))
    side = surface.vertices[:, 0]
    share = sparse.csr_array(np.column_stack([side > 0.3, side < -0.3, np.abs(side) <= 0.3]) * 1.0)
    pull = np.where(side > 0.3, 5.0 if uneven else 3.0, 3.0)
    stiffness, mass, even = measure(surface)
    system = stiffness.toarray() + np.diag(mass * pull)
    wanted = np.linalg.solve(system, (mass * pull)[:, None] * share.toarray())
    found = equilibrium(surface, share, pull).toarray()
    assert np.abs(found - wanted).max() < 3 * NEGLIGIBLE
    apart = np.abs(found[:, 0] - found[even.image, 1]).max()
    assert apart > 0.01 if uneven else apart < 1e-15

import numpy as np
import pytest
from bodies import straight, tube
from scipy.spatial import ConvexHull

from autoweight import Mesh
from autoweight.errors import GeometryError
from autoweight.surface import prepare
from autoweight.surface.tetrahedra import tetrahedra


def volumes(body):
    a, b, c, d = body.points[body.corners].transpose(1, 0, 2)
    return np.einsum("ti,ti->t", np.cross(b - a, c - a), d - a) / 6


@pytest.fixture(scope="module")
def bar():
    """A closed tube four long, and places along its axis that go out at both ends."""
    mesh, _ = tube(straight, 4.0, 0.5, 41, 32)
    return prepare(mesh), np.column_stack([np.linspace(-1, 5, 25), np.zeros((25, 2))])


def test_tetrahedra_fill_the_body_once(bar):
    surface, spine = bar
    body = tetrahedra(surface, spine)
    # A regular prism of 32 sides: n/2 · r² · sin(2π/n) across.
    whole = 16 * 0.5**2 * np.sin(np.pi / 16) * 4
    assert (volumes(body) > 0).all()
    assert volumes(body).sum() == pytest.approx(whole, rel=5e-3)
    assert np.array_equal(body.points[: len(surface)], surface.vertices)
    assert set(np.unique(body.corners)) == set(range(len(body.points)))


def test_places_inside_are_corners_and_those_outside_are_not(bar):
    surface, spine = bar
    body = tetrahedra(surface, spine)
    there = np.linalg.norm(body.points[:, None] - spine, axis=2).min(axis=0) < 1e-3
    assert np.array_equal(there, (spine[:, 0] >= 0) & (spine[:, 0] <= 4))


def test_the_same_body_is_cut_alike(bar):
    first, second = tetrahedra(*bar), tetrahedra(*bar)
    assert np.array_equal(first.corners, second.corners)
    assert np.array_equal(first.points, second.points)


def test_coarse_triangles_are_cut_as_finely_as_others():
    cube = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T.astype(float)
    mesh = Mesh(cube, hull(cube))
    body = tetrahedra(prepare(mesh), np.full((1, 3), 0.5))
    assert volumes(body).sum() == pytest.approx(1, rel=1e-2)
    assert len(body.points) > 1000


def hull(points):
    found = ConvexHull(points)
    faces = found.simplices
    normal = np.cross(
        points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]]
    )
    inward = np.einsum("ij,ij->i", normal, found.equations[:, :3]) < 0
    return np.where(inward[:, None], faces[:, ::-1], faces)


def test_a_sheet_has_no_inside():
    x, y = np.meshgrid(np.arange(9.0), np.arange(9.0))
    vertices = np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()])
    a = (np.arange(8)[:, None] + 9 * np.arange(8)).ravel()
    faces = np.concatenate([np.stack([a, a + 1, a + 10], 1), np.stack([a, a + 10, a + 9], 1)])
    with pytest.raises(GeometryError, match=r"encloses? no volume"):
        tetrahedra(prepare(Mesh(vertices, faces)), vertices[:1])

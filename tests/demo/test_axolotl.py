"""The demo rig: closed, exactly symmetric, with its digits apart and its joints inside."""

import igl
import numpy as np
import pytest
from scipy.spatial import cKDTree

from autoweight.demo import axolotl, model
from autoweight.demo.net import surface_net
from autoweight.demo.shapes import Shape, distance, smooth_minimum
from autoweight.errors import GeometryError
from autoweight.skeleton.chains import chains
from autoweight.surface import prepare

FLIP = np.array([-1.0, 1.0, 1.0])


@pytest.fixture(scope="module")
def rig():
    return axolotl()


def body(rig):
    part = rig.mesh.parts[0]
    return rig.mesh.vertices[part.vertices], rig.mesh.faces[part.faces].astype(np.int64)


def cone(head, tail, head_radius, tail_radius, **more):
    return Shape(
        np.array([head], float),
        np.array([tail], float),
        np.array([head_radius]),
        np.array([tail_radius]),
        **more,
    )


def test_rounded_cone_is_the_union_of_its_balls():
    """Against the definition, ball by ball, far more slowly."""
    rng = np.random.default_rng(3)
    points = rng.uniform(-2, 3, (500, 3))
    head, tail = np.array([0.1, -0.2, 0.3]), np.array([1.2, 0.4, -0.5])
    share = np.linspace(0, 1, 4001)[:, None]
    centres = head + share * (tail - head)
    radii = 0.7 + share[:, 0] * (0.2 - 0.7)
    balls = np.linalg.norm(points[:, None] - centres, axis=2) - radii
    found = distance(cone(head, tail, 0.7, 0.2), points, 10)
    np.testing.assert_allclose(found, balls.min(axis=1), atol=1e-6)


def test_plate_has_its_thickness_and_a_round_rim():
    disc = cone((0, 0, 0), (0, 0, 0), 2.0, 2.0, plate=(1, 0.5))
    points = np.array([(0.3, 0.9, 0), (2.5, 0, 0), (1.5 + 3, 4, 0)])
    np.testing.assert_allclose(distance(disc, points, 10), [0.4, 0.5, 4.5])


def test_smooth_minimum_is_lowest_by_a_quarter_of_its_width():
    """The quadratic kernel of I. Quilez, "Smooth minimum": m = a − k/4 where a = b."""
    same = np.array([1.0, 1.0, 1.0])
    other = np.array([1.0, 1.4, 2.0])
    np.testing.assert_allclose(smooth_minimum(same, other, 0.8), [0.8, 1 - 0.8 / 4 * 0.25, 1.0])


def test_net_of_a_ball_is_that_ball():
    net = surface_net(
        lambda points, within: np.linalg.norm(points, axis=1) - 1,
        0.1,
        np.array([0, -1.0, -1.0]),
        np.ones(3),
        lambda points, cell: np.where(points[:, 2] > 0.5, 0.025, 0.1),
    )
    np.testing.assert_allclose(np.linalg.norm(net.vertices, axis=1), 1, atol=1e-6)
    assert np.einsum("ij,ij->i", net.vertices, net.normals).min() > 0.99
    rim = igl.boundary_loop(net.faces)
    assert set(rim) == set(np.flatnonzero(net.vertices[:, 0] == 0))


def test_mesh_is_exactly_symmetric_with_its_faces(rig):
    vertices = rig.mesh.vertices
    order = np.lexsort(vertices.T)
    mirrored = np.lexsort((vertices * FLIP).T)
    np.testing.assert_array_equal(vertices[order], (vertices * FLIP)[mirrored] + 0.0)
    partner = np.empty(len(vertices), dtype=int)
    partner[order] = mirrored

    def cycles(faces):
        first = faces.argmin(axis=1)[:, None]
        turned = np.take_along_axis(faces, (first + np.arange(3)) % 3, axis=1)
        return turned[np.lexsort(turned.T)]

    faces = rig.mesh.faces
    np.testing.assert_array_equal(cycles(faces), cycles(partner[faces][:, ::-1]))
    centre = vertices[:, 0] == 0
    assert centre.sum() > 100
    np.testing.assert_array_equal(partner[centre], np.flatnonzero(centre))


@pytest.mark.parametrize("resolution", [0.7, 0.87, 1, 1.55])
def test_body_is_one_closed_manifold_without_handles(resolution):
    vertices, faces = body(axolotl(resolution))
    assert igl.is_edge_manifold(faces)[0]
    assert igl.is_vertex_manifold(faces).all()
    assert len(igl.boundary_loop(faces)) == 0
    assert len(vertices) - len(igl.edges(faces)) + len(faces) == 2
    assert np.asarray(igl.bfs_orient(faces)[1]).max() == 0
    assert igl.doublearea(vertices, faces).min() > 0


def test_too_coarse_is_refused():
    with pytest.raises(GeometryError, match=r"0\.5.*0\.7"):
        axolotl(0.5)


def test_size_is_as_said(rig):
    assert 18_000 < len(rig.mesh.vertices) < 25_000
    assert [part.name for part in rig.mesh.parts] == ["body", "eye_L", "eye_R"]
    assert 70 <= len(rig.skeleton) <= 85
    count = [len(axolotl(each).mesh.vertices) for each in (0.75, 1.5)]
    assert 3 < count[1] / count[0] < 5


def test_surface_is_used_as_it_is(rig):
    surface = prepare(rig.mesh)
    assert len(surface) == len(rig.mesh.vertices)
    assert surface.components.max() == 2


def test_joints_are_inside(rig):
    inside = igl.winding_number(
        rig.mesh.vertices, rig.mesh.faces.astype(np.int64), rig.skeleton.positions
    )
    assert inside.min() > 0.9


def test_joints_are_exactly_mirrored_and_point_along_their_bones(rig):
    skeleton = rig.skeleton
    flip = np.diag([*FLIP, 1])
    sided = [name for name in skeleton.names if name.endswith("_L")]
    assert len(sided) == sum(name.endswith("_R") for name in skeleton.names) == 34
    for name in sided:
        left, right = skeleton.index[name], skeleton.index[name[:-1] + "R"]
        np.testing.assert_array_equal(skeleton.rest[right], flip @ skeleton.rest[left] @ flip)
    for joint, children in enumerate(skeleton.children):
        np.testing.assert_allclose(np.linalg.det(skeleton.rest[joint]), 1)
        if len(children) == 1:
            bone = skeleton.positions[children[0]] - skeleton.positions[joint]
            along = skeleton.rest[joint, :3, 1] @ bone / np.linalg.norm(bone)
            assert along == pytest.approx(1)


def test_chains_are_the_limbs(rig):
    found = {chain.name: len(chain.joints) for chain in chains(rig.skeleton)}
    assert found["tail"] == 8
    assert found["gill_2_1_L"] == 3
    assert sum(name.startswith(("digit", "toe")) for name in found) == 18


def test_digits_are_close_but_apart(rig):
    """Along the surface, the way between neighbouring tips leads over the palm."""
    surface = prepare(rig.mesh)
    skeleton = rig.skeleton
    near = cKDTree(surface.vertices)
    from scipy.sparse.csgraph import dijkstra

    for name, count in (("digit", 4), ("toe", 5)):
        joints = [skeleton.index[f"{name}_{number}_2_L"] for number in range(1, count + 1)]
        at = skeleton.positions[joints]
        spacing = np.linalg.norm(np.diff(at, axis=0), axis=1)
        assert spacing.max() < 0.03 * 0.25  # of the length of the body
        tips = near.query(at)[1]
        way = dijkstra(surface.adjacency, indices=tips)[:, tips]
        assert np.diagonal(way, 1).min() > 1.9 * spacing.max()


def test_normals_point_outward():
    built = model()
    flat = igl.per_vertex_normals(built.rig.mesh.vertices, built.rig.mesh.faces.astype(np.int64))
    np.testing.assert_allclose(np.linalg.norm(built.normals, axis=1), 1)
    assert np.einsum("ij,ij->i", flat, built.normals).min() > 0.9
    assert built.colours.min() >= 0 and built.colours.max() <= 1

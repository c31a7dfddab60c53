import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import PLACES, X, difference, egg, random_weights, rig, skeleton

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.errors import GeometryError, RecipeError, WeightsError
from autoweight.skeleton.sides import UNPAIRED, Plane, pairs
from autoweight.surface import prepare
from autoweight.weights.counterparts import counterparts
from autoweight.weights.mirroring import mirror, unevenness


@pytest.mark.parametrize("keep", ["positive", "negative", "mean"])
def test_a_symmetric_mesh_comes_out_equal_bit_for_bit(keep):
    built = rig(*egg())
    weights, report = mirror(built, X, keep)
    assert difference(built, built.weights) > 0.1
    assert difference(built, weights) == 0.0
    assert report.symmetric and report.by_closest_point == 0
    assert report.on_plane + report.by_position == len(built.mesh.vertices)
    x = built.mesh.vertices[:, 0]
    kept = {"positive": x > 0, "negative": x < 0, "mean": np.zeros(len(x), bool)}[keep]
    assert np.array_equal(weights.dense()[kept], built.weights.dense()[kept])


def test_a_vertex_on_the_plane_gives_both_joints_of_a_pair_the_same():
    built = rig(*egg())
    dense = mirror(built, X)[0].dense()[built.mesh.vertices[:, 0] == 0]
    assert len(dense) > 10 and dense[:, 1].max() > 0.1
    assert np.array_equal(dense[:, 1], dense[:, 2]) and np.array_equal(dense[:, 4], dense[:, 5])
    np.testing.assert_allclose(dense.sum(axis=1), 1, rtol=0, atol=1e-15)


def test_the_mean_is_the_mean():
    built = rig(*egg(1))
    partner = counterparts(prepare(built.mesh), X, 1e-9).partner
    dense = built.weights.dense()
    wanted = (dense + dense[partner][:, [0, 2, 1, 3, 5, 4]]) / 2
    assert np.array_equal(mirror(built, X, "mean")[0].dense(), wanted)


@settings(max_examples=15)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["positive", "negative", "mean"]))
def test_neither_the_order_of_vertices_nor_the_plane_matters(seed, keep):
    generator = np.random.default_rng(seed)
    vertices, faces = egg(2)
    order = generator.permutation(len(vertices))
    shuffled = np.empty_like(vertices)
    shuffled[order] = vertices
    turn = np.linalg.qr(generator.normal(size=(3, 3)))[0]
    shift = generator.normal(size=3)
    plane = Plane(shift, turn @ [1, 0, 0])
    weights = random_weights(len(vertices), generator)
    built = rig(shuffled, order[faces], weights)
    turned = rig(
        shuffled @ turn.T + shift,
        order[faces],
        weights,
        skeleton=skeleton(places=PLACES @ turn.T + shift),
    )
    found = mirror(turned, plane, keep)[0]
    assert difference(built, found) == 0.0
    assert np.array_equal(found.dense(), mirror(built, X, keep)[0].dense())


def test_moved_vertices_are_matched_by_topology_and_named():
    vertices, faces = egg()
    generator = np.random.default_rng(2)
    right = np.flatnonzero(vertices[:, 0] < -0.1)
    moved = np.sort(generator.choice(right, 40, replace=False))
    partner = counterparts(prepare(Mesh(vertices, faces)), X, 1e-9).partner
    shifted = vertices.copy()
    shifted[moved] += generator.uniform(0.02, 0.04, size=(len(moved), 3))
    built = rig(shifted, faces)
    weights, report = mirror(built, X)
    assert report.by_topology == 2 * len(moved) and report.by_closest_point == 0
    assert np.array_equal(report.asymmetric, np.union1d(moved, partner[moved]))
    wanted = np.linalg.norm(shifted[report.asymmetric] - vertices[report.asymmetric], axis=1)
    own = np.isin(report.asymmetric, moved)
    np.testing.assert_allclose(report.distance[own], wanted[own], atol=1e-12)
    dense = weights.dense()
    assert np.array_equal(dense[partner][:, [0, 2, 1, 3, 5, 4]], dense)


def test_a_side_modelled_anew_takes_the_weights_of_the_closest_point():
    vertices, faces = egg(4)
    left = (vertices[faces][..., 0] >= 0).all(axis=1)
    coarse, coarse_faces = egg(3)
    right = (coarse[coarse_faces][..., 0] <= 0).all(axis=1)
    joined = np.vstack([vertices, coarse])
    mesh_faces = np.vstack([faces[left], coarse_faces[right] + len(vertices)])
    used, mesh_faces = np.unique(mesh_faces, return_inverse=True)
    joined = joined[used]

    def field(points):  # smooth, and the same for both hands
        share = np.zeros((len(points), 6))
        share[:, 1] = np.clip(points[:, 0], 0, None) / 2
        share[:, 2] = np.clip(-points[:, 0], 0, None) / 2
        share[:, 0] = 1 - share.sum(axis=1)
        return share

    given_weights = field(joined)
    given_weights[joined[:, 0] < 0] = [1, 0, 0, 0, 0, 0]
    built = rig(joined, mesh_faces.reshape(-1, 3), Weights(given_weights))
    weights, report = mirror(built, X)
    assert report.by_position > 100  # the coarse vertices are among the fine ones
    assert np.abs(weights.dense() - field(joined)).max() < 0.02
    moved = joined.copy()
    moved[moved[:, 0] < 0] += [0, 0.003, 0]
    built = rig(moved, mesh_faces.reshape(-1, 3), Weights(given_weights))
    weights, report = mirror(built, X)
    assert report.by_closest_point > 100 and not report.symmetric
    assert np.abs(weights.dense() - field(joined)).max() < 0.02


def test_the_weight_of_an_unpaired_joint_stays_and_its_ancestor_stands_in():
    names = ("root", "head", "horn")
    places = np.array([[0, 0, 0], [0, 1, 0], [0.5, 1.5, 0]])
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, :3, 3] = places
    bones = Skeleton(names, [-1, 0, 1], rest)
    vertices, faces = egg(1)
    dense = np.tile([0.25, 0.25, 0.5], (len(vertices), 1))
    dense[vertices[:, 0] < 0] = [0.5, 0.3, 0.2]
    built = rig(vertices, faces, Weights(dense), skeleton=bones)
    weights, report = mirror(built, X)
    assert report.unpaired == ("horn",)
    found = weights.dense()
    assert np.array_equal(found[vertices[:, 0] > 0], dense[vertices[:, 0] > 0])
    # Horn keeps its 0.2, the other 0.8 are root and head as 0.25 to 0.25 + 0.5.
    np.testing.assert_allclose(found[vertices[:, 0] < 0], [[0.2, 0.6, 0.2]] * 5, atol=1e-15)
    np.testing.assert_allclose(found[vertices[:, 0] == 0], [[0.125, 0.375, 0.5]] * 8, atol=1e-15)


def test_rows_that_rounding_left_above_one_stay_weights():
    # No joint has a counterpart, so every row stays, and what is left of 1 may be -2e-16.
    lone = skeleton(("a", "b", "c", "d", "e", "f"), PLACES + [0.3, 0, 0])
    vertices, faces = egg()
    built = rig(vertices, faces, skeleton=lone)
    assert (built.weights.matrix.sum(axis=1) > 1).any()
    weights, _ = mirror(built, X)
    assert weights.matrix.data.min() >= 0


def test_a_plane_that_the_mesh_has_nothing_to_do_with_is_refused():
    vertices, faces = egg()
    with pytest.raises(GeometryError, match="choose the plane it is symmetric to"):
        mirror(rig(vertices, faces), Plane.named("y=1.5"))


def test_vertices_split_at_a_seam_get_one_row():
    vertices, faces = egg(2)
    split = vertices[faces].reshape(-1, 3)
    whole = random_weights(len(vertices), np.random.default_rng(3))
    built = rig(split, np.arange(len(split)).reshape(-1, 3), Weights(whole.matrix[faces.ravel()]))
    found = mirror(built, X)[0].dense()
    assert np.array_equal(found, mirror(rig(vertices, faces, whole), X)[0].dense()[faces.ravel()])


def test_a_bind_pose_that_is_not_symmetric_is_told():
    places = PLACES.copy()
    places[1] += [0, 0.02, 0]
    report = mirror(rig(*egg(1), skeleton=skeleton(places=places)), X)[1]
    assert [name for name, _ in report.shifted] == ["arm_l", "arm_r"]
    assert report.shifted[0][1] == pytest.approx(0.02)
    assert not report.symmetric


def test_what_cannot_be_mirrored_is_refused():
    built = rig(*egg(1))
    with pytest.raises(RecipeError, match="positive, negative, mean"):
        mirror(built, X, "left")
    with pytest.raises(WeightsError, match="solve the rig first"):
        mirror(Rig(built.mesh, built.skeleton), X)
    with pytest.raises(GeometryError, match="move the plane"):
        mirror(built, Plane.named("x=5"))


def test_unevenness_is_nothing_after_a_mirror_and_the_gap_before():
    vertices, faces = egg(2)
    uneven = rig(vertices, faces, random_weights(len(vertices), np.random.default_rng(5)))
    even = rig(vertices, faces, mirror(uneven, X)[0])
    assert unevenness(even, X).max() == 0
    assert unevenness(uneven, X).max() > 0.1
    lopsided = vertices.copy()
    lopsided[np.argmax(vertices[:, 0])] *= 1.3
    partner_lost = unevenness(rig(lopsided, faces, even.weights), X)
    assert np.nanmax(partner_lost) == 0


@pytest.mark.parametrize("order", [[0, 1, 2], [1, 0, 2], [2, 1, 0], [1, 2, 0]])
def test_of_two_joints_in_the_place_of_one_the_nearer_is_its_counterpart(order):
    names, places = ("leg.L", "leg.L.001", "leg.L.002"), (1.0, 1.03, -1.0)
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[0, 1, 3] = 3
    rest[1:, 0, 3] = [places[each] for each in order]
    joints = Skeleton(("root", *(names[each] for each in order)), (-1, 0, 0, 0), rest)
    partner = pairs(joints, X)
    near, also, other = (joints.index[name] for name in names)
    assert partner[near] == other and partner[other] == near
    assert partner[also] == UNPAIRED

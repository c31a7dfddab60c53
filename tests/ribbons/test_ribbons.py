from dataclasses import replace

import numpy as np
import pytest
from strips import CLAMPED, controls_at, straight, tail

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.errors import FileError, GeometryError, WeightsError
from autoweight.io.ribbon import load_ribbon, save_ribbon
from autoweight.recipes.profiles import Falloff, Row
from autoweight.ribbons.ribbon import Riders, basis, mirrored
from autoweight.ribbons.riding import bend, ride
from autoweight.ribbons.strips import from_strip, strip
from autoweight.ribbons.weighing import leftovers, weigh
from autoweight.skeleton.sides import Plane


def test_basis_of_the_worked_example():
    # Piegl & Tiller, The NURBS Book, 2nd ed., example 2.3.
    values = basis(np.array([0, 0, 0, 1, 2, 3, 4, 4, 5, 5, 5.0]), 2, [2.5])
    assert values[0] == pytest.approx([0, 0, 1 / 8, 6 / 8, 1 / 8, 0, 0, 0])


def test_uniform_cubic_at_a_knot():
    # Piegl & Tiller, The NURBS Book, 2nd ed., chapter 2: the uniform cubic segment.
    values = basis(np.arange(9.0), 3, [4.0])
    assert values[0] == pytest.approx([0, 1 / 6, 4 / 6, 1 / 6, 0])


def test_a_quarter_circle_is_exact():
    # Piegl & Tiller, The NURBS Book, 2nd ed., section 7.3: weights 1, cos 45°, 1.
    arc = np.array([[1, 0], [1, 1], [0, 1.0]])
    points = np.zeros((3, 2, 3))
    points[:, :, :2] = arc[:, None]
    points[:, 1, 2] = 1
    ribbon = tail(
        points=points,
        degree=(2, 1),
        knots=([0, 0, 0, 1, 1, 1], [0, 0, 1, 1]),
        rational=np.array([1, np.sqrt(0.5), 1])[:, None] * [1, 1],
        riders=Riders(),
    )
    at = np.stack([np.linspace(0, 1, 33), np.full(33, 0.3)], axis=1)
    assert np.linalg.norm(ribbon.surface(at)[:, :2], axis=1) == pytest.approx(np.ones(33))
    # Its frames are the circle's tangent and inward or outward normal.
    frames = ribbon.frames(at)
    assert np.einsum("ki,ki->k", frames[:, :2, 0], frames[:, :2, 3]) == pytest.approx(np.zeros(33))
    assert ribbon.distance([1.0]) == pytest.approx(np.pi / 2, rel=1e-4)


def test_surface_agrees_with_a_reference_library():
    geomdl = pytest.importorskip("geomdl.NURBS")
    ribbon = tail(rational=np.linspace(0.5, 2, 14).reshape(7, 2))
    other = geomdl.Surface(normalize_kv=False)
    other.degree_u, other.degree_v = ribbon.degree
    weighted = np.concatenate(
        [ribbon.points * ribbon.rational[..., None], ribbon.rational[..., None]], axis=2
    )
    other.set_ctrlpts(weighted.reshape(-1, 4).tolist(), 7, 2)
    other.knotvector_u, other.knotvector_v = (list(knots) for knots in ribbon.knots)
    at = [(0.0, 0.0), (0.7, 0.2), (3.1, 0.9), (4.0, 1.0)]
    assert ribbon.surface(at) == pytest.approx(np.array(other.evaluate_list(at)))
    along = np.array([other.derivatives(*each, order=1)[1][0] for each in at])
    assert ribbon.mix(at, toward=0) @ ribbon.points.reshape(-1, 3) == pytest.approx(along)


def test_shares_sum_to_one():
    ribbon = tail()
    at = np.random.default_rng(1).random((50, 2)) * [4, 1]
    assert ribbon.mix(at).sum(axis=1) == pytest.approx(np.ones(50))
    assert ribbon.mix(at, toward=1).sum(axis=1) == pytest.approx(np.zeros(50), abs=1e-12)


def test_riders_go_with_a_rigid_motion():
    weights = np.random.default_rng(2).dirichlet(np.ones(3), size=14)
    ribbon = tail(weights=Weights(weights))
    skeleton = Skeleton(("root", "a", "b"), [-1, 0, 1], np.tile(np.eye(4), (3, 1, 1)))
    turn = np.eye(4)
    turn[:3] = [[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7]]
    moved = ride(ribbon, skeleton, (turn @ ribbon.controls.rest)[None])
    assert moved[0] == pytest.approx(np.stack([turn, turn]))


def test_control_points_follow_their_joints():
    weights = np.zeros((14, 3))
    weights[:, 0] = 1
    weights[12:] = [0, 0, 1]
    ribbon = tail(weights=Weights(weights))
    controls = np.array(ribbon.controls.rest)[None]
    controls[0, 2, :3, 3] += [0, 0, 2]
    moved = bend(ribbon, controls)[0] - ribbon.points.reshape(-1, 3)
    assert moved[:12] == pytest.approx(np.zeros((12, 3)))
    assert moved[12:] == pytest.approx(np.array([[0, 0, 2], [0, 0, 2]]))


def test_a_rider_outside_the_surface_is_named():
    with pytest.raises(GeometryError, match="'b'"):
        tail(riders=Riders(("a", "b"), [[1, 0.5], [4.5, 0.5]]))


def test_knots_must_fit():
    with pytest.raises(GeometryError, match="knots along: need 11"):
        tail(knots=(CLAMPED[1:], [0, 0, 1, 1]))


def test_weights_follow_the_profile_along_the_ribbon():
    ribbon = straight(controls_at(0, 2, 4))
    dense = weigh(ribbon, Falloff(shape="smooth")).dense().reshape(7, 2, 3)
    assert (dense[:, 0] == dense[:, 1]).all()
    t = np.array([0, 1 / 6, 1 / 2, 1])
    assert dense[:4, 0, 0] == pytest.approx(1 - (3 * t**2 - 2 * t**3), abs=1e-4)
    assert (dense[4:, 0, 0] == 0).all()


def test_exact_rows_come_out_exactly():
    rows = (Row(0, (0.7, 0.2, 0.1)), Row(2, (0.1, 0.2, 0.7)))
    dense = weigh(straight(controls_at(0, 2, 4)), Falloff(rows=rows)).dense()
    assert dense[0].tolist() == [0.7, 0.2, 0.1]
    assert dense[-1].tolist() == [0.1, 0.2, 0.7]


def test_a_zeroed_end_is_exactly_zero_and_the_rest_fills_in():
    ribbon = straight(controls_at(0, 2, 4))
    dense = weigh(ribbon, zero={"b": slice(0, 3)}).dense()
    assert (dense[:6, 1] == 0).all()
    assert dense.sum(axis=1) == pytest.approx(np.ones(14))
    with pytest.raises(WeightsError, match="row 0"):
        weigh(ribbon, zero={name: slice(0, 2) for name in "abc"})


def test_tiny_leftovers_are_named():
    dense = np.zeros((14, 3))
    dense[:, 0] = 1
    dense[9] = [0.996, 0, 0.004]
    assert leftovers(straight(controls_at(0, 2, 4), weights=Weights(dense))) == [("c", [9])]


def test_the_mirrored_copy_has_the_very_same_weights():
    ribbon = straight(controls_at(0, 2, 4))
    ribbon = replace(ribbon, weights=weigh(ribbon))
    other = mirrored(ribbon, Plane.named("x"), {"a": "A"})
    assert (other.weights.matrix != ribbon.weights.matrix).nnz == 0
    assert (other.points[..., 0] == -ribbon.points[..., 0]).all()
    assert other.controls.names == ("A", "b", "c")
    assert np.linalg.det(other.controls.rest[:, :3, :3]) == pytest.approx(np.ones(3))
    # Weighted afresh it comes out the same as well: the mirror image is as long.
    assert (weigh(other).dense() == ribbon.weights.dense()).all()


@pytest.mark.parametrize("flipped", [False, True])
def test_a_strip_mesh_is_read_as_it_was_written(flipped):
    ribbon = tail(
        degree=(1, 1),
        knots=([0, 0, 1, 2, 3, 4, 5, 6, 6], [0, 0, 1, 1]),
        weights=Weights(np.repeat(np.random.default_rng(6).dirichlet(np.ones(3), 7), 2, axis=0)),
    )
    rig = strip(ribbon)
    order = np.random.default_rng(7).permutation(14)
    faces = np.argsort(order)[rig.mesh.faces]
    shuffled = Rig(
        Mesh(rig.mesh.vertices[order], faces[:, ::-1] if flipped else faces),
        rig.skeleton,
        Weights(rig.weights.matrix[order]),
    )
    again = from_strip(shuffled)
    # Which edge of the strip comes first is not in a mesh.
    sides = (
        slice(None) if (again.points[0, 0] == ribbon.points[0, 0]).all() else slice(None, None, -1)
    )
    assert (again.points[:, sides] == ribbon.points).all()
    weights = again.weights.dense().reshape(7, 2, 3)[:, sides].reshape(14, 3)
    assert (weights == ribbon.weights.dense()).all()


def test_a_mesh_that_is_no_strip_is_refused():
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.5, 0.5, 0.0]])
    fan = Mesh(square, [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    with pytest.raises(GeometryError, match="strip"):
        from_strip(Rig(fan, controls_at(0)))


def test_the_file_has_all_of_a_ribbon(tmp_path):
    ribbon = tail(
        rational=np.linspace(0.5, 2, 14).reshape(7, 2),
        weights=Weights(np.random.default_rng(8).dirichlet(np.ones(3), size=14)),
    )
    save_ribbon(ribbon, tmp_path / "tail.json")
    again = load_ribbon(tmp_path / "tail.json")
    assert (again.points == ribbon.points).all()
    assert (again.rational == ribbon.rational).all()
    assert (again.weights.dense() == ribbon.weights.dense()).all()
    assert again.controls.names == ribbon.controls.names
    assert (again.riders.at == ribbon.riders.at).all()
    save_ribbon(again, tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "tail.json").read_bytes()


def test_a_broken_file_is_named(tmp_path):
    path = tmp_path / "tail.json"
    save_ribbon(tail(), path)
    path.write_text(path.read_text().replace('"degree"', '"degrees"'))
    with pytest.raises(FileError, match=r"tail\.json.*degrees"):
        load_ribbon(path)

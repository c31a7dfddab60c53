"""Pieces that move as one: what they turn about, and what carries them."""

import igl
import numpy as np
import pytest
from bodies import problem, skeleton, straight, tube
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.methods import parts
from autoweight.rig import Mesh


def ball(middle, radius):
    vertices, faces = igl.icosahedron()
    vertices, faces = igl.upsample(vertices, faces)
    unit = vertices / np.linalg.norm(vertices, axis=1, keepdims=True)
    return Mesh(radius * unit + middle, faces)


def rod(start, stop, radius):
    mesh, _ = tube(straight, float(np.linalg.norm(np.subtract(stop, start))), radius, 9, 12)
    along = np.subtract(stop, start) / np.linalg.norm(np.subtract(stop, start))
    turn, _ = Rotation.align_vectors([along], [[1.0, 0, 0]])
    return Mesh(turn.apply(mesh.vertices.copy()) + start, mesh.faces)


def together(*meshes):
    starts = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    faces = [mesh.faces + start for mesh, start in zip(meshes, starts, strict=False)]
    return Mesh(np.vstack([mesh.vertices for mesh in meshes]), np.vstack(faces))


def settled(given, weights):
    return parts.settled(given, weights, parts.laid_out(given))


def soft(given, *shares):
    """Every vertex of each piece as a solver had it: one row for all of a piece."""
    pieces = given.surface.components
    order = np.unique(pieces[given.surface.weld], return_index=True)[1].argsort().argsort()
    return sparse.csr_array(np.array(shares, dtype=float)[order[pieces]])


def rows(given, weights, place):
    """Weights of the piece nearest to a place."""
    surface = given.surface
    piece = surface.components[np.linalg.norm(surface.vertices - place, axis=1).argmin()]
    return weights.toarray()[surface.components == piece]


LEG = skeleton([[0, 0, 0], [2, 0, 0], [4, 0, -0.5]])  # hip, knee, foot


@pytest.fixture
def leg():
    """A leg of a machine: two rods that end at the knee, and a ball in it."""
    mesh = together(
        rod([0.0, 0, 0], [1.9, 0, 0], 0.2),
        rod([2.1, 0, 0], [4.0, 0, -0.5], 0.2),
        ball([2.0, 0, 0], 0.3),
    )
    return problem(mesh, LEG)


def test_a_rod_is_the_joints_along_whose_bone_it_lies(leg):
    found = settled(leg, soft(leg, [0.5, 0.5, 0], [0.2, 0.4, 0.4], [0.5, 0.5, 0]))
    np.testing.assert_array_equal(rows(leg, found, [1, 0.2, 0])[:, 0], 1)
    np.testing.assert_array_equal(rows(leg, found, [3, 0.2, -0.25])[:, 1], 1)


def test_a_ball_in_a_hinge_turns_with_the_joint_in_its_middle(leg):
    found = settled(leg, soft(leg, [1, 0, 0], [0, 1, 0], [0.6, 0.4, 0]))
    np.testing.assert_array_equal(rows(leg, found, [2, 0.3, 0])[:, 1], 1)


def test_a_boot_bends_at_the_ankle_inside_it():
    # The joint is a fifth of the boot's radius off its middle, and deep in it.
    boot = rod([1.7, 0, 0], [2.6, 0, 0], 0.3)
    given = problem(together(rod([0.0, 0, 0], [1.5, 0, 0], 0.8), boot), LEG)
    weights = soft(given, [1, 0, 0], [0.75, 0.25, 0])
    found = settled(given, weights)
    np.testing.assert_allclose(rows(given, found, [2.4, 0.3, 0])[:, 1], 0.25)


PUMP = skeleton([[0, 0, 0], [1.5, 0, 0], [-2, 0, 1.2]], [-1, 0, 0])
"""A stand, and a handle and a lid that turn on it."""


def pump(*more, joints=PUMP):
    return problem(together(rod([-3.0, 0, 0], [2, 0, 0], 0.6), *more), joints)


def test_a_stiff_part_goes_to_the_joint_that_the_others_in_it_hang_from():
    handle, lid = rod([1.5, 0, 0], [1.5, 0, 3], 0.2), rod([-2, 0, 1.2], [-3, 0, 1.9], 0.2)
    given = pump(handle, lid)
    found = settled(given, soft(given, [0.5, 0.3, 0.2], [0.6, 0.4, 0], [0.6, 0, 0.4]))
    np.testing.assert_array_equal(rows(given, found, [-1, 0.6, 0]), [[1.0, 0, 0]] * 110)
    np.testing.assert_array_equal(rows(given, found, [1.5, 0, 2])[:, 1], 1)
    np.testing.assert_array_equal(rows(given, found, [-2.5, 0, 1.5])[:, 2], 1)


def test_a_part_bends_at_a_joint_that_has_no_other_to_move():
    lid = rod([-2, 0, 1.2], [-3, 0, 1.9], 0.2)
    given = pump(lid, rod([0, 0, 2.5], [1, 0, 2.5], 0.2))
    found = settled(given, soft(given, [0.5, 0.3, 0.2], [0.6, 0, 0.4], [1, 0, 0]))
    np.testing.assert_allclose(rows(given, found, [-1, 0.6, 0]), [[0.5, 0.3, 0.2]] * 110)


def test_two_layers_bend_at_the_joint_in_both():
    joints = skeleton([[-2, 0, 0], [0.5, 0, 0]])
    given = pump(rod([-3.0, 0, 0], [2, 0, 0], 0.55), joints=joints)
    found = settled(given, soft(given, [0.5, 0.5], [0.5, 0.5]))
    np.testing.assert_allclose(found.toarray(), 0.5)


@pytest.mark.parametrize("middle", [[0.0, 0, 0], [0.0, 3, 0]])
def test_what_has_a_line_of_joints_in_it_or_one_at_no_part_bends(middle):
    joints = skeleton([[-2, 0, 0], middle, [1.8, 0, 0]], [-1, 0, 1])
    arms = rod([0, 0, 0.1], [0, 0, 3], 0.2), rod([1.8, 0, 0.1], [1.8, 0, 3], 0.2)
    given = pump(*arms, joints=joints)
    found = settled(given, soft(given, [0.5, 0.3, 0.2], [0.2, 0.6, 0.2], [0.2, 0.2, 0.6]))
    np.testing.assert_allclose(rows(given, found, [-1, 0.6, 0]), [[0.5, 0.3, 0.2]] * 110)


HEAD = skeleton([[0, 0, 0], [0, 0, 0.9], [0, 0.7, 1.6]], [-1, 0, 1])
"""A body, its head, and an ear whose joint is nearer to the eye than the head's."""


def face(*more):
    return problem(together(ball([0, 0, 0], 1.0), *more), HEAD)


def test_an_eye_is_carried_by_what_it_sits_on_and_not_by_the_nearest_joint():
    given = face(ball([0.5, 0.5, 0.75], 0.1), ball([0, 0.7, 1.6], 0.2))
    body = given.surface.components[given.surface.vertices[:, 2].argmin()]
    weights = soft(given, [0.2, 0.8, 0], [0, 0.1, 0.9], [0, 0, 1]).toarray()
    assert (given.surface.components == body).sum() > 40
    found = settled(given, sparse.csr_array(weights))
    np.testing.assert_array_equal(rows(given, found, [0.5, 0.5, 0.85])[:, 1], 1)
    # Where no joint has most of that place, what is clearly one joint's stays so,
    weights[given.surface.components == body] = [0.5, 0.5, 0]
    found = settled(given, sparse.csr_array(weights))
    np.testing.assert_array_equal(rows(given, found, [0.5, 0.5, 0.85])[:, 2], 1)
    # and another piece moves as the place does.
    eye = np.linalg.norm(given.surface.vertices - [0.5, 0.5, 0.75], axis=1) < 0.101
    weights[(weights[:, 2] == 0.9) & eye] = [0, 0.4, 0.6]
    found = settled(given, sparse.csr_array(weights))
    np.testing.assert_allclose(rows(given, found, [0.5, 0.5, 0.85])[:, :2], 0.5)


def test_a_joint_keeps_the_only_piece_it_has():
    given = face(ball([0.5, 0.5, 0.75], 0.1))
    found = settled(given, soft(given, [0.2, 0.8, 0], [0, 0.1, 0.9]))
    np.testing.assert_array_equal(rows(given, found, [0.5, 0.5, 0.85])[:, 2], 1)


def test_a_piece_that_two_joints_share_and_that_sits_on_nothing_stays_soft():
    given = problem(
        together(ball([0, 0, 0], 1.0), ball([3, 0, 0], 0.2)), skeleton([[0, 0, 0], [0, 5, 0]])
    )
    weights = soft(given, [1, 0], [0.6, 0.4])
    np.testing.assert_array_equal(settled(given, weights).toarray(), weights.toarray())


def test_one_surface_is_left_alone():
    given = problem(ball([0, 0, 0], 1.0), HEAD)
    weights = sparse.csr_array(np.tile([0.5, 0.4, 0.1], (len(given.surface), 1)))
    assert settled(given, weights) is weights


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_size_and_place_do_not_matter(leg, scale):
    turn = Rotation.from_euler("xyz", [0.3, -1.1, 2.0])
    mesh = leg.surface.vertices[leg.surface.weld].copy(), leg.surface.faces
    there = problem(
        Mesh(scale * turn.apply(mesh[0]) + [1, 2, 3], mesh[1]),
        skeleton(scale * turn.apply(LEG.positions.copy()) + [1, 2, 3]),
    )
    shares = [0.5, 0.5, 0], [0.2, 0.4, 0.4], [0.5, 0.5, 0]
    weights = settled(leg, soft(leg, *shares)).toarray()[leg.surface.weld]
    others = settled(there, soft(there, *shares)).toarray()[there.surface.weld]
    np.testing.assert_allclose(weights, others, atol=1e-12)


TRACK = skeleton([[0, 0, 0], [-2, 0, -1], [0, 0, -1], [2, 0, -1]], [-1, 0, 0, 0])
"""A hull, and three links of a track below it."""


def track(plate, *shares, links=3):
    """Links that are their joints' own, and a plate above them that the solver gave to several."""
    own = [ball([x, 0, -1], 0.2) for x in (-2, 0, 2)[:links]]
    given = problem(together(ball([0, 0, 2], 1.0), *own, plate), TRACK)
    rest = [np.eye(4)[each] for each in (1, 2, 3)[:links]]
    return given, soft(given, [1, 0, 0, 0], *rest, *shares)


def test_what_siblings_share_is_their_parents():
    plate = rod([-2.5, 0, -0.5], [2.5, 0, -0.5], 0.1)
    given, weights = track(plate, [0.1, 0.3, 0.3, 0.3])
    np.testing.assert_array_equal(rows(given, settled(given, weights), [1, 0.1, -0.5])[:, 0], 1)
    # What one of them shares with the parent bends between the two,
    given, weights = track(plate, [0.4, 0.6, 0, 0])
    found = settled(given, weights)
    np.testing.assert_allclose(rows(given, found, [1, 0.1, -0.5])[:, 1], 0.6)


def test_trousers_bend_between_two_legs_deep_inside_them():
    # Links two and three are deep in the piece: of two siblings it may be made to bend there,
    trousers = rod([-0.6, 0, -1], [2.6, 0, -1], 0.6)
    given, weights = track(trousers, [0.1, 0, 0.45, 0.45])
    found = settled(given, weights)
    np.testing.assert_allclose(rows(given, found, [1, 0.6, -1])[:, 2:], 0.45)
    # and of three it is what they run round.
    given, weights = track(trousers, [0.1, 0.2, 0.35, 0.35])
    np.testing.assert_array_equal(rows(given, settled(given, weights), [1, 0.6, -1])[:, 0], 1)


@pytest.mark.parametrize(
    ("length", "bends"), [(3.0, True), (1.8, True), (0.8, False)], ids=["sleeve", "short", "pad"]
)
def test_a_sleeve_bends_with_the_elbow_in_its_middle(length, bends):
    """Though only one joint is near its middle, as in an eye; a pad on the elbow does not bend."""
    arm = rod((-0.5, 0, 0), (4, 0, 0), 0.3)
    sleeve, _ = tube(straight, length, 0.4, 41, 16)
    open_ended = sleeve.faces[(sleeve.faces < len(sleeve.vertices) - 2).all(axis=1)]
    sleeve = Mesh(sleeve.vertices[:-2] + [1.5 - length / 2, 0, 0], open_ended)
    given = problem(together(arm, sleeve), skeleton([[0, 0, 0], [1.5, 0, 0], [3, 0, 0]]))
    x = given.surface.vertices[:, 0]
    held = np.clip((x[:, None] - [-9, 1.2, 2.7]) / 0.6, 0, 1)
    held = held * (1 - np.column_stack([held[:, 1:], np.zeros(len(x))]))
    found = settled(given, sparse.csr_array(held / held.sum(axis=1, keepdims=True))).toarray()
    on_sleeve = given.surface.components == given.surface.components[-1]
    assert (np.ptp(found[on_sleeve], axis=0).max() > 0.5) == bends

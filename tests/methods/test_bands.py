"""Bands against the closed form of their profile, and kept apart where limbs are."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import bend, capsules, helix, problem, skeleton, straight, tube

from autoweight.methods.bands import solve
from autoweight.recipes.profiles import Falloff, Row, curve
from autoweight.rig import Mesh, Skeleton
from autoweight.skeleton.bones import bones

LENGTH = 4.0
FALLOFFS = [
    Falloff("linear", centre=0),
    Falloff("smooth", centre=0),
    Falloff("smoother", centre=0),
    Falloff("gaussian", reach=2.0, centre=0),
    Falloff(hold=0.25, reach=0.75, centre=0),
    Falloff(centre=0.5),
]


def on_tube(path, falloff, rings=100, around=20, joints=5, radius=0.3):
    """Weights on a tube with evenly spaced joints, and the closed form, at its vertices."""
    mesh, s = tube(path, LENGTH, radius, rings, around)
    given = problem(mesh, skeleton(path(np.linspace(0, LENGTH, joints))), falloffs=(falloff,))
    place = s / LENGTH * (joints - 1)
    weights = solve(given).toarray()[given.surface.weld]
    return weights, falloff.weights(place, np.arange(joints)), place


@pytest.mark.parametrize("falloff", FALLOFFS)
def test_cylinder_of_two_thousand_vertices_has_the_closed_form(falloff):
    weights, exact, _ = on_tube(straight, falloff)
    assert len(weights) == 2002
    np.testing.assert_allclose(weights, exact, atol=1e-9)


def test_a_band_is_the_curve_about_its_joint():
    # The same without the code of `Falloff`: 3t^2 - 2t^3 of the distance in spacings.
    weights, _, place = on_tube(straight, Falloff("smooth", centre=0))
    for joint in range(5):
        t = np.clip(np.abs(place - joint), 0, 1)
        np.testing.assert_allclose(weights[:, joint], 1 - (3 * t**2 - 2 * t**3), atol=1e-9)


def test_the_error_between_vertices_falls_with_the_square_of_their_distance():
    # Linear interpolation of a smooth function is of second order; the middle of an edge is
    # where it errs most.
    errors = []
    for rings in (26, 51, 101):
        weights, _, place = on_tube(straight, Falloff("smooth", centre=0), rings, 16)
        at = np.arange(rings - 1) * 16
        middle = (weights[at] + weights[at + 16]) / 2
        exact = Falloff("smooth", centre=0).weights((place[at] + place[at + 16]) / 2, np.arange(5))
        errors.append(np.abs(middle - exact).max())
    assert errors[-1] < 1e-2
    assert (np.log2(np.array(errors[:-1]) / errors[1:]) > 1.8).all()


@pytest.mark.parametrize("falloff", FALLOFFS)
@pytest.mark.parametrize("turn", [45, 90, 180])
def test_bent_tube_has_the_weights_of_the_straight_one(falloff, turn):
    weights, exact, _ = on_tube(bend(LENGTH / np.radians(turn)), falloff)
    np.testing.assert_allclose(weights, exact, atol=1e-6)


@pytest.mark.parametrize("falloff", FALLOFFS)
def test_helix_has_the_weights_of_the_straight_tube_within_one_percent(falloff):
    weights, exact, _ = on_tube(helix(0.6, 0.25), falloff, rings=160, joints=17, radius=0.1)
    np.testing.assert_allclose(weights, exact, atol=1e-2)


def test_rows_are_met_on_the_surface():
    rows = (Row(0, (1, 0, 0)), Row(1, (0.2, 0.5, 0.3)), Row(2, (0, 0.4, 0.6)))
    mesh, s = tube(straight, LENGTH, 0.3, 41, 12)
    given = problem(
        mesh, skeleton(straight(np.array([0, 2.0, 4.0]))), falloffs=(Falloff(rows=rows),)
    )
    weights = solve(given).toarray()
    for row in rows:
        ring = np.isclose(s, 2 * row.at)
        np.testing.assert_allclose(weights[ring], np.tile(row.weights, (ring.sum(), 1)), atol=1e-12)


def steepest(weights, surface):
    """The most that a weight changes along an edge, for its length."""
    step = np.abs(np.diff(weights[surface.edges], axis=1)[:, 0]).max(axis=1)
    ends = surface.vertices[surface.edges]
    return (step / np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)).max()


RADIUS, GAP = 0.03, 0.02
FINGER = RADIUS + GAP / 2


@pytest.fixture(scope="module")
def hand():
    """An arm with two fingers, 1 % of the body's length apart."""
    heads = [[-1.3, 0, 0], [0, FINGER, 0], [0, -FINGER, 0], [0, FINGER, 0], [0, -FINGER, 0]]
    tails = [
        [-0.05, 0, 0],
        [0.2, FINGER, 0],
        [0.2, -FINGER, 0],
        [0.5, FINGER, 0],
        [0.5, -FINGER, 0],
    ]
    mesh = capsules(heads, tails, [0.08, 0.06, 0.06, RADIUS, RADIUS], 0.009)
    assert 0.011 * np.ptp(mesh.vertices[:, 0]) > GAP
    joints, parents = [[-1.3, 0, 0], [-0.65, 0, 0], [0, 0, 0]], [-1, 0, 1]
    for side in (FINGER, -FINGER):
        for number, x in enumerate((0.25, 0.33, 0.41)):
            parents.append(len(joints) - 1 if number else 2)
            joints.append([x, side, 0])
    return problem(mesh, skeleton(joints, parents))


def test_a_finger_has_none_of_its_neighbours_weight(hand):
    weights, at = solve(hand).toarray(), hand.surface.vertices
    first = (at[:, 1] > GAP / 4) & (at[:, 0] > 0.28)
    second = (at[:, 1] < -GAP / 4) & (at[:, 0] > 0.28)
    assert first.sum() > 500 and second.sum() > 500
    assert weights[second, 3:6].max() == 0 and weights[first, 6:9].max() == 0
    tips = np.abs(at[:, 0] - 0.47) < 0.02
    np.testing.assert_allclose(weights[tips & first, 5], 1)


# The steepest that a smooth band is: 3t^2 - 2t^3 climbs by 3/2 at most. Nowhere more than a fifth
# above that, though two hand-overs may cross: along the finger, and away from the web.
OWN, MOST = 1.5, 1.2


@pytest.mark.parametrize("centre", [0, 0.5])
def test_chains_meet_without_a_step(hand, centre):
    given = replace(hand, falloffs=(Falloff(centre=centre),) * len(hand.chains))
    assert steepest(solve(given).toarray(), hand.surface) < MOST * OWN / 0.08


@pytest.mark.parametrize("turn", [90, 130])
def test_inside_a_knee_is_no_step(turn):
    # There the planes that cut the limb cross, far from where its shares are even.
    way = np.radians(turn)
    joints = [[0, 0, 0], [1, 0, 0], [1 + np.cos(way), np.sin(way), 0]]
    given = problem(capsules(joints[:2], joints[1:], [0.25, 0.2], 0.04), skeleton(joints))
    for centre in (0, 0.5):
        weights = solve(replace(given, falloffs=(Falloff(centre=centre),))).toarray()
        assert steepest(weights, given.surface) < MOST * OWN
        if centre == 0:  # and yet every joint has all of what is round it
            assert weights.max(axis=0).min() > 0.95


def test_every_vertex_is_whole_and_nothing_is_left_to_chance(hand):
    weights = solve(hand)
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    again = solve(hand)
    assert (weights != again).nnz == 0


def test_joints_that_may_not_have_weight_get_none(hand):
    mesh, s = tube(straight, LENGTH, 0.3, 41, 12)
    given = problem(
        mesh, skeleton(straight(np.linspace(0, LENGTH, 5))), falloffs=(Falloff(centre=0),)
    )
    active = np.array([True, True, False, True, True])
    segments = bones(given.skeleton, active)
    weights = solve(replace(given, active=active, bones=segments)).toarray()
    assert weights[:, 2].max() == 0
    t = np.clip((s - 1) / 2, 0, 1)  # joint 1 hands over straight to joint 3
    middle = (s >= 1) & (s <= 3)
    np.testing.assert_allclose(weights[middle, 1], curve("smooth", t)[middle], atol=1e-9)


def test_a_piece_that_no_bone_is_in_goes_to_the_nearest():
    mesh, _ = tube(straight, LENGTH, 0.3, 41, 12)
    ball, _ = tube(straight, 0.1, 0.05, 4, 8)
    both = Mesh(
        np.vstack([mesh.vertices, ball.vertices + [3.95, 1.0, 0]]),
        np.vstack([mesh.faces, ball.faces + len(mesh.vertices)]),
    )
    joints = skeleton(straight(np.linspace(0, LENGTH, 5)))
    given = problem(both, joints, falloffs=(Falloff(centre=0),))
    weights = solve(given).toarray()[given.surface.weld]
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert weights[len(mesh.vertices) :, 4].min() > 0.9


def test_trees_that_hang_from_nothing_hand_over_half_way():
    # Two chains on one tube, as when the joint between them may have no weight.
    mesh, s = tube(straight, LENGTH, 0.3, 101, 16)
    given = problem(
        mesh,
        skeleton([[1.5, 0, 0], [0.5, 0, 0], [2.5, 0, 0], [3.5, 0, 0]], [-1, 0, -1, 2]),
        falloffs=(Falloff(centre=0),) * 2,
    )
    weights = solve(given).toarray()
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert weights[s < 1.4, 2:].max() == 0 and weights[s > 2.6, :2].max() == 0
    middle = weights[np.isclose(s, 2.0)]
    # The line where they meet runs from vertex to vertex, so it is off by up to one ring.
    np.testing.assert_allclose(middle[:, :2].sum(axis=1), 0.5, atol=1.6 * LENGTH / 100)
    assert steepest(weights, given.surface) < 1.5 * 1.1


def test_a_limb_bends_at_its_joints_where_nobody_said_anything():
    unsaid, exact, _ = on_tube(straight, Falloff())
    asked, _, _ = on_tube(straight, Falloff(centre=0.5, reach=1.0))
    np.testing.assert_array_equal(unsaid, asked)
    assert np.abs(unsaid - exact).max() > 0.4  # by itself a falloff is round the joint
    kept, exact, _ = on_tube(straight, Falloff(centre=0))
    np.testing.assert_allclose(kept, exact, atol=1e-9)


def test_beyond_the_last_joint_a_limb_goes_by_the_bone_that_the_file_tells_of():
    # A foot of half a shank's length is all its own from its middle on, and not its shank's.
    mesh, s = tube(straight, LENGTH, 0.3, 101, 12)
    bare = skeleton(straight(np.array([0.0, 2.0, 3.5])))
    told = Skeleton(bare.names, bare.parents, bare.rest, tips={2: np.array([4.0, 0, 0])})
    given = problem(mesh, told)
    foot = solve(given).toarray()[given.surface.weld, 2]
    before, after = np.clip((s - 2.75) / 1.5, 0, 0.5), np.clip((s - 3.5) / 0.5, 0, 0.5)
    np.testing.assert_allclose(foot, 1 - curve("smooth", before + after), atol=1e-9)


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [3, 0, 1, 2]])
def test_a_root_at_the_end_of_another_trees_last_bone_shares_what_lies_beyond(order):
    # Past it nobody is nearest, for longer than a hand-over is wide.
    mesh, s = tube(straight, 3.0, 0.3, 61, 12)
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[:, 0, 3] = np.array([0, 1, 2, -20])[order]
    parents = np.array([-1, 0, -1, -1])
    parents = np.array([order.index(each) if each >= 0 else -1 for each in parents[order]])
    joints = Skeleton(tuple("abcd"[each] for each in order), parents, rest)
    given = problem(mesh, joints)
    weights = solve(given).toarray()[given.surface.weld][:, np.argsort(order)]
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    past = s > 2.7
    np.testing.assert_allclose(weights[past][:, [1, 2]], 0.5, atol=1e-9)
    assert (weights[:, 3] == 0).all()  # a tree elsewhere has no part in it

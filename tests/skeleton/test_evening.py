"""Joints that are nearly even, made so."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from autoweight.rig import Skeleton
from autoweight.skeleton.axes import shared_axis
from autoweight.skeleton.bones import frames, leads
from autoweight.skeleton.evening import even_skeleton
from autoweight.skeleton.sides import Plane

MIRROR = np.diag([-1.0, 1.0, 1.0])


def figure(off=0.0, copied=False, middle=0.0) -> Skeleton:
    """A spine and two arms, even across x but for `off`; axes of the right copied or mirrored."""
    noise = np.random.default_rng(5)
    places = np.array([[0, 0, 0], [0, 1, 0.1], [0.3, 1, 0], [0.9, 0.95, 0.05], [-0.3, 1, 0]])
    places = np.vstack([places, MIRROR @ places[3]])
    turns = Rotation.from_euler(
        "xyz", [[0, 0, 0], [9, 0, 0], [0, 0, -90], [5, 3, -80], [0, 0, 0], [0, 0, 0]], degrees=True
    ).as_matrix()
    flip = np.diag([-1.0, -1, -1]) if copied else np.diag([-1.0, 1, 1])
    turns[4:] = MIRROR @ turns[2:4] @ flip
    rest = np.tile(np.eye(4), (6, 1, 1))
    rest[:, :3, 3] = places + off * noise.uniform(-1, 1, places.shape) + [middle, 0, 0]
    sway = Rotation.from_rotvec(10 * off * noise.uniform(-1, 1, places.shape)).as_matrix()
    rest[:, :3, :3] = sway @ turns
    names = ("hips", "chest", "arm_l", "hand_l", "arm_r", "hand_r")
    return Skeleton(names, [-1, 0, 1, 2, 1, 4], rest)


OTHER = [0, 1, 4, 5, 2, 3]


@pytest.mark.parametrize("copied", [False, True])
@pytest.mark.parametrize("middle", [0.0, 0.25])
def test_counterparts_and_their_axes_become_images_half_way(copied, middle):
    plane = Plane(np.array([middle, 0, 0]), np.array([1.0, 0, 0]))
    before = figure(0.01, copied, middle)
    found = even_skeleton(before, plane)
    at = found.positions
    np.testing.assert_allclose(plane.reflect(at), at[OTHER], atol=1e-15)
    np.testing.assert_allclose(at, (before.positions + plane.reflect(before.positions)[OTHER]) / 2)
    turns = MIRROR @ found.orientations[OTHER]
    lean = np.einsum("kij,kij->kj", turns, found.orientations)
    np.testing.assert_allclose(np.abs(lean), 1, atol=1e-12)
    np.testing.assert_array_less(0.98, np.einsum("kij,kij->kj", found.rest, before.rest)[:, :3])


def test_what_is_even_stays_and_so_does_what_has_no_counterpart():
    plane = Plane(np.zeros(3), np.array([1.0, 0, 0]))
    even = figure()
    np.testing.assert_allclose(even_skeleton(even, plane).rest, even.rest, atol=1e-15)
    rest = figure(0.01).rest.copy()
    names = ("hips", "chest", "arm_l", "hand_l", "arm_r", "sword")
    found = even_skeleton(Skeleton(names, [-1, 0, 1, 2, 1, 4], rest), plane)
    np.testing.assert_array_equal(found.rest[[3, 5]], rest[[3, 5]])


def test_two_beside_the_plane_whose_names_tell_no_sides_are_not_put_in_it():
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, :3, 3] = (0, 0, 0), (0.006, 1, 0), (-0.006, 1, 0)
    skeleton = Skeleton(("head", "bone_a", "bone_b"), [-1, 0, 0], rest)
    found = even_skeleton(skeleton, Plane(np.zeros(3), np.array([1.0, 0, 0])))
    np.testing.assert_array_equal(found.positions, skeleton.positions)


def test_two_in_the_middle_that_point_to_both_sides_go_on_doing_so():
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, 1, 3] = 0, 1, 1
    rest[1:, :3, :3] = Rotation.from_euler("z", [[30], [-30]], degrees=True).as_matrix()
    skeleton = Skeleton(("root", "one", "two"), [-1, 0, 0], rest)
    found = even_skeleton(skeleton, Plane(np.zeros(3), np.array([1.0, 0, 0])))
    np.testing.assert_allclose(found.rest, rest, atol=1e-15)


def test_a_joint_between_two_to_both_sides_of_its_axis_leads_to_neither():
    rest = figure().rest.copy()
    moved = np.array([0.1, 2, 0.1]) - rest[2, :3, 3]
    rest[2:4, :3, 3] += moved
    rest[4:, :3, 3] += MIRROR @ moved
    rest[1, :3, :3] = np.eye(3)
    skeleton = Skeleton(figure().names, [-1, 0, 1, 2, 1, 4], rest)
    assert shared_axis(skeleton) is not None
    assert leads(skeleton).tolist() == [1, -1, 3, -1, 5, -1]
    np.testing.assert_allclose(frames(skeleton).end[1, 0], 0, atol=1e-15)
    rest[4, :3, 3] = rest[2, :3, 3]  # one in the other's place is on no other side
    assert leads(Skeleton(figure().names, [-1, 0, 1, 2, 1, 4], rest))[1] == 2

"""Clips and forward kinematics."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from autoweight.errors import SkeletonError
from autoweight.pose.clip import Clip, rest_local, turned, world
from autoweight.rig import Skeleton

RNG = np.random.default_rng(6)


def tree():
    parents = np.array([-1, 0, 1, 1, 3, -1])
    rest = np.tile(np.eye(4), (6, 1, 1))
    rest[:, :3, :3] = Rotation.from_quat(RNG.normal(size=(6, 4))).as_matrix()
    rest[:, :3, :3] *= RNG.uniform(0.5, 2, (6, 1, 1))
    rest[:, :3, 3] = RNG.normal(size=(6, 3))
    return Skeleton(tuple("abcdef"), parents, rest)


def test_rest_comes_back_from_its_own_locals():
    skeleton = tree()
    assert np.allclose(world(skeleton, rest_local(skeleton)), skeleton.rest, atol=1e-12)
    still = turned(skeleton, np.zeros((3, 6, 3)))
    assert np.allclose(world(skeleton, still), skeleton.rest, atol=1e-12)


def test_a_turn_is_about_the_joint_and_carries_those_below_alone():
    skeleton = tree()
    turns = np.zeros((1, 6, 3))
    turns[0, 1] = [0.4, -0.7, 0.2]
    found = world(skeleton, turned(skeleton, turns))[0]
    spin = Rotation.from_rotvec(turns[0, 1]).as_matrix()
    pivot = skeleton.positions[1]
    expected = (skeleton.positions - pivot) @ spin.T + pivot
    assert np.allclose(found[[1, 2, 3, 4], :3, 3], expected[[1, 2, 3, 4]], atol=1e-12)
    assert np.allclose(found[[0, 5]], skeleton.rest[[0, 5]], atol=1e-12)


@pytest.mark.parametrize(
    ("times", "local", "words"),
    [
        ([0.0], np.eye(4)[None], r"need times \(f,\)"),
        ([0.0, 0.0], np.tile(np.eye(4), (2, 1, 1, 1)), "ascend"),
        ([], np.empty((0, 2, 4, 4)), "ascend"),
        ([0.0], np.full((1, 1, 4, 4), np.nan), "not finite"),
    ],
)
def test_bad_clips_are_told(times, local, words):
    with pytest.raises(SkeletonError, match=words):
        Clip("walk", times, local)

"""Joints that divide a bone, as those that share out the twist of an arm do."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import capsules, problem
from scipy.spatial.transform import Rotation

from autoweight.methods import find
from autoweight.pose.motion import DIVIDING, kinds, ranges
from autoweight.rig import Rig, Skeleton
from autoweight.skeleton.bones import bones, frames
from autoweight.skeleton.chains import chains
from autoweight.skeleton.descent import descent
from autoweight.stages.solving import first_pass
from autoweight.weights.strays import unrelated

NAMES = ("chest", "upper", "elbow", "wrist", "finger", "near", "far")
PARENTS = (-1, 0, 1, 2, 3, 1, 1)
PLACES = ((-2, 0, 0), (0, 0, 0), (3, 0, 0), (5.5, 0, 0), (6.5, 0, 0), (1, 0, 0), (2, 0, 0))


def arm(names=NAMES, parents=PARENTS, turn=None, **places):
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, :3, 3] = PLACES[: len(names)]
    for name, place in places.items():
        rest[names.index(name), :3, 3] = place
    if turn is not None:
        # A quarter turn about each bone more, so that frames are not all alike.
        for number in range(len(names)):
            about = Rotation.from_euler("x", 30 * number, degrees=True).as_matrix()
            rest[number, :3, :3] = about @ turn
    return Skeleton(names, parents, rest)


def divided(skeleton):
    return [skeleton.names[joint] for joint in np.flatnonzero(descent(skeleton).dividing)]


ALONG_Y = Rotation.from_euler("z", -90, degrees=True).as_matrix()


@pytest.mark.parametrize("turn", [None, np.eye(3), ALONG_Y])
@pytest.mark.parametrize("parents", [PARENTS, (-1, 0, 1, 2, 3, 1, 5)])
def test_they_follow_each_other_along_the_bone(turn, parents):
    skeleton = arm(parents=parents, turn=turn)
    assert divided(skeleton) == ["near", "far"]
    found = bones(skeleton)
    ends = dict(zip(found.joint.tolist(), found.tail[:, 0], strict=True))
    assert [ends[joint] for joint in (1, 5, 6, 2)] == [1, 2, 3, 5.5]
    np.testing.assert_allclose(frames(skeleton).end[[1, 5, 6], 0], [1, 2, 3])
    assert [chain.joints for chain in chains(skeleton)] == [(0, 1, 5, 6, 2, 3, 4)]


@pytest.mark.parametrize(
    "skeleton",
    [
        pytest.param(arm(near=(1, 0.2, 0), far=(2, 0.2, 0)), id="off it"),
        pytest.param(arm(near=(0.1, 0, 0), far=(2.99, 0, 0)), id="at its ends"),
        pytest.param(arm(near=(1, 0, 0), far=(1.05, 0, 0)), id="two in one place"),
        pytest.param(
            arm(parents=(-1, 0, 1, 2, 3, 0, 0), near=(-1, 0, 0), far=(-1.5, 0, 0)), id="root"
        ),
        pytest.param(
            arm(("chest", "upper", "elbow", "near"), (-1, 0, 1, 1), near=(1, 0, 0)), id="leaf alone"
        ),
        pytest.param(
            arm(parents=(-1, 0, 1, 2, 3, 1, 2), far=(3.5, 1, 0), near=(1, 1, 0)), id="none"
        ),
    ],
)
def test_what_is_elsewhere_divides_nothing(skeleton):
    assert divided(skeleton) == []
    np.testing.assert_array_equal(descent(skeleton).above, skeleton.parents)


def test_axes_that_point_elsewhere_are_minded():
    skeleton = arm(turn=ALONG_Y)
    rest = skeleton.rest.copy()
    rest[5, :3, :3] = np.eye(3)
    assert divided(Skeleton(NAMES, PARENTS, rest)) == ["far"]


def test_a_hand_without_fingers_ends_a_bone_where_axes_tell():
    names, parents = ("chest", "upper", "elbow", "near"), (-1, 0, 1, 1)
    assert divided(arm(names, parents, ALONG_Y, near=(1, 0, 0))) == ["near"]


@pytest.fixture(scope="module")
def body():
    return capsules([[-3, 0, 0], [0, 0, 0]], [[0, 0, 0], [7, 0, 0]], [0.9, 0.45], 0.15)


@pytest.mark.parametrize("method", ["heat", "bands", "nearest"])
def test_the_forearm_has_nothing_of_the_upper_arms(body, method):
    skeleton = arm()
    task = problem(body, skeleton)
    weights = find(method)(task).toarray()[task.surface.weld]
    x = body.vertices[:, 0]
    assert weights[x > 4.2][:, [1, 5, 6]].max() < 0.05
    for joint, middle in ((5, 1.5), (6, 2.5), (2, 4.25)):
        assert weights[np.abs(x - middle) < 0.2][:, joint].min() > 0.9


def test_the_one_before_takes_over_from_one_that_is_left_out(body):
    active = np.array([name != "far" for name in NAMES])
    skeleton = arm()
    task = problem(body, skeleton)
    task = replace(task, active=active, bones=bones(skeleton, active))
    weights = find("heat")(task).toarray()[task.surface.weld]
    there = np.abs(body.vertices[:, 0] - 2.5) < 0.2
    assert weights[there][:, 5].min() > 0.9


def test_what_they_hand_over_is_not_stray(body):
    skeleton = arm()
    apart = unrelated(skeleton)
    assert not apart[6, 2] and not apart[5, 2] and apart[0, 3]
    solution = first_pass(Rig(body, skeleton))
    x, found = body.vertices[:, 0], solution.weights.matrix.toarray()
    assert found[np.abs(x - 3) < 0.1][:, 6].min() > 0.25
    assert "near, far: share the bone they lie on with the joint it begins at" in solution.decisions


def test_they_twist_and_do_not_bend():
    skeleton = arm()
    plain = arm(NAMES[:5], PARENTS[:5])
    found, without = ranges(skeleton), ranges(plain)
    assert [found[joint] for joint in (5, 6)] == [DIVIDING, DIVIDING]
    assert found[:5] == without
    assert list(kinds(skeleton).values()) == list(kinds(plain).values())


def test_what_divides_a_bone_is_in_no_second_line():
    # Joints that hang backwards from one that divides a bone would follow each other in a circle.
    names = ("root", "upper", "lower", "end", "far", "middle", "near", "first")
    rest = np.tile(np.eye(4), (8, 1, 1))
    rest[:, 0, 3] = [-3, 0, 10, 12, 8, 6, 4, 2]
    skeleton = Skeleton(names, [-1, 0, 1, 2, 1, 4, 4, 6], rest)
    assert descent(skeleton).divided == ((1, 7, 6, 5, 4, 2),)
    np.testing.assert_array_equal(descent(skeleton).above, [-1, 0, 4, 2, 5, 6, 7, 1])

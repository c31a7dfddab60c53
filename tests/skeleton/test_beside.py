"""Last joints beside a limb: those that swell or round it, and those that lead away from it."""

import numpy as np
import pytest
from bodies import capsules
from scipy.spatial.transform import Rotation

from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Skeleton
from autoweight.skeleton.bones import bones, frames
from autoweight.stages.solving import first_pass
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight

NAMES = ("chest", "upper", "elbow", "wrist", "finger")
PLACES = ((-2, 0, 0), (0, 0, 0), (3, 0, 0), (5.5, 0, 0), (6.5, 0, 0))
ALONG_X = Rotation.from_euler("z", -90, degrees=True).as_matrix()
TURNS = {"none": None, "x": np.eye(3), "y": ALONG_X}


def arm(place, turn=None, leans=0.0, parent=1):
    """An arm, and one more joint that hangs from a joint of it, turned off it by some degrees."""
    rest = np.tile(np.eye(4), (6, 1, 1))
    rest[:, :3, 3] = (*PLACES, place)
    if turn is not None:
        # A part of a turn about each bone more, so that frames are not all alike.
        for number in range(5):
            about = Rotation.from_euler("x", 30 * number, degrees=True).as_matrix()
            rest[number, :3, :3] = about @ turn
        lean = Rotation.from_euler("z", leans, degrees=True).as_matrix()
        rest[5, :3, :3] = lean @ rest[parent, :3, :3]
    return Skeleton((*NAMES, "helper"), [-1, 0, 1, 2, 3, parent], rest)


@pytest.fixture(scope="module")
def body():
    """With a fin, up from the middle of the upper arm."""
    heads, tails = [[-3, 0, 0], [0, 0, 0], [1.5, 0, 0]], [[0, 0, 0], [7, 0, 0], [1.5, 2.5, 0]]
    return capsules(heads, tails, [0.9, 0.45, 0.3], 0.15)


def bone(body, skeleton):
    found = frames(skeleton, Sight(prepare(body)).depth)
    return found.end[5] - found.start[5]


@pytest.mark.parametrize("turn", TURNS.values(), ids=TURNS)
@pytest.mark.parametrize("place", [(1.5, 0, 0.3), (1.5, -0.2, -0.2), (3, 0, 0), (0, 0, 0)])
def test_a_joint_that_swells_or_rounds_a_limb_has_no_bone_but_its_place(body, place, turn):
    assert not bone(body, arm(place, turn)).any()


@pytest.mark.parametrize("bend", [10, 40])
def test_half_of_a_bend_is_no_aim(body, bend):
    straight = arm((3, 0, 0), np.eye(3), leans=bend / 2)
    rest = straight.rest.copy()
    rest[2, :3, :3] = Rotation.from_euler("z", bend, degrees=True).as_matrix() @ rest[2, :3, :3]
    assert not bone(body, Skeleton(straight.names, straight.parents, rest)).any()


@pytest.mark.parametrize(
    "skeleton",
    [
        pytest.param(arm((1.5, 1, 0)), id="outside the limb, without axes"),
        pytest.param(arm((1.5, 1, 0), np.eye(3)), id="outside the limb"),
        pytest.param(arm((1.5, -0.55, 0), np.eye(3), leans=8), id="just outside, and into it"),
        pytest.param(arm((1.5, 0, 0), np.eye(3), leans=90), id="aimed out of it"),
        pytest.param(arm((1.5, 0, 0.3), np.eye(3), leans=30), id="aimed elsewhere in it"),
        pytest.param(arm((7, 0, 0), np.eye(3), parent=4), id="the end of a chain"),
    ],
)
def test_what_leads_away_has_a_bone(body, skeleton):
    assert np.linalg.norm(bone(body, skeleton)) > 0.1


@pytest.mark.parametrize("method", ["heat", "bands"])
def test_the_forearm_has_nothing_of_a_muscle_of_the_upper_arm(body, method):
    rig = Rig(body, arm((1.5, 0, 0.3), np.eye(3)))
    held = first_pass(rig, Recipe(method=method)).weights.matrix.toarray()[:, 5]
    assert held[body.vertices[:, 0] > 3].max() < 0.05
    assert held.max() > 0.3


def test_what_only_holds_correctives_has_no_flesh(body):
    """A joint in the shoulder's place: what swells the muscles round it is points."""
    plain = arm((1.5, 0, 0.3))
    rest = np.concatenate([plain.rest, plain.rest[[1, 1, 1]]])
    rest[7:, :3, 3] = (0.3, 0.2, 0.1), (0.3, -0.2, 0.1)
    names = (*plain.names, "correctives", "front", "back")
    skeleton = Skeleton(names, [*plain.parents, 1, 6, 6], rest)
    found = frames(skeleton, Sight(prepare(body)).depth)
    owners = bones(skeleton, frame=found).joint
    assert 6 not in owners
    assert {7, 8} <= set(owners.tolist())

"""Ranges of motion made from the skeleton."""

import numpy as np
import pytest

from autoweight.errors import RecipeError
from autoweight.pose.clip import rest_local, world
from autoweight.pose.motion import AXES, Range, axes, kinds, played, range_of_motion, ranges
from autoweight.recipes.recipe import parse_recipe
from autoweight.rig import Skeleton
from autoweight.skeleton.sides import Plane

PLANE = Plane.named("x")


@pytest.fixture
def creature():
    """A spine, two bent limbs with two fingers each, and a jaw."""
    table = [
        ("root", -1, (0, 1, 0)),
        ("spine_1", 0, (0, 1, 1)),
        ("spine_2", 1, (0, 1, 2)),
        ("jaw", 2, (0, 0.8, 2.5)),
    ]
    for side, sign in (("L", 1), ("R", -1)):
        base = len(table)
        table += [
            (f"arm_1_{side}", 2, (sign * 0.5, 1, 2)),
            (f"arm_2_{side}", base, (sign * 1.5, 0.8, 1.8)),
            (f"arm_3_{side}", base + 1, (sign * 2.0, 0.1, 2.2)),
            (f"digit_1_{side}", base + 2, (sign * 2.3, 0.1, 2.3)),
            (f"digit_2_{side}", base + 2, (sign * 2.3, 0.1, 2.1)),
        ]
    rest = np.tile(np.eye(4), (len(table), 1, 1))
    rest[:, :3, 3] = [at for _, _, at in table]
    return Skeleton([name for name, _, _ in table], [parent for _, parent, _ in table], rest)


def test_chains_are_told_apart(creature):
    told = {chain.name: kind for chain, kind in kinds(creature, PLANE).items()}
    assert told["arm_1_L"] == told["arm_1_R"] == "limb"
    assert told["digit_1_L"] == told["digit_2_R"] == "digit"
    assert told["jaw"] == "single"
    spine = next(kind for chain, kind in kinds(creature, PLANE).items() if 1 in chain.joints)
    assert spine == "spine"


def test_axes_are_orthonormal_with_twist_along_the_bone(creature):
    found = axes(creature, PLANE)
    assert np.allclose(found @ found.swapaxes(1, 2), np.eye(3), atol=1e-12)
    arm = creature.index["arm_1_L"]
    bone = creature.positions[arm + 1] - creature.positions[arm]
    assert np.allclose(found[arm, 2], bone / np.linalg.norm(bone))


def test_a_bent_limb_bends_in_its_own_plane(creature):
    """The elbow of a bent arm is a hinge: its axis is normal to both bones."""
    elbow = creature.index["arm_2_L"]
    bend = axes(creature, PLANE)[elbow, 0]
    at = creature.positions
    assert abs(bend @ (at[elbow] - at[elbow - 1])) < 0.2
    assert abs(bend @ (at[elbow + 1] - at[elbow])) < 1e-12


def test_poses_of_chains_are_mirror_images_of_themselves(creature):
    clip = range_of_motion(creature, PLANE)
    placed = world(creature, clip.local)[:, :, :3, 3]
    left, right = creature.index["arm_1_L"], creature.index["arm_1_R"]
    both = [
        number for number, label in enumerate(clip.labels) if label.startswith("arm_1_L and other")
    ]
    assert len(both) == 2 * len(AXES)
    for joint in range(5):
        image = PLANE.reflect(placed[both, left + joint])
        assert np.allclose(image, placed[both, right + joint], atol=1e-12)
    assert np.ptp(placed[both, left + 2], axis=0).max() > 0.5


def test_single_poses_turn_one_joint_by_its_range(creature):
    clip = range_of_motion(creature, PLANE)
    number = clip.labels.index("arm_2_L bend +90°")
    moved = np.abs(clip.local[number] - rest_local(creature)).max(axis=(1, 2)) > 1e-9
    assert np.flatnonzero(moved).tolist() == [creature.index["arm_2_L"]]
    spin = (np.linalg.inv(rest_local(creature)) @ clip.local[number])[moved][0, :3, :3]
    assert (np.trace(spin) - 1) / 2 == pytest.approx(0, abs=1e-12)


def test_rules_of_the_recipe_go_by_pattern_and_the_last_counts(creature):
    recipe = parse_recipe("""
        motion = [
            {joints = ["arm_*"], bend = 10, side = 0, twist = 0},
            {joints = ["arm_2_*"], bend = 20},
        ]
    """)
    found = ranges(creature, PLANE, recipe)
    assert found[creature.index["arm_1_R"]] == Range(bend=10)
    assert found[creature.index["arm_2_L"]] == Range(bend=20)
    assert "arm_2_L bend +20°" in range_of_motion(creature, PLANE, recipe).labels
    with pytest.raises(RecipeError, match="no joint matches 'leg_\\*'"):
        ranges(creature, PLANE, parse_recipe('motion = [{joints = ["leg_*"]}]'))
    with pytest.raises(RecipeError, match="0 to 180"):
        parse_recipe('motion = [{joints = ["arm_*"], twist = 270}]')


def test_an_animation_passes_the_bind_pose_between_poses(creature):
    clip = range_of_motion(creature, PLANE)
    shown = played(creature, clip)
    assert np.allclose(shown.local[::2], rest_local(creature))
    assert (shown.local[1::2] == clip.local).all()
    assert shown.labels[1::2] == clip.labels


def test_a_skeleton_that_cannot_move_gives_its_bind_pose():
    alone = Skeleton(("root",), [-1], np.eye(4)[None])
    assert range_of_motion(alone).labels == ("bind pose",)

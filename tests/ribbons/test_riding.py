from dataclasses import replace

import numpy as np
import pytest
from strips import controls_at, straight

from autoweight import Skeleton, Weights
from autoweight.errors import RecipeError, WeightsError
from autoweight.pose.clip import Clip, rest_local, turned, world
from autoweight.pose.motion import range_of_motion
from autoweight.ribbons.ribbon import Riders
from autoweight.ribbons.riding import bend, carriage, driven, driven_clip, leaks, without
from autoweight.ribbons.weighing import weigh


def rig_skeleton() -> Skeleton:
    """A root, three joints that ride at 1, 2 and 3, and one that hangs from the last."""
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[:, 0, 3] = [0, 1, 2, 3, 3]
    rest[4, 1, 3] = 1
    return Skeleton(("root", "r1", "r2", "r3", "leaf"), [-1, 0, 1, 2, 3], rest)


def ribbon(**changes):
    made = straight(
        controls_at(0, 2, 4), riders=Riders(("r1", "r2", "r3"), [[1, 0.5], [2, 0.5], [3, 0.5]])
    )
    return replace(made, weights=weigh(made), **changes)


def bent(built, degrees=50):
    turns = np.zeros((1, 3, 3))
    turns[0, 2] = [0, 0, np.radians(degrees)]
    return world(built.controls, turned(built.controls, turns))


def leaking():
    """The ribbon with two hundredths of its last control on its first rows of control points."""
    built = ribbon()
    dense = built.weights.dense()
    dense[2:6] = 0.98 * dense[2:6] + 0.02 * np.eye(3)[2]
    return replace(built, weights=Weights(dense))


def test_at_rest_nothing_moves():
    built = ribbon()
    poses = driven(built, rig_skeleton(), built.controls.rest[None])
    assert poses[0] == pytest.approx(rig_skeleton().rest)


def test_what_hangs_from_a_rider_goes_with_it():
    built, skeleton = ribbon(), rig_skeleton()
    pose = driven(built, skeleton, bent(built))[0]
    assert np.abs(pose[3] - skeleton.rest[3]).max() > 0.05
    assert np.linalg.solve(pose[3], pose[4]) == pytest.approx(rest_local(skeleton)[4])
    assert pose[0] == pytest.approx(skeleton.rest[0])


def test_a_clip_of_the_controls_is_a_clip_of_the_rig():
    built, skeleton = ribbon(), rig_skeleton()
    turns = np.random.default_rng(0).uniform(-0.5, 0.5, (4, 3, 3))
    clip = Clip("sway", np.arange(4.0), turned(built.controls, turns))
    found = driven_clip(built, skeleton, clip)
    assert found.labels == clip.labels
    wanted = driven(built, skeleton, world(built.controls, clip.local))
    assert world(skeleton, found.local) == pytest.approx(wanted)


def test_shares_of_the_controls_sum_to_the_displacement():
    built = ribbon()
    turns = np.random.default_rng(1).uniform(-0.9, 0.9, (1, 3, 3))
    controls = world(built.controls, turned(built.controls, turns))
    moved = built.surface(built.riders.at, bend(built, controls))[0]
    for number, name in enumerate(built.riders.names):
        found = carriage(built, controls[0], name)
        wanted = moved[number] - built.surface(built.riders.at)[number]
        assert np.abs(found.shares.sum(axis=0) - wanted).max() < 1e-9
        assert np.abs(found.displacement - wanted).max() < 1e-9


def test_a_leak_is_named_and_taking_it_off_stops_the_motion():
    built = leaking()
    found = carriage(built, bent(built)[0], "r1")
    assert found.strongest == "c" and found.leak
    assert set(found.points) <= set(range(2, 6)) and found.weight == pytest.approx(0.02)
    assert np.linalg.norm(found.displacement) > 1e-3
    assert found.left < 0.05 * np.linalg.norm(found.displacement)
    assert "control points 2–5" in found.told and "0.02 of c" in found.told
    mended = replace(built, weights=without(built, "c", np.array(found.points)))
    again = carriage(mended, bent(built)[0], "r1")
    assert np.linalg.norm(again.displacement) == pytest.approx(found.left)
    # Rows that have nothing to do with it are bit for bit the same.
    kept = np.setdiff1d(np.arange(14), found.points)
    assert (mended.weights.dense()[kept] == built.weights.dense()[kept]).all()


def test_a_hand_over_is_no_leak():
    built = ribbon()
    found = carriage(built, bent(built)[0], "r3")
    assert found.strongest == "c" and not found.leak


def test_what_cannot_be_asked_is_refused():
    built = ribbon()
    with pytest.raises(RecipeError, match="r4"):
        carriage(built, built.controls.rest, "r4")
    with pytest.raises(WeightsError):
        carriage(replace(built, weights=None), built.controls.rest, "r1")
    whole = replace(built, weights=Weights(np.eye(3)[np.zeros(14, dtype=int)]))
    with pytest.raises(WeightsError, match="alone"):
        without(whole, "a", np.array([0]))


def test_flexing_finds_a_leak_on_the_ribbon_first():
    """Control points near the first of four controls have two hundredths of the last."""
    made = straight(controls_at(0, 1.3, 2.7, 4), riders=Riders(("r1",), [[1, 0.5]]))
    clip = range_of_motion(made.controls)
    sound = replace(made, weights=weigh(made))
    assert leaks(sound, clip) == []
    dense = sound.weights.dense()
    dense[2:4] = 0.98 * dense[2:4] + 0.02 * np.eye(4)[3]
    (place,) = leaks(replace(made, weights=Weights(dense)), clip)
    assert place.joint == made.controls.names[3]
    assert place.vertices.tolist() == [2, 3]
    assert place.severity > 1
    assert "on 2 control points" in place.told

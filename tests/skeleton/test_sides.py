import numpy as np
import pytest

from autoweight import Skeleton
from autoweight.errors import RecipeError
from autoweight.skeleton.sides import UNPAIRED, Plane, likely_plane, opposite, pairs

X = Plane.named("x")


def skeleton(**places):
    rest = np.tile(np.eye(4), (len(places), 1, 1))
    rest[:, :3, 3] = list(places.values())
    return Skeleton(tuple(places), [-1, *[0] * (len(places) - 1)], rest)


def found(built, **options):
    return {
        name: built.names[other] if other >= 0 else None
        for name, other in zip(built.names, pairs(built, X, **options), strict=True)
    }


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("arm_L", "arm_R"),
        ("l.arm", "r.arm"),
        ("LeftUpArm", "RightUpArm"),
        ("upArmLeft", "upArmRight"),
        ("LArm01", "RArm01"),
        ("armL", "armR"),
        ("leftarm", "rightarm"),
        ("lf_arm", "rt_arm"),
        ("LF_ARM_1", "RT_ARM_1"),
        ("b_LeftArm_06", "b_RightArm_09"),
        ("R_lower_l", "R_lower_r"),
    ],
)
def test_names_that_differ_in_the_side_alone_are_pairs(left, right):
    built = skeleton(root=[0, 0, 0], **{left: [1, 1, 0], right: [-1, 1, 0]})
    assert found(built) == {"root": "root", left: right, right: left}


def test_numbers_are_minded_before_places():
    built = skeleton(
        root=[0, 0, 0], arm_L_1=[1, 1, 0], arm_L_2=[1, 1, 0], arm_R_2=[-1, 1, 0], arm_R_1=[-1, 1, 0]
    )
    assert found(built)["arm_L_1"] == "arm_R_1"
    assert found(built)["arm_R_2"] == "arm_L_2"


def test_a_run_that_the_exporter_numbered_through_is_paired_by_place():
    built = skeleton(
        root=[0, 0, 0],
        b_LeftLeg01_015=[1, 1, 0],
        b_LeftLeg02_016=[1, 2, 0],
        b_RightLeg01_019=[-1, 1, 0],
        b_RightLeg02_020=[-1, 2, 0],
    )
    assert found(built)["b_LeftLeg01_015"] == "b_RightLeg01_019"
    assert found(built)["b_RightLeg02_020"] == "b_LeftLeg02_016"


def test_a_place_that_does_not_agree_refuses_the_pair_and_an_override_makes_it():
    built = skeleton(root=[0, 0, 0], arm_L=[1, 1, 0], arm_R=[-1, 3, 0])
    assert found(built)["arm_L"] is None
    assert found(built, overrides=[("arm_L", "arm_R")])["arm_R"] == "arm_L"


def test_a_joint_off_the_plane_without_a_counterpart_is_unpaired():
    built = skeleton(root=[0, 0, 0], horn=[1, 1, 0], bright=[0, 2, 0], L_4=[0, 1, 0])
    assert pairs(built, X).tolist() == [0, UNPAIRED, 2, 3]


def chained(parents, **places):
    built = skeleton(**places)
    return Skeleton(built.names, parents, built.rest)


def test_a_copy_that_kept_the_word_for_its_side_is_a_counterpart():
    leg = {"leg_L": [1, 1, 0], "foot_L": [1, 0, 0], "leg_L_001": [-1, 1, 0], "foot_R": [-1, 0, 0]}
    named = found(chained([-1, 0, 1, 0, 3], root=[0, 0, 0], **leg))
    assert (named["leg_L"], named["leg_L_001"]) == ("leg_L_001", "leg_L")
    assert named["foot_L"] == "foot_R"
    other = found(chained([-1, 0, 1, 0, 3], root=[0, 0, 0], **(leg | {"leg_L_001": [-1, 3, 0]})))
    assert other["leg_L"] is None


def test_a_chain_that_crosses_the_plane_is_no_pair_with_itself():
    built = chained([-1, 0, 1], spine_1=[1, 0, 0], spine_2=[0, 0, 0], spine_3=[-1, 0, 0])
    assert pairs(built, X).tolist() == [UNPAIRED, 1, UNPAIRED]
    # Numbers alone say nothing of a plane, or a bench of legs would have two.
    four = [1, 0, 1], [-1, 0, 1], [1, 0, -1], [-1, 0, -1]
    legs = {f"leg_{number}": place for number, place in enumerate(four)}
    built = chained([-1, 0, 0, 0, 0], seat=[0, 0, 0], **legs)
    assert pairs(built, X).tolist() == [0, 2, 1, 4, 3]
    assert likely_plane(built) is None


def test_overrides_win_over_names():
    built = skeleton(root=[0, 0, 0], a_l=[1, 0, 0], a_r=[-1, 0, 0], b=[1, 1, 1])
    named = found(built, overrides=[("b", "a_r")])
    assert named["b"] == "a_r" and named["a_l"] is None


def test_an_override_may_make_a_centre_joint():
    built = skeleton(root=[0, 0, 0], horn=[1, 0, 0])
    assert found(built, overrides=[("horn", "horn")])["horn"] == "horn"


def test_overrides_are_checked():
    built = skeleton(root=[0, 0, 0], arm_l=[1, 0, 0], arm_r=[-1, 0, 0])
    with pytest.raises(RecipeError, match="did you mean 'arm_l'"):
        pairs(built, X, [("armm_l", "arm_r")])
    with pytest.raises(RecipeError, match="two mirror pairs"):
        pairs(built, X, [("arm_l", "arm_r"), ("root", "arm_r")])


def test_any_plane_will_do():
    plane = Plane(point=[1, 2, 3], normal=[1, 1, 0])
    at = np.array([[4.0, 1.0, 7.0], [0.5, 0.25, 0.0]])
    np.testing.assert_allclose(plane.heights(plane.reflect(at)), -plane.heights(at))
    np.testing.assert_allclose(plane.reflect(plane.reflect(at)), at)
    rest = np.tile(np.eye(4), (2, 1, 1))
    rest[:, :3, 3] = [at[0], plane.reflect(at)[0]]
    assert pairs(Skeleton(("eye_l", "eye_r"), [-1, -1], rest), plane).tolist() == [1, 0]


def test_planes_a_user_can_type():
    assert Plane.named("y=-2").point.tolist() == [0, -2, 0]
    assert Plane.named("1,2,3,0,0,5").normal.tolist() == [0, 0, 1]
    for text in ("w", "x=left", "1,2,3", "0,0,0,0,0,0", "0,0,0,nan,0,0"):
        with pytest.raises(RecipeError):
            Plane.named(text)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_the_likely_plane_is_the_one_that_pairs_joints(axis):
    out = np.roll([1.0, 0.2, 0.3], axis)
    back = np.where(np.arange(3) == axis, -out, out)
    plane = likely_plane(skeleton(root=[0, 0, 0], arm_l=out, arm_r=back))
    assert np.flatnonzero(plane.normal).tolist() == [axis]
    assert likely_plane(skeleton(root=[0, 0, 0], tail=out)) is None


def test_a_character_may_stand_beside_the_origin():
    at = {"root": [5, 0, 0], "arm_l": [5.25 + 2, 1, 0], "arm_r": [5.25 - 2, 1, 0]}
    plane = likely_plane(skeleton(**at, leg_l=[6.25, 0, 0], leg_r=[4.25, 0, 0]))
    assert plane.name == "x=5.25"
    np.testing.assert_array_equal(plane.point, [5.25, 0, 0])


def test_a_few_that_pair_by_chance_elsewhere_make_no_plane():
    posed = {"arm_l": [7, 1, 0], "arm_r": [3, 1.1, 2], "leg_l": [6, 0, 0], "leg_r": [3, 0.5, 1]}
    eyes = {"eye_l": [5.1, 2, 0], "eye_r": [4.9, 2, 0], "ear_l": [5.5, 2, 3], "ear_r": [4, 2.5, 0]}
    assert likely_plane(skeleton(root=[5, 0, 0], **posed, **eyes)) is None


@pytest.mark.parametrize("text", ["x", "y=-2", "z=0.125", "1,2,3,0,0.6,0.8"])
def test_the_name_of_a_plane_is_what_it_is_read_from(text):
    assert Plane.named(text).name == text


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("arm_L", "arm_R"),
        ("LeftUpArm", "RightUpArm"),
        ("LArm01", "RArm01"),
        ("leftarm", "rightarm"),
        ("LF_ARM_1", "RT_ARM_1"),
        ("Rt.foot", "Lf.foot"),
        ("tail_1", "tail_1"),
    ],
)
def test_the_opposite_of_a_name_keeps_its_case(name, other):
    assert opposite(name) == other
    assert opposite(other) == name

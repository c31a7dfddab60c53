"""Where last bones end: told from sockets by where they lie."""

import numpy as np
import pytest
from gltf_files import strip, tree_of

from autoweight.errors import SkeletonError
from autoweight.io import load, save
from autoweight.io.joints import Joint, built, listed
from autoweight.rig import Skeleton
from autoweight.skeleton.axes import shared_axis
from autoweight.skeleton.tips import with_tips

# A bend: the first joint's y points along x, the second's along z. Columns are axes.
ALONG_X = [[0, 1, 0], [0, 0, 1], [1, 0, 0]]
ALONG_Z = [[1, 0, 0], [0, 0, -1], [0, 1, 0]]


def bent(**more) -> Skeleton:
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, :3, :3] = ALONG_X, ALONG_X, ALONG_Z
    rest[:, :3, 3] = (0, 0, 0), (1, 0, 0), (2, 0, 0)
    return Skeleton(("a", "b", "c"), [-1, 0, 1], rest, **more)


def test_joints_share_the_axis_that_points_to_their_children():
    np.testing.assert_array_equal(shared_axis(bent()), [0, 1, 0])


def test_joints_that_are_all_turned_alike_share_none():
    upright = np.tile(np.eye(4), (3, 1, 1))
    upright[:, 1, 3] = 0, 1, 2  # straight up along y: the frames would seem to agree
    assert shared_axis(Skeleton(("a", "b", "c"), [-1, 0, 1], upright)) is None


def test_a_tip_lies_along_the_axis_and_a_socket_does_not():
    found = with_tips(bent(), {2: np.array([[0.3, 0.1, 0], [0, 0.7, 0], [0, 0, 0]])})
    np.testing.assert_allclose(found.tips[2], [2, 0, 0.7], atol=1e-15)
    assert not with_tips(bent(), {2: np.array([[0.3, 0.1, 0]])}).tips


def test_without_an_axis_a_tip_goes_on_from_the_bone_before():
    upright = np.tile(np.eye(4), (2, 1, 1))
    upright[1, 0, 3] = 1
    arm = Skeleton(("a", "b"), [-1, 0], upright)
    np.testing.assert_array_equal(with_tips(arm, {1: np.array([[0.5, 0, 0]])}).tips[1], [1.5, 0, 0])
    assert not with_tips(arm, {1: np.array([[0, 0.5, 0]])}).tips
    assert not with_tips(arm, {1: np.array([[9.0, 0, 0]])}).tips  # nine bones away


@pytest.mark.parametrize(
    ("tip", "said"), [((2, 0, 0), "on the joint"), ((0, np.nan, 0), "finite"), ((1, 2), "finite")]
)
def test_a_tip_that_is_none_is_an_error_that_names_its_joint(tip, said):
    with pytest.raises(SkeletonError, match=f"'c'.*{said}"):
        bent(tips={2: tip})


def test_a_skeleton_file_has_tips_both_ways():
    joints = [
        Joint("b", parent="a", position=(1, 0, 0), tip=(2, 1, 0)),
        Joint("a", (None), (0,) * 3),
    ]
    skeleton = built(joints, "joints.json")
    np.testing.assert_array_equal(skeleton.tips[1], [2, 1, 0])
    assert listed(skeleton)[1].tip == (2, 1, 0)
    with pytest.raises(SkeletonError, match=r"joints.json: the tip of joint 'b' is on the joint"):
        built([Joint("b", position=(1, 0, 0), tip=(1, 0, 0))], "joints.json")


def tipped(tmp_path, **more):
    """The tutorial's strip, whose upper joint has one node under it."""
    file = strip()
    nodes = file.tree["nodes"]
    nodes[2]["children"] = [len(nodes)]
    nodes.append({"name": "upper_end", "translation": [0, 0.9, 0]} | more)
    return file.glb(tmp_path / "strip.glb")


def test_a_gltf_node_under_the_last_joint_is_its_tip_and_stays_a_node(tmp_path):
    rig = load(tipped(tmp_path))
    assert rig.skeleton.names == ("lower", "upper")
    np.testing.assert_allclose(rig.skeleton.tips[1], rig.skeleton.positions[1] + [0, 0.9, 0])
    save(rig, tmp_path / "again.glb")
    assert tree_of(tmp_path / "again.glb")["nodes"] == tree_of(tmp_path / "strip.glb")["nodes"]


def test_a_gltf_node_that_carries_a_mesh_or_a_joint_is_no_tip(tmp_path):
    assert not load(tipped(tmp_path, mesh=0)).skeleton.tips
    file = strip()
    file.tree["nodes"][1]["children"].append(3)
    file.add("nodes", name="beside", translation=[0, 1, 0])
    assert not load(file.glb(tmp_path / "beside.glb")).skeleton.tips  # the joint has a child


def test_tips_outlive_a_new_gltf_file(tmp_path):
    from tori import ring, torus

    from autoweight.rig import Mesh, Rig

    skeleton = ring()
    end = 2 * skeleton.positions[-1] - skeleton.positions[-2]
    skeleton = Skeleton(skeleton.names, skeleton.parents, skeleton.rest, {len(skeleton) - 1: end})
    save(Rig(Mesh(*torus(24, 12)), skeleton), tmp_path / "ring.glb")
    np.testing.assert_allclose(
        load(tmp_path / "ring.glb").skeleton.tips[len(skeleton) - 1], end, atol=1e-6
    )

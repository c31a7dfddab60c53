"""Files with several characters: what is whose, and all written as one."""

from dataclasses import replace

import numpy as np
import odd_rigs
import pytest
from gltf_files import tree_of

from autoweight.errors import FileError, SkeletonError
from autoweight.io import load, load_all, save, save_all
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Weights
from autoweight.stages.solving import solve


def weighted(rigs):
    return [replace(rig, weights=solve(rig, Recipe(method="nearest"))) for rig in rigs]


def files(folder):
    """The same two characters in both formats."""
    glb = odd_rigs.two_characters().glb(folder / "two.glb")
    return glb, odd_rigs.usd_files(folder)[1]


@pytest.mark.parametrize("kind", [0, 1])
def test_each_character_has_its_own_mesh_joints_and_name(tmp_path, kind):
    newt, robot = load_all(files(tmp_path)[kind])
    assert newt.skeleton.names == robot.skeleton.names == ("joint_0", "joint_1", "joint_2")
    assert (len(newt.mesh.vertices), len(robot.mesh.vertices)) == (80, 24)
    assert [rig.name.lower() for rig in (newt, robot)] == ["newt", "robot"]


@pytest.mark.parametrize("kind", [0, 1])
def test_one_is_taken_by_its_name_or_by_a_part(tmp_path, kind):
    path = files(tmp_path)[kind]
    name = ("robot", "Robot")[kind]
    with pytest.raises(SkeletonError, match=r"(?i)2 characters \(newt, robot\); .*--root.*--part"):
        load(path)
    assert load(path, root=name).name == name
    part = ("robot_skin", "RobotSkin")[kind]
    assert load(path, parts=[part]).name == name
    with pytest.raises(SkeletonError, match=r"did you mean '[rR]obot'"):
        load(path, root=name[:-1])


@pytest.mark.parametrize("kind", [0, 1])
def test_all_are_written_into_one_file(tmp_path, kind):
    path = files(tmp_path)[kind]
    out = tmp_path / f"out{path.suffix}"
    rigs = weighted(load_all(path))
    save_all(rigs, out)
    for before, after in zip(rigs, load_all(out), strict=True):
        np.testing.assert_allclose(after.weights.dense(), before.weights.dense(), atol=1e-6)
    # One alone leaves the other as it is.
    save(weighted([load(out, root=rigs[1].name)])[0], tmp_path / f"one{path.suffix}")
    again = load_all(tmp_path / f"one{path.suffix}")
    assert (again[0].weights.matrix != load_all(out)[0].weights.matrix).nnz == 0


def test_two_characters_that_share_a_mesh_each_get_weights_of_their_own(tmp_path, validate):
    file = odd_rigs.two_characters()
    (robot,) = (node for node in file.tree["nodes"] if node["name"] == "robot_skin")
    robot["mesh"] = 0
    rigs = load_all(file.glb(tmp_path / "crowd.glb"))
    first, second = np.zeros((2, 80, 3))
    first[:, 0] = second[:, 2] = 1
    given = [
        replace(rig, weights=Weights(share))
        for rig, share in zip(rigs, (first, second), strict=True)
    ]
    save_all(given, tmp_path / "out.glb")
    for rig, share in zip(load_all(tmp_path / "out.glb"), (first, second), strict=True):
        np.testing.assert_array_equal(rig.weights.dense(), share)
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []
    save_all(load_all(tmp_path / "out.glb"), tmp_path / "again.glb")
    assert (tmp_path / "again.glb").read_bytes() == (tmp_path / "out.glb").read_bytes()


def test_skins_under_one_node_are_two_characters_where_their_meshes_are_under_it_too(tmp_path):
    newt, robot = load_all(odd_rigs.one_name_each().glb(tmp_path / "crowd.glb"))
    assert (newt.name, robot.name) == ("newt", "robot")
    both = load_all(tmp_path / "crowd.glb", root="crowd")
    assert [rig.name for rig in both] == ["newt", "robot"]


def test_skins_of_one_skeleton_are_one_character(tmp_path):
    """With joints in common; or in none, but below one node that no mesh is below."""
    (rig,) = load_all(odd_rigs.two_skins().glb(tmp_path / "two.glb"))
    assert rig.name == "" and [part.name for part in rig.mesh.parts] == ["body", "coat"]
    file = odd_rigs.two_characters(same_names=False)
    nodes = file.tree["nodes"]
    tops = [number for number, node in enumerate(nodes) if node["name"].endswith("joint_0")]
    for node in nodes:
        node["children"] = [each for each in node.get("children", []) if each not in tops]
    file.tree["scenes"][0]["nodes"].append(file.add("nodes", name="hips", children=tops))
    (rig,) = load_all(file.glb(tmp_path / "hips.glb"))
    assert len(rig.skeleton) == 6


def test_a_table_holds_one_character(tmp_path):
    rigs = weighted(load_all(files(tmp_path)[0]))
    with pytest.raises(FileError, match="take one of newt, robot by --root"):
        save_all(rigs, tmp_path / "both.csv")


def test_characters_of_two_files_are_not_saved_as_one(tmp_path):
    path = odd_rigs.two_characters().glb(tmp_path / "other.glb")
    rigs = weighted([load_all(files(tmp_path)[0])[0], load_all(path)[1]])
    with pytest.raises(FileError, match="characters of one file only"):
        save_all(rigs, tmp_path / "both.glb")
    assert not (tmp_path / "both.glb").exists()


def test_an_error_says_whose_it_is(tmp_path):
    file = odd_rigs.two_characters()
    file.tree["skins"][1]["joints"] = []
    with pytest.raises(SkeletonError, match=r"two\.glb: .*'robot' has no joints"):
        load_all(file.glb(tmp_path / "two.glb"))


def test_every_tree_of_a_crowd_stays_as_it_was(tmp_path):
    path = files(tmp_path)[0]
    save_all(weighted(load_all(path)), tmp_path / "out.glb")
    before, after = tree_of(path), tree_of(tmp_path / "out.glb")
    assert before["nodes"] == after["nodes"] and before["skins"] == after["skins"]

"""Joint animations out of glTF and into it (Khronos, glTF 2.0, section 3.11 and appendix C)."""

from dataclasses import replace

import numpy as np
import pytest
from gltf_files import FLOAT, SHORT, strip, tree_of
from scipy.spatial.transform import Rotation

from autoweight.errors import FileError, SkeletonError
from autoweight.io import load, load_clips, save
from autoweight.pose.clip import Clip, rest_local, turned


def animated(tmp_path, path, times, values, interpolation, *, node=2, component=FLOAT):
    file = strip()
    scale = 32767 if component == SHORT else 1
    stored = [[round(each * scale) if scale > 1 else each for each in row] for row in values]
    kind = "VEC4" if path == "rotation" else "VEC3"
    file.add(
        "animations",
        channels=[{"sampler": 0, "target": {"node": node, "path": path}}],
        samplers=[
            {
                "input": file.accessor(times, FLOAT, min=[min(times)], max=[max(times)]),
                "output": file.accessor(stored, component, kind, normalized=scale > 1),
                "interpolation": interpolation,
            }
        ],
    )
    # A second node with keys in between, so that the first is sampled off its own.
    file.tree["animations"][0]["channels"].append(
        {"sampler": 1, "target": {"node": 3 - node, "path": "scale"}}
    )
    between = [each / 4 for each in range(int(4 * times[0]), int(4 * times[-1]) + 5)]
    file.tree["animations"][0]["samplers"].append(
        {
            "input": file.accessor(between, FLOAT, min=[between[0]], max=[between[-1]]),
            "output": file.accessor([(1, 1, 1)] * len(between), FLOAT, "VEC3"),
        }
    )
    rig = load(file.glb(tmp_path / "clip.glb"))
    (clip,) = load_clips(rig)
    return rig, clip


def test_linear_translation(tmp_path):
    _, clip = animated(tmp_path, "translation", [0, 1], [(0, 0, 0), (4, 0, 8)], "LINEAR")
    np.testing.assert_array_equal(
        clip.times, [0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2][: len(clip)]
    )
    at = dict(zip(clip.times.tolist(), clip.local[:, 1, :3, 3].tolist(), strict=True))
    assert at[0.25] == [1, 0, 2]
    assert at[1.25] == [4, 0, 8]  # after the last key it stands still


def test_step(tmp_path):
    _, clip = animated(tmp_path, "translation", [0, 1], [(1, 0, 0), (2, 0, 0)], "STEP")
    at = dict(zip(clip.times.tolist(), clip.local[:, 1, 0, 3].tolist(), strict=True))
    assert (at[0], at[0.75], at[1], at[1.25]) == (1, 1, 2, 2)


@pytest.mark.parametrize("component", [FLOAT, SHORT])
def test_spherical_linear_rotation(tmp_path, component):
    # Appendix C.4: constant speed along the shorter way, whatever the sign of the quaternion.
    turn = -Rotation.from_rotvec([0, 0, np.pi / 2]).as_quat()
    _, clip = animated(
        tmp_path, "rotation", [0, 1], [(0, 0, 0, 1), turn], "LINEAR", component=component
    )
    angles = Rotation.from_matrix(clip.local[:5, 1, :3, :3].copy()).as_rotvec(degrees=True)
    np.testing.assert_allclose(angles[:, 2], [0, 22.5, 45, 67.5, 90], atol=1e-2)


def test_cubic_spline(tmp_path):
    # Appendix C.5 at t = 1/4 with values 1, 5, tangents 2 and -3 and two seconds between keys:
    # (2t³-3t²+1) 1 + 2 (t³-2t²+t) 2 + (-2t³+3t²) 5 + 2 (t³-t²) (-3).
    keys = [(9, 9, 9), (1, 0, 0), (2, 0, 0), (-3, 0, 0), (5, 0, 0), (9, 9, 9)]
    _, clip = animated(tmp_path, "translation", [0, 2], keys, "CUBICSPLINE")
    t = 0.25
    expected = (
        (2 * t**3 - 3 * t**2 + 1) * 1
        + 2 * (t**3 - 2 * t**2 + t) * 2
        + (-2 * t**3 + 3 * t**2) * 5
        + 2 * (t**3 - t**2) * -3
    )
    at = dict(zip(clip.times.tolist(), clip.local[:, 1, :3, 3].tolist(), strict=True))
    np.testing.assert_allclose(at[0.5], [expected, 0, 0], rtol=1e-6)
    np.testing.assert_allclose(at[2], [5, 0, 0], rtol=1e-12)


def test_the_scene_without_animation_is_the_bind_pose(tmp_path):
    still = [(0, 0, 0), (0, 0, 0)]
    rig, clip = animated(tmp_path, "translation", [0, 1], still, "LINEAR")
    np.testing.assert_allclose(clip.local, np.tile(rest_local(rig.skeleton), (len(clip), 1, 1, 1)))


def test_a_node_between_joints_is_part_of_the_motion(tmp_path):
    file = strip()
    file.tree["nodes"][1]["children"] = [3]
    file.add("nodes", name="between", children=[2], translation=[0, 0.5, 0])
    file.add(
        "animations",
        channels=[{"sampler": 0, "target": {"node": 3, "path": "translation"}}],
        samplers=[
            {
                "input": file.accessor([0.0, 1.0], FLOAT, min=[0], max=[1]),
                "output": file.accessor([(0, 0.5, 0), (0, 0.75, 0)], FLOAT, "VEC3"),
            }
        ],
    )
    rig = load(file.glb(tmp_path / "clip.glb"))
    (clip,) = load_clips(rig)
    np.testing.assert_array_equal(clip.local[:, 1, :3, 3], [(0, 0.5, 0), (0, 0.75, 0)])
    save(rig, tmp_path / "out.glb", clips=[clip])
    np.testing.assert_allclose(
        load_clips(load(tmp_path / "out.glb"))[1].local, clip.local, atol=1e-6
    )


def posed(tmp_path, **root):
    file = strip()
    file.add("nodes", name="up", children=[1], **root)
    file.tree["scenes"][0]["nodes"] = [0, 3]
    file.tree["nodes"][2] |= {"matrix": np.eye(4).ravel().tolist()}
    return load(file.glb(tmp_path / "rig.glb"))


def test_clips_come_back(tmp_path, validate):
    rig = posed(tmp_path, rotation=[0.5, -0.5, 0.5, 0.5], scale=[0.1, 0.1, 0.1])
    turns = np.zeros((7, 2, 3))
    turns[:, 0, 2] = np.linspace(0, 1, 7)
    turns[:, 1, 0] = np.linspace(0, 9, 7)  # more than once round
    clip = Clip("bend", np.arange(7) / 24, turned(rig.skeleton, turns))
    save(rig, tmp_path / "out.glb", clips=[clip, replace(clip, name="again")])
    again = load(tmp_path / "out.glb")
    found = load_clips(again)
    assert [each.name for each in found] == ["bend", "again"]
    np.testing.assert_allclose(found[0].local, clip.local, atol=3e-6)
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []
    node = tree_of(tmp_path / "out.glb")["nodes"][2]
    assert "matrix" not in node  # an animated node has none (section 3.11)
    # Only the joints that turn have channels, and what only turns has no scale.
    animation = tree_of(tmp_path / "out.glb")["animations"][0]
    targets = {(each["target"]["node"], each["target"]["path"]) for each in animation["channels"]}
    assert targets == {(1, "rotation"), (2, "rotation")}


def test_a_clip_of_other_joints(tmp_path):
    rig = posed(tmp_path)
    with pytest.raises(SkeletonError, match="moves 1 joints of 2"):
        save(rig, tmp_path / "out.glb", clips=[Clip("one", [0.0], np.eye(4)[None, None])])


def test_a_sheared_joint(tmp_path):
    rig = posed(tmp_path)
    local = rest_local(rig.skeleton)[None].copy()
    local[0, 1, 0, 1] = 0.5
    with pytest.raises(SkeletonError, match="'upper' is sheared"):
        save(rig, tmp_path / "out.glb", clips=[Clip("shear", [0.0], local)])
    assert not (tmp_path / "out.glb").exists()


@pytest.mark.parametrize("scale", [(0, 0, 0), (0, 1, 1), (-1, 1, 1)])
def test_a_joint_that_is_scaled_away_or_mirrored_comes_back(tmp_path, scale):
    """As what a character does not hold in its hand at the time is hidden."""
    rig, clip = animated(tmp_path, "scale", [0, 1], [(1, 1, 1), scale], "STEP")
    save(rig, tmp_path / "again.glb", clips=[clip])
    _, again = load_clips(load(tmp_path / "again.glb"))
    np.testing.assert_allclose(again.local, clip.local, atol=1e-6)


def test_a_table_holds_no_clips(tmp_path):
    rig = posed(tmp_path)
    clip = Clip("still", [0.0], rest_local(rig.skeleton)[None])
    with pytest.raises(FileError, match=r"\.npz file cannot be written with clips"):
        save(rig, tmp_path / "out.npz", clips=[clip])


def test_an_interpolation_nobody_knows(tmp_path):
    with pytest.raises(FileError, match="interpolation 'BEZIER'"):
        animated(tmp_path, "translation", [0, 1], [(0, 0, 0), (1, 0, 0)], "BEZIER")


def test_times_that_do_not_ascend(tmp_path):
    with pytest.raises(FileError, match="'animation_0' moves node 'upper' with times that"):
        animated(tmp_path, "translation", [0, 0], [(0, 0, 0), (1, 0, 0)], "LINEAR")


@pytest.mark.parametrize("interpolation", ["LINEAR", "STEP"])
def test_a_rotation_of_no_length(tmp_path, interpolation):
    with pytest.raises(FileError, match="node 'upper' with a rotation that is no quaternion"):
        animated(tmp_path, "rotation", [0, 1], [(0, 0, 0, 1), (0, 0, 0, 0)], interpolation)

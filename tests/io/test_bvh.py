"""Motion in BVH files."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from autoweight.errors import FileError
from autoweight.io import load_motion
from autoweight.pose.clip import world
from autoweight.rig import Skeleton

TEXT = """HIERARCHY
ROOT Hips
{
  OFFSET 0 1 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT Chest
  {
    OFFSET 0 1 0
    CHANNELS 3 Zrotation Xrotation Yrotation
    JOINT Neck
    {
      OFFSET 0 0.5 0.1
      CHANNELS 3 Yrotation Xrotation Zrotation
      End Site
      {
        OFFSET 0 0.2 0
      }
    }
  }
}
MOTION
Frames: 2
Frame Time: 0.04
0 1 0 0 0 0 0 0 0 0 0 0
3 1 2 10 0 0 20 -30 40 50 60 -70
"""


def skeleton(*names):
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, :3, 3] = np.array([[0, 1, 0], [0, 2, 0], [0, 2.5, 0.1]])[: len(names)]
    return Skeleton(names, np.arange(len(names)) - 1, rest)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "walk.bvh"
    path.write_text(TEXT)
    return path


def test_turns_are_those_of_another_reader(file):
    """Against bvhio, a reader of its own, world rotations relative to the root."""
    bvhio = pytest.importorskip("bvhio", reason="needs the extra test")
    clip = load_motion(file, skeleton("hips", "chest", "neck"))
    placed = world(skeleton("hips", "chest", "neck"), clip.local)
    assert clip.times.tolist() == [0, 0.04]
    joints = bvhio.readAsBvh(str(file)).Root.layout()
    keys = [joint.Keyframes for joint, *_ in joints]
    turns = [
        Rotation.from_quat([[key.Rotation.x, key.Rotation.y, key.Rotation.z, key.Rotation.w]
                            for key in of]) for of in keys
    ]  # fmt: skip
    assert np.allclose(placed[:, 1, :3, :3], turns[1].as_matrix(), atol=1e-6)
    assert np.allclose(placed[:, 2, :3, :3], (turns[1] * turns[2]).as_matrix(), atol=1e-6)


def test_what_joints_between_do_goes_to_the_next(file):
    whole = skeleton("hips", "chest", "neck")
    short = Skeleton(("hips", "neck"), [-1, 0], whole.rest[[0, 2]])
    full = world(whole, load_motion(file, whole).local)
    less = world(short, load_motion(file, short).local)
    assert np.allclose(full[:, 2, :3, :3], less[:, 1, :3, :3], atol=1e-12)


def test_names_match_without_prefix_case_and_separators(file):
    named = skeleton("rig:HIPS", "rig:che_st", "Neck")
    plain = skeleton("hips", "chest", "neck")
    assert (load_motion(file, named).local == load_motion(file, plain).local).all()


@pytest.mark.parametrize("end", range(1, len(TEXT.split()) - 1, 3))
def test_a_file_cut_short_anywhere_is_told(file, end):
    file.write_text(" ".join(TEXT.split()[:end]))
    with pytest.raises(FileError, match=r"walk\.bvh: "):
        load_motion(file, skeleton("hips", "chest", "neck"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("50 60", "fifty 60", "could not convert"),
        ("50 60", "nan 60", "not finite"),
        ("Frames: 2", "Frames: 3", "need 36"),
        ("0.04", "0", "0 seconds"),
        ("CHANNELS 6", "CHANNELS -6", "cut short"),
        ("JOINT Chest", "LIMB Chest", "'LIMB'"),
        ("Hips", "Pelvis", "names no joint"),
    ],
)
def test_a_broken_file_is_told(file, old, new, words):
    file.write_text(TEXT.replace(old, new))
    wanted = skeleton("hips") if old == "Hips" else skeleton("hips", "chest", "neck")
    with pytest.raises(FileError, match=words):
        load_motion(file, wanted)

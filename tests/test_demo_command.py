"""The demo from end to end: what the command writes is what it says."""

import json
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from scipy.spatial import cKDTree

from autoweight.cli import main
from autoweight.demo import axolotl, bound
from autoweight.io import load, save
from autoweight.surface import prepare

REMARK = 2


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo") / "new" / "folder"
    done = CliRunner().invoke(main, ["demo", str(place), "--json", "--quiet"])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return place, json.loads(done.stdout), done.exit_code


def test_files_are_where_it_says(written):
    place, result, code = written
    named = [result["model"], result["recipe"], result["weighted"], *result["pictures"]]
    assert sorted(named) == sorted(str(path) for path in place.iterdir())
    assert (result["findings"], code) == ([], 0)
    for path in result["pictures"]:
        with Image.open(path) as image:
            colours = np.asarray(image)
        assert len(np.unique(colours.reshape(-1, 3), axis=0)) > 1000


def test_weighted_file_is_the_model_with_other_weights(written):
    _, result, _ = written
    before, after = load(result["model"]), load(result["weighted"])
    np.testing.assert_array_equal(before.mesh.vertices, after.mesh.vertices)
    np.testing.assert_array_equal(before.mesh.faces, after.mesh.faces)
    assert before.skeleton.names == after.skeleton.names
    assert not after.unused_joints
    assert after.weights.influences.max() <= 4


def test_finished_place_is_as_it_was(written):
    _, result, _ = written
    before, after = load(result["model"]), load(result["weighted"])
    locked = before.attributes["_LOCK"] > 0
    assert 20 < locked.sum() < 200
    difference = abs(before.weights.matrix[locked] - after.weights.matrix[locked])
    assert difference.max() == 0


def test_eyes_are_rigid_and_digits_leave_each_other_alone(written):
    _, result, _ = written
    rig = load(result["weighted"])
    for part in rig.mesh.parts[1:]:
        assert len(np.unique(rig.weights.matrix[part.vertices].indices)) == 1
    dense = rig.weights.dense()
    for kind, count in (("digit", 4), ("toe", 5)):
        tips = [
            dense[:, rig.skeleton.index[f"{kind}_{number}_2_L"]] for number in range(1, count + 1)
        ]
        assert all((one * other).max() == 0 for one, other in pairwise(tips))


def test_both_sides_are_equal_to_the_last_bit(written):
    _, result, _ = written
    rig = load(result["weighted"])
    vertices, names = rig.mesh.vertices, rig.skeleton.names
    swap = {"L": "R", "R": "L"}
    other = [
        rig.skeleton.index[name[:-1] + swap[name[-1]]] if name[-2:] in ("_L", "_R") else joint
        for joint, name in enumerate(names)
    ]
    distance, partner = cKDTree(vertices).query(vertices * (-1, 1, 1))
    assert distance.max() == 0
    dense = rig.weights.dense()
    assert np.abs(dense[partner][:, other] - dense).max() == 0


def test_file_says_what_the_rig_says(written):
    """Cut along the seam, the surface and the joints are those of `axolotl`, to the last bit."""
    _, result, _ = written
    rig, plain = load(result["model"]), axolotl()
    surface = prepare(rig.mesh)
    assert len(surface) == len(plain.mesh.vertices) < len(rig.mesh.vertices)
    found, wanted = (each[np.lexsort(each.T)] for each in (surface.vertices, plain.mesh.vertices))
    np.testing.assert_array_equal(found, wanted)
    np.testing.assert_allclose(rig.skeleton.rest, plain.skeleton.rest, atol=1e-7)
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    for name in rig.skeleton.names:
        if name.endswith("_L"):
            left, right = (rig.skeleton.index[name[:-1] + side] for side in "LR")
            np.testing.assert_array_equal(
                rig.skeleton.rest[right], flip @ rig.skeleton.rest[left] @ flip
            )


def test_same_bytes_every_time(written, tmp_path):
    _, result, _ = written
    save(bound(), tmp_path / "again.glb")
    with open(result["model"], "rb") as file:
        assert file.read() == (tmp_path / "again.glb").read_bytes()


def test_validator_finds_no_fault(written, validate):
    """Khronos glTF validator: neither error nor warning."""
    _, result, _ = written
    for path in (result["model"], result["weighted"]):
        assert [each for each in validate(path) if each[0] < REMARK] == []


def test_place_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    done = CliRunner().invoke(main, ["demo", str(tmp_path / "file")])
    assert done.exit_code == 2
    assert "file" in done.stderr and "Traceback" not in done.stderr

"""The demo from end to end: what the command writes is what it says."""

import json
from itertools import pairwise

import numpy as np
import pytest
from calling import CliRunner
from PIL import Image
from scipy.spatial import cKDTree

from autoweight.cli import main
from autoweight.demo import axolotl, bound
from autoweight.io import load, save
from autoweight.io.ribbon import load_ribbon
from autoweight.ribbons.riding import ride
from autoweight.surface import prepare

REMARK = 2


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The folder, what was told of each step, and the exit code."""
    place = tmp_path_factory.mktemp("demo") / "new" / "folder"
    done = CliRunner().invoke(main, ["demo", str(place), "--json", "--quiet"])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    steps = {step["did"]: step for step in json.loads(done.stdout)["steps"]}
    return place, steps, done.exit_code


@pytest.fixture(scope="module")
def before(written):
    return load(written[0] / "axolotl.glb")


@pytest.fixture(scope="module")
def after(written):
    return load(written[0] / "weighted.glb")


def test_files_are_where_it_says(written):
    place, steps, _ = written
    named = [path for step in steps.values() for path in step["files"]]
    assert sorted(named) == sorted(str(path) for path in place.iterdir())
    for path in place.glob("*.png"):
        with Image.open(path) as image:
            assert len(image.getcolors(1 << 24)) > 1000


def test_nothing_is_left_to_mend(written):
    _, steps, code = written
    assert steps["checked"]["figures"]["findings"] == []
    assert steps["flexed"]["figures"]["over"] == 0
    assert code == 0


def test_planted_fault_is_found_and_mended(written, after):
    place, steps, _ = written
    figures = steps["explained"]["figures"]
    assert figures["cause"] == "weights"
    assert "hip_L" in figures["verdict"]
    assert figures["after"] < 0.05 * figures["before"]
    hip = after.skeleton.index["hip_L"]
    stray, mended = (
        load(place / name).weights.matrix[:, [hip]].sum() - after.weights.matrix[:, [hip]].sum()
        for name in ("faulty.glb", "mended.glb")
    )
    assert stray > 1
    assert abs(mended) < 0.05 * stray


def test_joints_of_the_tail_ride_where_they_are(written, after):
    """In the bind pose of its controls, a ribbon leaves its riders where they are bound."""
    ribbon = load_ribbon(written[0] / "tail_weighted.json")
    riding = ride(ribbon, after.skeleton, ribbon.controls.rest[None])[0]
    wanted = after.skeleton.rest[[after.skeleton.index[name] for name in ribbon.riders.names]]
    np.testing.assert_allclose(riding, wanted, atol=1e-9)
    on_surface = ribbon.surface(ribbon.riders.at)
    np.testing.assert_allclose(on_surface, wanted[:, :3, 3], atol=1e-4)


def test_wave_leaves_the_head_alone(written):
    place, _, _ = written
    rig = load(place / "swimming.glb")
    masked = rig.attributes["_MASK"]
    head = rig.mesh.vertices[:, 2] > 0.04
    assert masked[head].max() == 0
    assert masked.max() == 1


def test_weighted_file_is_the_model_with_other_weights(before, after):
    np.testing.assert_array_equal(before.mesh.vertices, after.mesh.vertices)
    np.testing.assert_array_equal(before.mesh.faces, after.mesh.faces)
    assert before.skeleton.names == after.skeleton.names
    assert not after.unused_joints
    assert after.weights.influences.max() <= 4


def test_finished_place_is_as_it_was(before, after):
    locked = before.attributes["_LOCK"] > 0
    assert 20 < locked.sum() < 200
    difference = abs(before.weights.matrix[locked] - after.weights.matrix[locked])
    assert difference.max() == 0


def test_eyes_are_rigid_and_digits_leave_each_other_alone(after):
    rig = after
    eyes = rig.mesh.parts[1:]
    assert [part.name for part in eyes] == ["eye_L", "eye_R"]
    for part in eyes:
        assert len(np.unique(rig.weights.matrix[part.vertices].indices)) == 1
    dense = rig.weights.dense()
    for kind, count in (("digit", 4), ("toe", 5)):
        tips = [
            dense[:, rig.skeleton.index[f"{kind}_{number}_2_L"]] for number in range(1, count + 1)
        ]
        assert all((one * other).max() == 0 for one, other in pairwise(tips))


def test_both_sides_are_equal_to_the_last_bit(after):
    rig = after
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


def test_file_says_what_the_rig_says(before):
    """Cut along the seam, the surface and the joints are those of `axolotl`, to the last bit."""
    rig, plain = before, axolotl()
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
    save(bound(), tmp_path / "again.glb")
    assert (written[0] / "axolotl.glb").read_bytes() == (tmp_path / "again.glb").read_bytes()


def test_validator_finds_no_fault(written, validate):
    """Khronos glTF validator: neither error nor warning."""
    paths = list(written[0].glob("*.glb"))
    assert paths
    for path in paths:
        assert [each for each in validate(path) if each[0] < REMARK] == []


def test_place_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    done = CliRunner().invoke(main, ["demo", str(tmp_path / "file")])
    assert done.exit_code == 2
    assert "file" in done.stderr and "Traceback" not in done.stderr

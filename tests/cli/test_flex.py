"""The command that flexes a rig."""

import json

import numpy as np
import pytest
from bodies import fingers
from calling import CliRunner
from scipy import sparse

from autoweight.cli import main
from autoweight.io import load, load_clips, save
from autoweight.rig import Rig, Weights


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flex")
    rig = fingers()
    save(rig, folder / "good.glb")
    matrix = rig.weights.dense().copy()
    matrix[-300:-250] = matrix[-300:-250] * 0.98 + 0.02 * np.eye(5)[2]
    save(Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix))), folder / "bad.glb")
    return folder


def run(*arguments):
    return CliRunner().invoke(main, ["flex", "--quiet", *map(str, arguments)])


def test_a_sound_rig_leaves_with_0(folder):
    result = run(folder / "good.glb")
    assert result.exit_code == 0
    assert "all within its limits" in result.stdout


def test_a_fault_is_listed_first_and_leaves_with_1(folder):
    result = run(folder / "bad.glb", "--json")
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    worst = found["places"][0]
    assert (worst["figure"], worst["joint"]) == ("stray", "a_R_2")
    assert worst["times_limit"] > 1
    assert {"girth", "stretch", "left_volume"} <= set().union(*found["measured"])
    assert run(folder / "bad.glb", "--top", 1).stdout.splitlines()[2].startswith("!")


def test_limits_and_ranges_come_from_the_recipe(folder):
    recipe = folder / "recipe.toml"
    recipe.write_text(
        'limits = {stray = 1}\nmotion = [{joints = ["*"], bend = 0, side = 0, twist = 5}]\n'
    )
    result = run(folder / "bad.glb", "--recipe", recipe)
    assert result.exit_code == 0, result.output
    recipe.write_text("limits = {strays = 1}\n")
    result = run(folder / "bad.glb", "--recipe", recipe)
    assert result.exit_code == 2
    assert "did you mean 'stray'" in result.stderr


def test_the_motion_is_written_and_can_be_flexed_again(folder):
    written = folder / "motion.glb"
    result = run(folder / "good.glb", "-o", written)
    assert result.exit_code == 0, result.output
    (clip,) = load_clips(load(written))
    assert clip.name == "range of motion"
    assert len(clip) > 20
    again = run(written, "--animation", clip.name, "--frames", 10, "--skinning", "dual")
    assert again.exit_code == 0, again.output
    assert "10 poses" in again.stdout
    wrong = run(written, "--animation", "rangeofmotion")
    assert wrong.exit_code == 2
    assert "did you mean 'range of motion'" in wrong.stderr

"""The commands that mirror a rig and draft a recipe for it, and locks in those that weight it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from calling import CliRunner
from twins import X, egg, random_weights, rig

from autoweight import Weights
from autoweight.cli import main
from autoweight.io import load, save
from autoweight.recipes.recipe import load_recipe
from autoweight.weights.mirroring import unevenness
from autoweight.weights.tidying import quantise


@pytest.fixture
def folder(tmp_path):
    vertices, faces = egg(3)
    vertices[vertices[:, 0] < -0.9] += [0, 0.01, 0]
    rough = random_weights(len(vertices), np.random.default_rng(6)).dense()
    rough[:, :2] += 0.3
    dense = np.where(rough >= np.sort(rough, axis=1)[:, [-3]], rough, 0)
    weights = quantise(Weights(dense / dense.sum(axis=1, keepdims=True)), 32)
    built = rig(vertices, faces, weights)
    marks = np.zeros(len(vertices), dtype=np.uint8)
    marks[:30] = 1
    save(built, tmp_path / "even.glb")
    save(replace(built, attributes={"_LOCK": marks}), tmp_path / "marked.glb")
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, [str(each) for each in arguments])


def test_mirror_writes_equal_sides_and_tells_the_vertices_that_are_out(folder):
    out = folder / "out.glb"
    result = run("mirror", folder / "even.glb", "-o", out, "--plane", "x", "--keep", "positive")
    assert result.exit_code == 0, result.output
    before, after = load(folder / "even.glb"), load(out)
    assert np.nanmax(unevenness(after, X)) == 0
    kept = before.mesh.vertices[:, 0] > 0
    assert np.array_equal(after.weights.dense()[kept], before.weights.dense()[kept])
    assert after.weights.influences.max() == before.weights.influences.max()
    assert "vertices are not where the mirror image is" in result.stdout

    result = run("mirror", folder / "even.glb", "-o", out, "--json", "--keep", "mean")
    found = json.loads(result.stdout)
    far = np.array(list(found["asymmetric_vertices"].values()))
    assert len(far) > 10 and np.abs(far - 0.01).max() < 1e-6
    assert found["shifted_joints"] == {} and found["unpaired_joints"] == []


def test_mirror_leaves_locked_vertices_alone(folder):
    out = folder / "out.glb"
    result = run("mirror", folder / "marked.glb", "-o", out, "--keep", "negative")
    assert result.exit_code == 0, result.output
    before, after = load(folder / "marked.glb"), load(out)
    assert np.array_equal(after.weights.dense()[:30], before.weights.dense()[:30])
    assert "locked: all weights of 30 vertices" in result.stdout


def test_solve_and_tidy_leave_locked_vertices_alone(folder):
    out = folder / "out.glb"
    before = load(folder / "marked.glb").weights.dense()[:30]
    for command in (("solve", "--method", "nearest"), ("tidy", "--max-influences", "1")):
        result = run(*command, folder / "marked.glb", "-o", out)
        assert result.exit_code == 0, result.output
        assert np.array_equal(load(out).weights.dense()[:30], before)


def test_mirror_takes_plane_side_and_pairs_from_a_recipe(folder):
    recipe, out = folder / "recipe.toml", folder / "out.glb"
    recipe.write_text('[mirror]\nplane = "x"\nkeep = "negative"\n')
    result = run("mirror", folder / "even.glb", "-o", out, "--recipe", recipe)
    assert result.exit_code == 0, result.output
    kept = load(out).mesh.vertices[:, 0] < 0
    before = load(folder / "even.glb").weights.dense()[kept]
    np.testing.assert_allclose(load(out).weights.dense()[kept], before, atol=0.002)
    recipe.write_text('[mirror]\npairs = [["arm_l", "arm_q"]]\n')
    result = run("mirror", folder / "even.glb", "-o", out, "--recipe", recipe)
    assert result.exit_code == 2
    assert "recipe.toml, line 2" in result.stderr and "'arm_q'" in result.stderr
    result = run("mirror", folder / "even.glb", "-o", out, "--pair", "arm_l:arm_r")
    assert result.exit_code == 2 and "A=B" in result.stderr


def test_solve_mirrors_without_a_recipe_and_keeps_what_one_says(folder):
    recipe, plain, out = folder / "recipe.toml", folder / "plain.glb", folder / "out.glb"
    solve = ("solve", "--method", "inverse", "--max-influences", "6", "--prune", "0")
    assert run(*solve, folder / "even.glb", "-o", plain).exit_code == 0
    fresh = load(plain)
    assert np.nanmax(unevenness(fresh, X)) > 1e-3
    for keep, side in (("positive", 1), ("negative", -1)):
        recipe.write_text(f'[mirror]\nplane = "y"\nkeep = "{keep}"\n')
        given = () if keep == "positive" else ("--recipe", recipe)
        result = run(*solve, folder / "even.glb", "-o", out, "--mirror", "x", *given)
        assert result.exit_code == 0, result.output
        assert "vertices are not where the mirror image is" in result.stdout
        found = load(out)
        assert np.nanmax(unevenness(found, X)) == 0
        kept = side * found.mesh.vertices[:, 0] > 0
        assert np.array_equal(found.weights.dense()[kept], fresh.weights.dense()[kept])


@pytest.mark.parametrize(
    ("plane", "told"),
    [
        ("q", "'q' is not a plane; give x, y or z"),
        ("", "'' is not a plane"),
        ("x=nan", "is not a plane"),
        ("1,2,3", "is not a plane"),
        ("0,0,0,0,0,0", "a normal with a length"),
        ("x=99", "even.glb: no face is wholly on the positive side of the plane; move the plane"),
    ],
)
def test_solve_refuses_a_plane_that_is_none_and_writes_nothing(folder, plane, told):
    out = folder / "out.glb"
    result = run("solve", folder / "even.glb", "-o", out, "--mirror", plane)
    assert result.exit_code == 2 and not out.exists()
    assert told in result.stderr


def test_recipe_is_drafted_to_stdout_or_a_new_file(folder):
    out = folder / "r.toml"
    printed = run("recipe", folder / "even.glb")
    assert printed.exit_code == 0 and printed.stdout.startswith("# Recipe for even.glb")
    assert run("recipe", folder / "even.glb", "-o", out).exit_code == 0
    assert out.read_text() == printed.stdout
    assert load_recipe(out).mirror is None
    again = run("recipe", folder / "even.glb", "-o", out)
    assert again.exit_code == 2 and "--force" in again.stderr
    assert run("recipe", folder / "even.glb", "-o", out, "--force").exit_code == 0


def test_a_bad_recipe_stops_before_anything_is_written(folder):
    recipe, out = folder / "recipe.toml", folder / "out.glb"
    recipe.write_text('[[chain]]\njoints = ["arms_*"]\n')
    result = run("solve", folder / "even.glb", "-o", out, "--recipe", recipe)
    assert result.exit_code == 2 and not out.exists()
    assert "recipe.toml, line 2: no joint matches 'arms_*'" in result.stderr

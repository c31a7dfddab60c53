"""Explaining motion: exact splits, the right cause, repairs that change nothing else."""

import json
from dataclasses import replace

import numpy as np
import pytest
from bodies import fingers
from calling import CliRunner
from scipy import sparse

from autoweight.cli import main
from autoweight.errors import RecipeError, WeightsError
from autoweight.flexing import flex
from autoweight.flexing.explaining import Turn, explain, posed, region
from autoweight.io import load, save
from autoweight.pose.skinning import carried, linear_blend
from autoweight.rig import Rig, Weights
from autoweight.weights.tidying import precision, quantise

RNG = np.random.default_rng(8)


def planted(amount=0.02):
    """Finger a_R_2 has some of fifty vertices on the other finger."""
    rig = fingers()
    matrix = rig.weights.dense().copy()
    matrix[-300:-250] = matrix[-300:-250] * (1 - amount) + amount * np.eye(5)[2]
    return Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix)))


def test_shares_sum_to_the_displacement():
    """Each share is weight times motion; together they are what skinning moves, within 1e-9."""
    rig = fingers()
    matrix = RNG.dirichlet(np.full(5, 0.4), size=len(rig.mesh.vertices))
    rig = Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix)))
    pose = posed(rig.skeleton, [Turn("root", "x", 20), Turn("a_L_1", "bend", 40)])
    asked = RNG.choice(len(matrix), 300, replace=False)
    found = explain(rig, pose, asked)
    moved = linear_blend(rig.mesh.vertices, rig.weights.matrix, carried(rig.skeleton, pose))
    expected = (moved - rig.mesh.vertices)[found.vertices]
    assert np.abs(found.shares.sum(axis=1) - found.displacement).max() < 1e-12
    assert np.abs(found.displacement - expected).max() < 1e-9 * rig.mesh.diagonal


def test_what_is_inherited_adds_up():
    """Turns in line about one axis: the joint's motion is its own turn's and its ancestors'."""
    rig = fingers()
    pose = posed(rig.skeleton, [Turn("a_L_1", "bend", 1e-3), Turn("a_L_2", "bend", 1e-3)])
    found = explain(rig, pose, region(rig, "a_L_2"))
    (motion,) = [each for each in found.motions if each.joint == "a_L_2"]
    sources = dict(motion.sources)
    assert set(sources) == {"a_L_1", "a_L_2"}
    assert sources["a_L_1"] > sources["a_L_2"]
    assert motion.moves == pytest.approx(sum(sources.values()), rel=0.05)


@pytest.mark.parametrize("turned", ["a_R_1", "a_R_2"])
def test_stray_weight_is_named_and_taken(turned):
    rig = planted()
    found = explain(rig, posed(rig.skeleton, [Turn(turned, "bend", 50)]), region(rig, "a_L_2"))
    assert found.cause == "weights"
    assert found.verdict.startswith("the weights: 0.02 of a_R_2 on 50 vertices of a_L_2 ")
    assert found.repair.taken == (("a_R_2", pytest.approx(0.02)),)
    assert found.repair.after < 0.05 * found.repair.before
    before, after = (each.matrix for each in (rig.weights, found.repair.weights))
    changed = np.flatnonzero(abs(before - after).max(axis=1).toarray().ravel())
    count = len(rig.mesh.vertices)
    assert changed.tolist() == list(range(count - 300, count - 250))
    rows = np.setdiff1d(np.arange(count), changed)
    assert (before[rows] != after[rows]).nnz == 0
    assert abs(after - fingers().weights.matrix).max() < 1e-12
    repaired = Rig(rig.mesh, rig.skeleton, found.repair.weights)
    assert not [place for place in flex(repaired).findings if place.figure == "stray"]


def test_one_vertex_of_a_patch_is_enough_to_mend_all_of_it():
    rig = planted()
    pose = posed(rig.skeleton, [Turn("a_R_1", "bend", 50)])
    found = explain(rig, pose, [len(rig.mesh.vertices) - 275])
    assert len(found.repair.vertices) == 50


def test_what_is_locked_is_explained_and_left_alone():
    rig = planted()
    vertices = np.arange(len(rig.mesh.vertices))[-300:-250]
    pose = posed(rig.skeleton, [Turn("a_R_2", "bend", 60)])
    locked = np.zeros(len(rig.mesh.vertices))
    locked[vertices[::2]] = 1
    found = explain(replace(rig, attributes={"_LOCK": locked}), pose, vertices)
    assert not np.isin(vertices[::2], found.repair.vertices).any()
    assert np.isin(vertices[1::2], found.repair.vertices).all()
    locked[:] = 1
    found = explain(replace(rig, attributes={"_LOCK": locked}), pose, vertices)
    assert found.cause == "weights" and found.repair is None and "locked" in found.verdict


def test_a_joint_that_is_carried_along_is_not_the_weights_fault():
    rig = planted()
    found = explain(rig, posed(rig.skeleton, [Turn("root", "bend", 30)]), region(rig, "a_L_2"))
    assert found.cause == "joints"
    assert found.repair is None
    assert found.verdict.startswith("not the weights: a_L_2 itself moves by ")
    assert "carried along by root" in found.verdict


def test_a_hand_over_is_named_and_left_alone():
    rig = fingers()
    found = explain(rig, posed(rig.skeleton, [Turn("a_L_2", "bend", 30)]), region(rig, "a_L_1"))
    assert found.cause == "weights"
    assert found.repair is None
    assert "hand over" in found.verdict


def test_nothing_moves_where_nothing_turns():
    rig = fingers()
    found = explain(rig, posed(rig.skeleton, [Turn("a_R_2", "bend", 30)]), region(rig, "a_L_2"))
    assert found.cause == "nothing"
    assert not found.motions


def test_own_axes_and_axes_of_motion():
    skeleton = fingers().skeleton
    assert np.allclose(
        posed(skeleton, [Turn("a_L_1", "x", 30)]), posed(skeleton, [Turn("a_L_1", "twist", 30)])
    )


def test_what_cannot_be_explained_is_told():
    rig = fingers()
    pose = rig.skeleton.rest
    with pytest.raises(RecipeError, match="JOINT=AXIS:DEGREES"):
        Turn.read("hip")
    with pytest.raises(RecipeError, match="did you mean 'a_L_1'"):
        posed(rig.skeleton, [Turn("a_L1", "x", 1)])
    with pytest.raises(RecipeError, match="no axis is named 'w'"):
        posed(rig.skeleton, [Turn("a_L_1", "w", 1)])
    with pytest.raises(RecipeError, match="name some of 0 to"):
        explain(rig, pose, [10**6])
    with pytest.raises(RecipeError, match="heaviest joint of no vertex"):
        region(rig, "root")
    with pytest.raises(WeightsError, match="solve the rig first"):
        explain(Rig(rig.mesh, rig.skeleton), pose, [0])


def run(*arguments):
    return CliRunner().invoke(main, ["explain", *map(str, arguments)])


@pytest.mark.parametrize("bits", [32, 8])
def test_the_command_explains_and_mends(tmp_path, bits):
    rig = planted()
    fine = quantise(rig.weights, bits)
    save(Rig(rig.mesh, rig.skeleton, fine), tmp_path / "bad.glb", bits=bits)
    turn = ["--turn", "a_R_1=bend:50", "--region", "a_L_2"]
    result = run(tmp_path / "bad.glb", *turn, "--json")
    assert result.exit_code == 1, result.output
    assert json.loads(result.stdout)["cause"] == "weights"
    result = run(tmp_path / "bad.glb", *turn, "-o", tmp_path / "mended.glb")
    assert result.exit_code == 0, result.output
    assert "wrote" in result.stdout
    before, after = load(tmp_path / "bad.glb"), load(tmp_path / "mended.glb")
    assert precision(after.weights) == bits
    change = abs(before.weights.matrix - after.weights.matrix).max(axis=1).toarray().ravel()
    assert np.count_nonzero(change) == 50
    again = run(tmp_path / "mended.glb", *turn)
    assert again.exit_code == 0, again.output


def test_the_command_tells_what_it_needs(tmp_path):
    save(fingers(), tmp_path / "good.glb")
    turn = ["--turn", "a_R_1=bend:50"]
    for arguments, words in (
        ([*turn], "--at VERTICES or --region JOINT"),
        ([*turn, "--at", "3,x"], "no vertex number"),
        ([*turn, "--region", "a_L_2", "-o", tmp_path / "out.glb"], "no repair"),
    ):
        result = run(tmp_path / "good.glb", *arguments)
        assert result.exit_code == 2
        assert words in result.stderr
    assert not (tmp_path / "out.glb").exists()

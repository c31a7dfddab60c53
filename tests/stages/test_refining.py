"""Refining: the score falls, nothing rises, and the rules of the recipe hold."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import fingers, skeleton
from odd_rigs import boxes
from scipy import sparse

from autoweight.errors import WeightsError
from autoweight.recipes.recipe import parse_recipe
from autoweight.rig import Rig, Weights
from autoweight.stages.refining import refine


@pytest.fixture(scope="module")
def hinged():
    """Every vertex follows its heaviest joint alone, as a careless bind leaves it."""
    rig = fingers()
    dense = rig.weights.dense()
    return replace(rig, weights=Weights(sparse.csr_array(np.eye(5)[dense.argmax(axis=1)])))


@pytest.fixture(scope="module")
def done(hinged):
    return refine(hinged)


def test_the_score_falls_by_a_fifth_and_no_figure_rises(done):
    begin, *rounds = done.rounds
    assert min(each.score for each in rounds if each.kept) < 0.8 * begin.score
    for each in rounds:
        if each.kept:
            assert all(
                value <= begin.means[name] * (1 + 1e-9) for name, value in each.means.items()
            )


def test_what_comes_out_is_what_was_measured(hinged, done):
    again = refine(replace(hinged, weights=done.weights), rounds=0)
    last = [each for each in done.rounds if each.kept][-1]
    assert again.rounds[0].means == pytest.approx(last.means)
    assert again.weights is done.weights


def test_symmetry_and_cap_are_kept(hinged, done):
    dense = done.weights.dense()
    half = len(dense) // 2
    assert (dense[:half] == dense[half:][:, [0, 3, 4, 1, 2]]).all()
    assert done.weights.influences.max() <= 4
    two = refine(hinged, parse_recipe("tidy = {max_influences = 2, bits = 8}"), rounds=1)
    assert two.weights.influences.max() == 2
    units = two.weights.matrix.data * 255
    assert np.allclose(units, np.round(units), atol=1e-9)


def test_locked_vertices_stay(hinged):
    numbers = list(range(430, 442))  # part of the rings at the joint
    found = refine(hinged, parse_recipe(f"lock = [{{vertices = {numbers}}}]"), rounds=2)
    changed = (found.weights.matrix != hinged.weights.matrix).sum(axis=1) > 0
    assert not changed[numbers].any()
    assert changed[400:500].any()


def test_rigid_parts_stay(hinged):
    found = refine(hinged, parse_recipe('rigid = [{joints = ["a_L_2"]}]'), rounds=2)
    changed = (found.weights.matrix != hinged.weights.matrix).sum(axis=1) > 0
    assert not changed[hinged.weights.dense()[:, 4] == 1].any()


def test_a_rig_without_weights_is_told(hinged):
    with pytest.raises(WeightsError, match="solve the rig first"):
        refine(Rig(hinged.mesh, hinged.skeleton))


def test_where_nothing_is_to_be_mended_nothing_is_done():
    # Boxes that are each one joint's: no place hands over, so the score is 0 from the outset.
    weights = Weights(np.repeat(np.eye(3), 8, axis=0))
    rig = Rig(boxes(3), skeleton([(0, 0, 0), (1, 0, 0), (2, 0, 0)]), weights)
    found = refine(rig)
    assert (found.weights.matrix != weights.matrix).nnz == 0
    assert len(found.rounds) == 1

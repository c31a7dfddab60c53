"""Levels of detail against the densest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse
from tori import JOINTS, bare, ring, torus, weighted

from autoweight.cast.levels import folded, gap
from autoweight.rig import Weights
from autoweight.stages.carrying import carry


def test_what_is_left_out_goes_to_the_nearest_ancestor_that_stays():
    share = Weights(sparse.csr_array(np.eye(JOINTS)))
    kept = np.isin(np.arange(JOINTS), [0, 3, 5])
    found = folded(share, ring(), kept).dense()
    parents = ring().parents
    for joint in range(JOINTS):
        heir = joint
        while not kept[heir]:
            heir = parents[heir]
        assert found[joint].argmax() == heir and found[joint].sum() == 1
    assert folded(share, ring(), np.ones(JOINTS, dtype=bool)) is share


@pytest.mark.parametrize("around", [48, 21])
def test_a_level_that_was_carried_is_near(around):
    densest, level = weighted(*torus(96, 32)), bare(*torus(around, 12))
    level = replace(level, weights=carry(densest, level).weights)
    away = gap(densest, level)
    assert len(away.over) == 0
    assert 0 <= away.mean <= away.worst < 0.01


def test_a_vertex_with_weight_from_elsewhere_is_named():
    densest, level = weighted(*torus(96, 32)), bare(*torus(48, 12))
    share = carry(densest, level).weights.dense()
    share[100] = np.roll(share[100], JOINTS // 2)
    away = gap(densest, replace(level, weights=Weights(sparse.csr_array(share))))
    assert away.over.tolist() == [100]
    assert away.worst > 0.05


def test_having_fewer_joints_is_no_fault():
    densest, level = weighted(*torus(96, 32)), bare(*torus(48, 12))
    kept = np.arange(JOINTS) % 2 == 0
    weights = folded(carry(densest, level).weights, level.skeleton, kept)
    assert len(gap(densest, replace(level, weights=weights)).over) == 0

"""Three hundred bad meshes: sound weights or one clear error, no crash, no hang.

A crash inside a compiled library would end the test run itself, which is how it would show.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from bad_meshes import FAULTS, bad_mesh
from tori import torus, weighted

from autoweight.errors import AutoweightError
from autoweight.methods import METHODS, volume
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Rig, Skeleton
from autoweight.stages.carrying import carry
from autoweight.stages.solving import solve
from autoweight.surface.voxels import voxelise
from autoweight.weights.tidying import quantise, tidy

CASES = 312
CELLS = 2000
"""Voxels for these small meshes; the usual number takes seconds for each."""
BATCH = 12


def skeleton_in(vertices: np.ndarray, seed: int) -> Skeleton:
    """A branching chain through the box of a mesh, sometimes with joints in one place."""
    random = np.random.default_rng(seed)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    rest = np.tile(np.eye(4), (6, 1, 1))
    rest[:, :3, 3] = low + random.random((6, 3)) * (high - low)
    if seed % 4 == 0:
        rest[3] = rest[2]
    return Skeleton([f"joint{each}" for each in range(6)], [-1, 0, 1, 2, 1, 4], rest)


def check(weights, vertices: np.ndarray) -> None:
    """What every set of weights must be, whatever the mesh."""
    dense = weights.dense()
    assert dense.shape[0] == len(vertices)
    assert np.isfinite(dense).all()
    assert dense.min() >= 0
    np.testing.assert_allclose(dense.sum(axis=1), 1, atol=1e-6)
    # Vertices in one place do not come apart.
    _, first, place = np.unique(vertices, axis=0, return_index=True, return_inverse=True)
    np.testing.assert_array_equal(dense, dense[first[place.ravel()]])


@pytest.fixture(autouse=True)
def coarse_voxels(monkeypatch):
    monkeypatch.setattr(volume, "voxelise", partial(voxelise, cells=CELLS))
    monkeypatch.setattr("autoweight.surface.tetrahedra.CELLS", 200)


@pytest.mark.parametrize("start", range(0, CASES, BATCH))
def test_solving_gives_weights_or_says_why_not(start):
    names = list(METHODS)
    for seed in range(start, start + BATCH):
        fault, (vertices, faces) = bad_mesh(seed)
        method = names[seed % len(names)]
        try:
            rig = Rig(Mesh(vertices, faces), skeleton_in(vertices, seed))
            weights = solve(rig, Recipe(method=method))
            check(weights, vertices)
            check(quantise(tidy(weights, mesh=rig.mesh), 8), vertices)
        except AutoweightError as error:
            assert str(error), (seed, fault, method)
        except BaseException as error:
            error.add_note(f"seed {seed}: {fault}, {method}")
            raise


@pytest.mark.parametrize("start", range(0, CASES, BATCH))
def test_carrying_gives_weights_or_says_why_not(start):
    for seed in range(start, start + BATCH):
        fault, (vertices, faces) = bad_mesh(seed)
        try:
            rig = Rig(Mesh(vertices, faces), skeleton_in(vertices, seed))
            finished = replace(rig, weights=solve(rig, Recipe(method="nearest")))
            other = bad_mesh(seed + CASES * (seed % 2))[1]
            target = Rig(Mesh(*other), rig.skeleton)
            fill = ("inpaint", "solve")[seed % 2]
            carried = carry(finished, target, Recipe(method="nearest"), fill=fill)
            check(carried.weights, target.mesh.vertices)
            if seed % 2 == 0:
                assert (carried.weights.matrix != finished.weights.matrix).nnz == 0
        except AutoweightError as error:
            assert str(error), (seed, fault)
        except BaseException as error:
            error.add_note(f"seed {seed}: {fault}")
            raise


def test_most_bad_meshes_are_weighted_all_the_same():
    """A clear error for all would pass the tests above; only hopeless meshes may be refused."""
    hopeless = ("one_place", "one_line", "tiny")  # tiny and far away is one place in float64
    for seed in range(60):
        fault, (vertices, faces) = bad_mesh(seed)
        if len(faces) > 9 and not any(each in fault for each in hopeless):
            rig = Rig(Mesh(vertices, faces), skeleton_in(vertices, seed))
            check(solve(rig, Recipe(method="heat")), vertices)


def test_every_fault_comes_up():
    found = "+".join(bad_mesh(seed)[0] for seed in range(CASES)).split("+")
    assert {fault.__name__ for fault in FAULTS} == set(found)


def test_faults_on_a_finished_torus_keep_what_is_kept():
    """Whatever is done to the new mesh, the vertices that stay where they were keep their rows."""
    vertices, faces = torus(24, 10)
    finished = weighted(vertices, faces)
    random = np.random.default_rng(11)
    for fault in FAULTS:
        other = fault(vertices, faces, random)
        try:
            carried = carry(
                finished, Rig(Mesh(*other), finished.skeleton), Recipe(method="nearest")
            )
        except AutoweightError:
            continue
        many = min(len(vertices), len(other[0]))
        still = np.zeros(len(other[0]), dtype=bool)
        many = min(len(vertices), len(other[0]))
        still[:many] = (other[0][:many] == vertices[:many]).all(axis=1)
        before, after = finished.weights.matrix, carried.weights.matrix
        assert (after[still] != before[np.flatnonzero(still)]).nnz == 0, fault.__name__

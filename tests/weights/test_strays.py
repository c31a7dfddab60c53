import os
import sys

import numpy as np
import pytest
from bodies import capsules
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse

from autoweight.machine import abreast
from autoweight.rig import Mesh, Skeleton
from autoweight.rows import scaled
from autoweight.surface import prepare
from autoweight.weights.strays import ALIKE, HOME, films, strays, unwanted


def widest(height: np.ndarray, joined: np.ndarray, marker: np.ndarray) -> np.ndarray:
    """Height of the best path from each place to a marked one, by trying every middle stop."""
    width = np.where(joined, np.minimum(height[:, None], height), -np.inf)
    np.fill_diagonal(width, height)
    for stop in range(len(height)):
        width = np.maximum(width, np.minimum(width[:, [stop]], width[stop]))
    return np.maximum(width[:, marker].max(axis=1, initial=0.0), 0.0)


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.3]))
@settings(max_examples=40)
def test_agrees_with_every_path_tried(seed, ties):
    rng = np.random.default_rng(seed)
    surface = prepare(capsules([[0.0, 0, 0]], [[1.0, 0, 0]], [0.3], 0.2))
    count = len(surface)
    values = rng.random((count, 4)) * (rng.random((count, 4)) < 0.7)
    if ties:
        values = np.round(values / ties) * ties
    values[values.sum(axis=1) == 0, 0] = 1
    weights = scaled(sparse.csr_array(values))
    dense = weights.toarray()

    joined = surface.adjacency.toarray() > 0
    wanted = np.zeros_like(dense)
    for joint in range(4):
        # At home: the large patches by area of the vertices that no joint is heavier on.
        own = np.flatnonzero(dense[:, joint] >= dense.max(axis=1) - ALIKE)
        patches = sparse.csgraph.connected_components(joined[np.ix_(own, own)])[1]
        if len(own):
            size = np.bincount(patches, surface.areas[own])
            home = own[(size >= HOME * size.max())[patches]]
        else:
            home = np.flatnonzero(dense[:, joint] >= dense[:, joint].max() - ALIKE)
        held = np.flatnonzero(dense[:, joint])
        if len(held) == 0:
            continue
        marker = np.isin(held, home)
        best = widest(dense[held, joint], joined[np.ix_(held, held)], marker)
        wanted[held, joint] = dense[held, joint] - np.minimum(best, dense[held, joint])
    np.testing.assert_allclose(strays(weights, surface).toarray(), wanted, atol=1e-12)


def test_pieces_that_touch_are_joined_and_others_not():
    square = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    faces = np.array([[0, 1, 2], [1, 3, 2]])
    for gap, joined in ((0.5, True), (5.0, False)):
        mesh = Mesh(
            np.concatenate([square, square + [1 + gap, 0, 0]]), np.concatenate([faces, faces + 4])
        )
        # The second joint is at home on the far side of the first piece.
        weights = np.array(
            [[1, 0], [0, 1.0], [1, 0], [0, 1], [0.6, 0.4], [1, 0], [0.6, 0.4], [1, 0]]
        )
        found = strays(sparse.csr_array(weights), prepare(mesh)).toarray()
        assert (found[4:, 1].max() == 0) == joined


def test_a_film_is_told_from_the_end_of_a_hand_over():
    surface = prepare(capsules([[0.0, 0, 0]], [[6.0, 0, 0]], [0.4], 0.15))
    along = surface.vertices[:, 0]
    share = np.clip(along - 2, 0, 1)  # a hand-over from 2 to 3
    sound = sparse.csr_array(np.column_stack([1 - share, share]))
    assert films(sound, surface).nnz == 0
    film = np.where((share == 0) & (along > 0), 1e-3, 0.0)
    spread = sparse.csr_array(np.column_stack([1 - share - film, share + film]))
    found = films(spread, surface)
    assert np.unique(found.indices).tolist() == [1]
    assert np.flatnonzero(np.diff(found.indptr)).tolist() == np.flatnonzero(film).tolist()


def test_joints_that_share_a_place_evenly_are_both_at_home_whatever_rounding_says():
    surface = prepare(capsules([[0.0, 0, 0]], [[6.0, 0, 0]], [0.4], 0.15))
    along = surface.vertices[:, 0]
    first = np.clip(along - 2, 0, 1)  # of two joints in one place that share half a tube
    noise = np.random.default_rng(4).integers(-1, 2, len(along)) / 65535 * (first > 0)
    weights = np.column_stack([1 - first, first / 2 + noise, first / 2 - noise])
    assert strays(sparse.csr_array(weights), surface).data.max(initial=0) < 3 / 65535


@pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux alone")
def test_joints_looked_at_in_several_processes_are_found_the_same(monkeypatch):
    surface = prepare(capsules([[0.0, 0, 0]], [[1.0, 0, 0]], [0.3], 0.2))
    skeleton = Skeleton(tuple("abcd"), [-1, 0, 0, 0], np.tile(np.eye(4), (4, 1, 1)))
    rng = np.random.default_rng(0)
    values = rng.random((len(surface), 4)) * (rng.random((len(surface), 4)) < 0.5)
    values[values.sum(axis=1) == 0, 0] = 1
    weights = scaled(sparse.csr_array(values))
    alone = unwanted(weights, surface, skeleton)
    assert alone.nnz
    monkeypatch.setattr(abreast, "WORTH", 0)
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1, 2})
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    assert (alone != unwanted(weights, surface, skeleton)).nnz == 0

"""Finding the place of one surface on another."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from tori import torus

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.matching import astray, match


def test_a_shifted_sphere_like_surface_is_matched_at_its_true_distance():
    """Tubes one in another: the nearest place is along the normal, at the difference of radii."""
    source, target = prepare(Mesh(*torus(400, 160))), prepare(Mesh(*torus(50, 20, tube=0.4)))
    found = match(source, target, reach=0.1, angle=0.3)
    assert found.found.all()
    np.testing.assert_allclose(found.distance, 0.05, atol=2e-4)
    assert found.cosine.min() > 0.999
    np.testing.assert_allclose(found.interpolator.sum(axis=1), 1)
    place = found.interpolator @ source.vertices
    np.testing.assert_allclose(
        np.linalg.norm(place - target.vertices, axis=1), found.distance, atol=1e-12
    )


def test_beyond_reach_nothing_is_matched():
    source, target = prepare(Mesh(*torus(50, 20))), prepare(Mesh(*torus(50, 20, tube=0.6)))
    found = match(source, target, reach=0.2, angle=0.5)
    assert not found.found.any()
    assert found.interpolator.nnz == 0
    assert np.isinf(found.distance).all()


def plates(gap: float, lift: float):
    """Two flat squares that face each other across a gap, both lifted."""
    x, y = (each.ravel() / 10 for each in np.indices((11, 11)))
    corner = (np.indices((10, 10))[0] * 11 + np.indices((10, 10))[1]).ravel()
    up = np.concatenate(
        [
            np.column_stack([corner, corner + 11, corner + 12]),
            np.column_stack([corner, corner + 12, corner + 1]),
        ]
    )
    lower = np.column_stack([x, y, np.full(len(x), lift)])
    return prepare(
        Mesh(np.concatenate([lower, lower + [0, 0, gap]]), np.concatenate([up, up[:, ::-1] + 121]))
    )


@pytest.mark.parametrize("lift", [0.012, 0.018, -0.018, 0.03])
def test_lips_keep_their_side(lift):
    """Lifted past the middle of the gap, the nearest place is on the other lip."""
    found = match(plates(0.02, 0.0), plates(0.02, lift), reach=0.07, angle=0.5)
    assert (found.face < 200).tolist() == [True] * 121 + [False] * 121


def coil(wobble: float, along: int, up: int):
    """Three turns of a sheet rolled up, all facing outward, the turns 0.05 apart."""
    share, height = np.meshgrid(np.linspace(0, 1, along), np.linspace(0, 0.5, up), indexing="ij")
    turn = 6 * np.pi * share
    radius = 0.3 + 0.05 * turn / (2 * np.pi) + wobble * np.sin(9 * turn) * np.sin(7 * height)
    vertices = np.stack([radius * np.cos(turn), radius * np.sin(turn), height], -1).reshape(-1, 3)
    corner = (np.indices((along - 1, up - 1))[0] * up + np.indices((along - 1, up - 1))[1]).ravel()
    faces = np.concatenate(
        [
            np.column_stack([corner, corner + up, corner + up + 1]),
            np.column_stack([corner, corner + up + 1, corner + 1]),
        ]
    )
    values = np.maximum(0, 1 - np.abs(3 * share.reshape(-1, 1) - np.arange(4)))
    return prepare(Mesh(vertices, faces)), values


@pytest.mark.parametrize("wobble", [0.02, 0.03, 0.04])
def test_places_on_the_next_turn_of_a_coil_are_astray(wobble):
    """Normals agree and distances are small: only walking the edges tells the turns apart."""
    source, theirs = coil(0.0, 600, 20)
    target, right = coil(wobble, 501, 25)
    found = match(source, target, reach=0.05, angle=0.5)
    rows = sparse.csr_array(found.interpolator @ sparse.csr_array(theirs))
    wrong = found.found & (np.abs(rows.toarray() - right).sum(axis=1) > 0.1)
    lost = astray(
        source,
        target,
        found.interpolator @ source.vertices,
        found.distance < 1e-3,
        found.found,
        sparse.csr_array(theirs),
        rows,
        reach=0.05,
        angle=0.5,
    )
    assert wrong.any() == (wobble > 0.025)
    assert lost[wrong].all()
    assert (lost & ~wrong).mean() < 0.2

"""Finding the place of one surface on another."""

from __future__ import annotations

import numpy as np
import pytest
from tori import torus

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.matching import match
from autoweight.surface.places import Ground


def test_a_shifted_sphere_like_surface_is_matched_at_its_true_distance():
    """Tubes one in another: the nearest place is along the normal, at the difference of radii."""
    source, target = prepare(Mesh(*torus(400, 160))), prepare(Mesh(*torus(50, 20, tube=0.4)))
    found = match(Ground(source), target, reach=0.1, angle=0.3)
    assert found.found.all()
    np.testing.assert_allclose(found.places.distance, 0.05, atol=2e-4)
    assert found.cosine.min() > 0.999
    place = found.places.interpolator(source) @ source.vertices
    np.testing.assert_allclose(place, found.places.position, atol=1e-12)
    np.testing.assert_allclose(
        np.linalg.norm(place - target.vertices, axis=1), found.places.distance, atol=1e-12
    )


def test_beyond_reach_nothing_is_matched():
    source, target = prepare(Mesh(*torus(50, 20))), prepare(Mesh(*torus(50, 20, tube=0.6)))
    assert not match(Ground(source), target, reach=0.2, angle=0.5).found.any()


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
    found = match(Ground(plates(0.02, 0.0)), plates(0.02, lift), reach=0.07, angle=0.5)
    assert found.found.all()
    assert (found.places.face < 200).tolist() == [True] * 121 + [False] * 121

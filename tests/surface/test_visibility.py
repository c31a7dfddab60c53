"""Rays against a body that is even and against the same body taken as a whole."""

import igl
import numpy as np
import pytest
from trimesh.creation import icosphere

from autoweight.rig import Mesh
from autoweight.surface import prepare, visibility
from autoweight.surface.visibility import Sight

BALL = icosphere(2)


def body(axis, moved=0.0):
    """A lens round a smaller ball, with two balls beside them, even about one axis alone."""
    lens = BALL.vertices * [1.0, 2.0, 0.7]
    beside = 0.4 * BALL.vertices + [0.0, 0.6, 1.5]  # on both sides of the middle
    left = 0.3 * BALL.vertices + [1.6, 0.3, -0.2]
    parts = [lens, 0.4 * lens, beside, left, left * [-1, 1, 1]]
    mirrored = BALL.faces[:, ::-1]  # so that it faces outward too
    faces = [BALL.faces, BALL.faces, BALL.faces, BALL.faces, mirrored]
    at = np.concatenate(parts)
    at[:, 1:] += 0.1 * at[:, 1:] ** 2
    count = len(BALL.vertices)
    faces = np.concatenate([each + count * number for number, each in enumerate(faces)])
    return prepare(Mesh(np.roll(at, axis, axis=1) + moved, faces))


@pytest.fixture(params=[(0, 0.0), (1, 0.0), (2, [0.7, 1 / 3, -5.0])])
def sights(request, monkeypatch):
    surface = body(*request.param)
    folded = Sight(surface)
    folded.outside(surface.vertices[:1])  # the tree is made before it is told otherwise
    monkeypatch.setattr(visibility, "foldable", lambda surface: None)
    return folded, Sight(surface)


def rays(surface, many=3000):
    chance = np.random.default_rng(5)
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    ways = chance.normal(size=(many, 3))
    return chance.uniform(low, high, (many, 3)), ways / np.linalg.norm(ways, axis=1)[:, None]


def test_depth_and_outside_are_those_of_the_whole_body(sights):
    folded, whole = sights
    points, ways = rays(whole.surface)
    np.testing.assert_allclose(folded.depth(points, ways), whole.depth(points, ways), rtol=1e-6)
    np.testing.assert_allclose(folded.outside(points), whole.outside(points), rtol=1e-6)


def test_what_is_seen_is_what_the_whole_body_shows(sights):
    folded, whole = sights
    surface = whole.surface
    points, _ = rays(surface, 20 * len(surface))
    targets = np.tile(surface.vertices, (20, 1))
    seen = folded.clear(points, targets)
    assert 0.1 < seen.mean() < 0.9
    # Two faces may hide a vertex by a hair's breadth.
    assert (seen != whole.clear(points, targets)).mean() < 1e-4


def test_what_is_on_the_surface_is_put_under_it(sights):
    folded, whole = sights
    at = whole.surface.vertices
    np.testing.assert_allclose(folded.under(at), whole.under(at), atol=1e-9)
    assert (folded.outside(folded.under(at)) < 0).mean() > 0.5


def test_the_tree_of_an_even_body_has_half_of_its_faces(sights, monkeypatch):
    folded, whole = sights
    made = []

    class Tree(igl.AABB):
        def init(self, vertices, faces):
            made.append(len(faces))
            super().init(vertices, faces)

    monkeypatch.setattr(igl, "AABB", Tree)
    point = whole.surface.vertices[:1]
    for each in (folded, whole):
        each.forget()
        each.outside(point)
    assert made[1] == len(whole.surface.faces)
    assert 0.5 * made[1] <= made[0] < 0.6 * made[1]

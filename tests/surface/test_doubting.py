"""Telling matches that are wrong from those that are right."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from tori import analytic, torus

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.doubting import astray, lonely, vague
from autoweight.surface.matching import match
from autoweight.surface.places import Ground


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
    ground = Ground(source)
    found = match(ground, target, reach=0.05, angle=0.5)
    rows = sparse.csr_array(found.places.interpolator(source) @ sparse.csr_array(theirs))
    wrong = found.found & (np.abs(rows.toarray() - right).sum(axis=1) > 0.1)
    sure = found.places.distance < 1e-3
    lost = astray(
        ground, target, found.places.position, sure, found.found, sparse.csr_array(theirs), rows
    )
    assert wrong.any() == (wobble > 0.025)
    assert lost[wrong].all()
    assert (lost & ~wrong).mean() < 0.2


def test_a_distance_is_vague_where_values_change_within_it():
    """By the angle about the axis, half the weight changes hands within half a joint's span.

    Smoothstep is antisymmetric about its middle, so that between joints π/4 apart a place that is
    off by more than π/8 from a joint has less than half of it; seen from the middle, sooner.
    """
    source = prepare(Mesh(*torus(192, 48)))
    ground, values = Ground(source), sparse.csr_array(analytic(source.vertices))
    for tube, expected in ((0.4, False), (1.0, True)):
        target = prepare(Mesh(*torus(60, 20, tube=tube)))
        places = ground.nearest(target.vertices)
        rows = sparse.csr_array(places.interpolator(source) @ values)
        outer = np.hypot(*target.vertices[:, :2].T) > 1
        lost = vague(ground, target, places.position, outer, values, rows)
        assert not lost[~outer].any()
        assert lost[outer].any() == expected


def test_a_match_amid_none_is_lonely():
    surface = prepare(Mesh(*torus(24, 10)))
    known = np.zeros(240, dtype=bool)
    known[100:140] = True  # four whole rings
    known[7] = True
    sure = np.zeros(240, dtype=bool)
    assert np.flatnonzero(lonely(surface, sure, known)).tolist() == [7]
    sure[7] = True
    assert not lonely(surface, sure, known).any()

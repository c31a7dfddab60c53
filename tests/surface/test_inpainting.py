"""Filling values in smoothly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from tori import analytic, torus

from autoweight.rig import Mesh
from autoweight.surface import prepare
from autoweight.surface.inpainting import inpaint


def strip(length: int):
    """A flat strip of unit width, its vertices one row after another."""
    x, y = (each.ravel() for each in np.indices((length + 1, 5)))
    corner = (np.indices((length, 4))[0] * 5 + np.indices((length, 4))[1]).ravel()
    faces = np.concatenate(
        [
            np.column_stack([corner, corner + 5, corner + 6]),
            np.column_stack([corner, corner + 6, corner + 1]),
        ]
    )
    vertices = np.column_stack([x / length * 4, y / 4, np.zeros(len(x))])
    return prepare(Mesh(vertices, faces))


def test_a_slope_is_carried_across_a_gap():
    """Linear functions are in the kernel of the flat energy, so they come back exactly."""
    surface = strip(40)
    x = surface.vertices[:, 0]
    ramp = sparse.csr_array(np.column_stack([x / 4, 1 - x / 4]))
    known = (x < 1.5) | (x > 2.5)
    filled = inpaint(surface, known, ramp, span=100.0)
    np.testing.assert_allclose(filled.toarray(), ramp.toarray(), atol=2e-4)


def test_fading_follows_the_screened_equation():
    """On a long strip held at 1 with no slope: (1 + x/s) exp(−x/s) solves (1/s² − d²/dx²)²w = 0.

    Derived by hand from the fourth-order equation with w(0) = 1, w'(0) = 0.
    """
    surface = strip(160)
    x = surface.vertices[:, 0]
    known = x <= 0.5
    values = sparse.csr_array(known.astype(float)[:, None])
    filled = inpaint(surface, known, values, span=0.4, fade=True).toarray()[:, 0]
    away = np.maximum(x - 0.5 + 0.5 * 4 / 160, 0)  # two rings are held, the slope is between
    expected = np.where(known, 1.0, (1 + away / 0.4) * np.exp(-away / 0.4))
    assert np.abs(filled - expected)[x < 2.5].max() < 0.02


def test_error_falls_with_the_size_of_the_gap():
    surface = prepare(Mesh(*torus(192, 48)))
    values = analytic(surface.vertices)
    turn = np.arctan2(surface.vertices[:, 1], surface.vertices[:, 0])
    errors = []
    for half in (0.05, 0.1, 0.2):
        known = np.abs(turn - 0.4) > half
        filled = inpaint(surface, known, sparse.csr_array(values), span=2.0).toarray()
        np.testing.assert_array_equal(filled[known], values[known])
        np.testing.assert_allclose(filled.sum(axis=1), 1, atol=1e-3)
        errors.append(np.abs(filled - values).sum(axis=1).max())
    assert errors[0] < errors[1] < errors[2] < 0.02


def test_the_unit_of_the_scene_does_not_matter():
    vertices, faces = torus(48, 20)
    known = np.abs(np.arctan2(vertices[:, 1], vertices[:, 0])) > 0.2
    values = sparse.csr_array(analytic(vertices))
    filled = [
        inpaint(prepare(Mesh(unit * vertices, faces)), known, values, span=unit).toarray()
        for unit in (1.0, 100.0)
    ]
    np.testing.assert_allclose(*filled, atol=2e-4)


def test_a_piece_without_known_vertices_stays_empty():
    vertices, faces = torus(24, 10)
    many = len(vertices)
    mesh = Mesh(np.concatenate([vertices, vertices + 5]), np.concatenate([faces, faces + many]))
    known = np.arange(2 * many) < many - 5
    values = sparse.csr_array(np.concatenate([analytic(vertices), np.zeros((many, 8))]))
    filled = inpaint(prepare(mesh), known, values, span=1.0)
    assert filled[many:].nnz == 0
    assert (filled[:many].sum(axis=1) > 0.99).all()


@pytest.mark.parametrize("fade", [False, True])
def test_nothing_to_fill_is_nothing_changed(fade):
    vertices, faces = torus(24, 10)
    values = sparse.csr_array(analytic(vertices))
    known = np.ones(len(vertices), dtype=bool)
    filled = inpaint(prepare(Mesh(vertices, faces)), known, values, span=1.0, fade=fade)
    assert (filled != values).nnz == 0

"""Pieces that move with what they lie on, lie in or sit on."""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
from tori import analytic, ring, torus

from autoweight.errors import RecipeError
from autoweight.methods import Problem
from autoweight.recipes.recipe import parse_recipe
from autoweight.rig import Mesh, Part, Rig, Weights
from autoweight.skeleton.bones import bones
from autoweight.stages.attaching import attach
from autoweight.stages.solving import first_pass
from autoweight.surface import prepare
from autoweight.surface.places import Ground

Piece = tuple[np.ndarray, np.ndarray]


def body() -> Piece:
    return torus(72, 28)


def coat(inner: float = 0.38, outer: float = 0.4) -> Piece:
    """Cloth with a thickness round half of the body, two layers joined at their rims."""
    vertices, faces = torus(61, 23, tube=outer)
    under, _ = torus(61, 23, tube=inner)
    half = (vertices[:, 0] > 0)[faces].all(axis=1)
    used, shell = np.unique(faces[half], return_inverse=True)
    shell = shell.reshape(-1, 3)
    many, rim = len(used), igl.boundary_facets(shell)[0]
    a, b = rim.T
    seam = np.concatenate(
        [
            np.column_stack([b, a, a + many]),
            np.column_stack([b, a + many, b + many]),
        ]
    )
    return (
        np.concatenate([vertices[used], under[used]]),
        np.concatenate([shell, shell[:, ::-1] + many, seam]),
    )


def ball(place: tuple[float, float, float], radius: float) -> Piece:
    vertices, faces = igl.icosahedron()
    unit = vertices / np.linalg.norm(vertices[0])
    return radius * unit + np.array(place), np.asarray(faces, dtype=np.int64)


def character(**pieces: Piece) -> Rig:
    parts, vertices, faces, count, corners = [], [], [], 0, 0
    for name, (points, triangles) in pieces.items():
        spans = slice(count, count + len(points)), slice(corners, corners + len(triangles))
        parts.append(Part(name, *spans))
        vertices.append(points)
        faces.append(triangles + count)
        count, corners = spans[0].stop, spans[1].stop
    return Rig(Mesh(np.concatenate(vertices), np.concatenate(faces), parts), ring())


def own(rig: Rig, off: float = 0.0) -> tuple[Problem, Weights, list[str]]:
    """The analytic weights, all but those of the first part turned by `off` radians."""
    surface = prepare(rig.mesh)
    notes: list[str] = []
    problem = Problem(surface, rig.skeleton, bones(rig.skeleton), np.ones(8, bool))
    turned = surface.vertices.copy()
    x, y, _ = turned.T.copy()
    other = surface.part > 0
    turned[other, 0] = (np.cos(off) * x - np.sin(off) * y)[other]
    turned[other, 1] = (np.sin(off) * x + np.cos(off) * y)[other]
    return replace(problem, note=notes.append), Weights(analytic(turned)), notes


def of(rig: Rig, name: str, weights: Weights) -> np.ndarray:
    part = next(part for part in rig.mesh.parts if part.name == name)
    return weights.dense()[prepare(rig.mesh).weld[part.vertices]]


def disagreement(rig: Rig, name: str, weights: Weights) -> float:
    """Mean L1 between a part and the nearest place of the body."""
    surface = prepare(rig.mesh)
    faces = surface.faces[surface.part[surface.faces[:, 0]] == surface.parts.index("body")]
    ground = Ground(replace(surface, faces=faces))
    points = rig.mesh.vertices[next(p for p in rig.mesh.parts if p.name == name).vertices]
    below = ground.nearest(points).interpolator(ground.surface) @ weights.dense()
    return float(np.abs(of(rig, name, weights) - below).sum(axis=1).mean())


@pytest.mark.parametrize("order", [("body", "coat"), ("coat", "body")])
def test_cloth_agrees_with_the_body_below(order):
    shapes = {"body": body(), "coat": coat()}
    rig = character(**{name: shapes[name] for name in order})
    problem, weights, notes = own(rig, off=0.2)
    assert disagreement(rig, "coat", weights) > 0.3
    found = attach(problem, weights)
    assert disagreement(rig, "coat", found) < 0.001
    np.testing.assert_array_equal(of(rig, "body", found), of(rig, "body", weights))
    assert notes == ["coat: 1 piece follows body, it lies on it, 98% of it"]


def test_layers_follow_the_one_below_each():
    rig = character(body=body(), coat=coat(), cape=coat(0.42, 0.44))
    problem, weights, notes = own(rig, off=0.2)
    found = attach(problem, weights)
    assert disagreement(rig, "cape", found) < 0.02
    assert [note.split(",")[0] for note in notes] == [
        "coat: 1 piece follows body",
        "cape: 1 piece follows coat",
    ]


def test_what_flares_away_goes_over_to_its_own_weights():
    vertices, faces = coat()
    up = np.clip((vertices[:, 2] - 0.2) / 0.2, 0, 1)[:, None]
    rig = character(body=body(), coat=(vertices + up * [0, 0, 0.5], faces))
    problem, weights, _ = own(rig, off=0.2)
    found = of(rig, "coat", attach(problem, weights))
    far = up[:, 0] > 0.9
    to_own = np.abs(found - of(rig, "coat", weights)).sum(axis=1)
    assert to_own[far].mean() < 0.5 * to_own[~far].mean()


def test_a_button_keeps_its_shape_and_moves_with_its_place():
    turn = np.pi / 8  # half-way between two joints
    place = (1.37 * np.cos(turn), 1.37 * np.sin(turn), 0.0)
    rig = character(body=body(), button=ball(place, 0.04))
    problem, weights, notes = own(rig)
    found = of(rig, "button", attach(problem, weights))
    assert np.ptp(of(rig, "button", weights)[:, 0]) > 0.05
    np.testing.assert_array_equal(found, found[[0] * len(found)])
    np.testing.assert_allclose(found[0, :2], 0.5, atol=0.02)
    assert notes == ["button: 1 piece sits on body, small and against it"]


def test_what_is_enclosed_goes_to_the_joint_that_has_most_of_it():
    rig = character(body=body(), tooth=ball((np.cos(0.5), np.sin(0.5), 0.1), 0.05))
    problem, weights, notes = own(rig)
    found = of(rig, "tooth", attach(problem, weights))
    np.testing.assert_array_equal(found, np.tile(np.eye(8)[1], (12, 1)))
    assert notes == ["tooth: 1 piece one joint's, inside body, small and enclosed, 100% of it"]


def test_pieces_of_one_part_share_a_line():
    teeth = [ball((np.cos(t), np.sin(t), 0.1), 0.05) for t in (0.4, 0.5, 0.6)]
    vertices = np.concatenate([each[0] for each in teeth])
    faces = np.concatenate([each[1] + 12 * number for number, each in enumerate(teeth)])
    problem, weights, notes = own(character(body=body(), teeth=(vertices, faces)))
    attach(problem, weights)
    assert notes == ["teeth: 3 pieces one joint's, inside body, small and enclosed, 100% of it"]


def test_what_lies_on_nothing_is_left_alone():
    vertices, faces = body()
    rig = character(body=(vertices, faces), beside=(vertices + [0, 0, 1.0], faces))
    problem, weights, notes = own(rig, off=0.2)
    assert (attach(problem, weights).matrix != weights.matrix).nnz == 0
    assert notes == []


def test_neighbours_of_one_size_are_no_accessories_of_each_other():
    """Sixty like pieces side by side, nearer to each other than cloth would be to a body."""
    vertices, faces = torus(24, 10)
    places = np.stack(np.meshgrid(np.arange(10), np.arange(6), [0]), -1).reshape(-1, 3) * 0.8
    rig = character(**{f"plate{n}": (0.3 * vertices + at, faces) for n, at in enumerate(places)})
    problem, weights, notes = own(rig)
    assert (attach(problem, weights).matrix != weights.matrix).nnz == 0
    assert notes == []


def test_the_recipe_decides():
    rig = character(body=body(), coat=coat(), other=coat(0.42, 0.44))
    text = """
        method = "inverse"
        [[attach]]
        parts = ["coat"]
        [[attach]]
        parts = ["other"]
        follow = ["body"]
    """
    free = first_pass(rig, parse_recipe('method = "inverse"'))
    told = first_pass(rig, parse_recipe(text))
    assert "coat: 1 piece follows body, it lies on it, 98% of it" in free.decisions
    assert "coat: 1 piece as it was solved, by the recipe" in told.decisions
    assert "other: 1 piece follows body, by the recipe, 100% of it" in told.decisions
    with pytest.raises(RecipeError, match=r"line 3.*'coat' would follow itself"):
        first_pass(rig, parse_recipe('[[attach]]\nparts = ["coat"]\nfollow = ["coat", "body"]'))
    with pytest.raises(RecipeError, match=r"no part .*'body'"):
        first_pass(rig, parse_recipe('[[attach]]\nparts = ["coat"]\nfollow = ["bdy"]'))


def test_a_rigid_part_of_the_recipe_comes_last():
    rig = character(body=body(), coat=coat())
    recipe = parse_recipe('[[rigid]]\nparts = ["coat"]\nto = "ring0"')
    found = of(rig, "coat", Weights(first_pass(rig, recipe).weights.matrix))
    np.testing.assert_array_equal(found[:, 0], 1)

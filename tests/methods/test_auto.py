"""The choice of a method by what a piece is."""

import numpy as np
import pytest
from bodies import helix, problem, skeleton, straight, tube

import autoweight
from autoweight.methods import find
from autoweight.methods.auto import choose, solve
from autoweight.recipes.profiles import Falloff
from autoweight.rig import Mesh, Part, Rig
from autoweight.stages.solving import first_pass

LENGTH = 4.0


def joined(*meshes):
    """Meshes as the parts of one."""
    vertices, faces, parts = [], [], []
    for number, mesh in enumerate(meshes):
        at, on = sum(map(len, vertices)), sum(map(len, faces))
        vertices.append(mesh.vertices)
        faces.append(mesh.faces + at)
        parts.append(
            Part(
                f"part {number}",
                slice(at, at + len(mesh.vertices)),
                slice(on, on + len(mesh.faces)),
            )
        )
    return Mesh(np.vstack(vertices), np.vstack(faces), tuple(parts))


def moved(mesh, *by):
    return Mesh(mesh.vertices + by, mesh.faces)


def torn(mesh, gap=0.02):
    """Every face by itself, a little smaller."""
    corners = mesh.vertices[mesh.faces]
    corners = corners + gap * (corners.mean(axis=1, keepdims=True) - corners)
    return Mesh(corners.reshape(-1, 3), np.arange(len(mesh.faces) * 3).reshape(-1, 3))


@pytest.fixture
def body():
    return tube(straight, LENGTH, 0.3, 41, 16)[0]


LIMB = skeleton(straight(np.array([0, 1.5, 2.5, 4.0])))


def test_one_surface_is_heated(body):
    given = problem(body, LIMB)
    (choice,) = choose(given)
    assert choice.method == "heat" and len(choice.vertices) == len(given.surface)
    assert (solve(given) != find("heat")(given)).nnz == 0


def test_a_torn_surface_is_solved_through_the_inside(body):
    told = []
    given = problem(torn(body), LIMB, note=told.append)
    weights = solve(given).toarray()
    assert told == [
        "mesh: volume for 1312 pieces, mostly patches that do not go round their limb, "
        "which only the inside joins"
    ]
    # The bones hand over at the joint between them, all round.
    ring = np.abs(given.surface.vertices[:, 0] - 1.5) < 0.02
    np.testing.assert_allclose(weights[ring, 1], 0.5, atol=0.06)


def test_a_cape_is_not_torn(body):
    x, z = np.meshgrid(np.linspace(0, 4, 21), np.linspace(-1, 1, 11), indexing="ij")
    a = (np.arange(20)[:, None] * 11 + np.arange(10)).ravel()
    faces = np.vstack(
        [np.column_stack([a, a + 11, a + 1]), np.column_stack([a + 11, a + 12, a + 1])]
    )
    cape = Mesh(np.column_stack([x.ravel(), np.full(x.size, 0.4), z.ravel()]), faces)
    found = {each.part: each.method for each in choose(problem(joined(body, cape), LIMB))}
    assert found == {"part 0": "heat", "part 1": "heat"}


def test_parts_are_chosen_for_one_by_one(body):
    ball = moved(tube(straight, 0.1, 0.05, 4, 8)[0], 3.4, 0.36, 0)
    told = []
    given = problem(joined(body, torn(moved(body, 0, 0.02, 0)), ball), LIMB, note=told.append)
    weights = solve(given)
    methods = [line.split(" for ")[0] for line in told]
    assert methods == ["part 0: heat", "part 1: volume", "part 2: rigid"]
    assert told[2].endswith("one joint's alone: joint 2")
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-9)
    own = np.concatenate([each.vertices for each in choose(given)])
    assert sorted(own) == list(range(len(given.surface)))


def test_a_rope_has_bands_that_hand_over_at_its_joints():
    path = helix(1.0, 0.4)
    mesh, s = tube(path, 6.0, 0.35, 160, 16)
    joints = np.linspace(0, 6.0, 16)
    told = []
    given = problem(mesh, skeleton(path(joints)), note=told.append)
    weights = solve(given).toarray()[given.surface.weld]
    assert told[0].startswith("mesh: bands for 1 piece, a rope")
    exact = Falloff(centre=0.5, reach=1.5).weights(s / 6.0 * 15, np.arange(16))
    np.testing.assert_allclose(weights, exact, atol=1e-6)


def test_a_falloff_that_was_asked_for_is_kept():
    mesh, s = tube(straight, LENGTH, 0.3, 81, 12)
    given = problem(
        mesh,
        skeleton(straight(np.linspace(0, LENGTH, 11))),
        falloffs=(Falloff("linear", 1.0, centre=0.0),),
    )
    exact = Falloff("linear", 1.0, centre=0.0).weights(s / LENGTH * 10, np.arange(11))
    np.testing.assert_allclose(solve(given).toarray(), exact, atol=1e-6)


def test_what_was_chosen_is_among_the_decisions_of_a_run(body):
    recipe = autoweight.Recipe(method="auto")
    solution = first_pass(Rig(body, LIMB), recipe)
    assert "mesh: heat for 1 piece, a whole surface that heat can travel" in solution.decisions

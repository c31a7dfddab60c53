"""Joints called for things: sockets of props, eyes and guns whose meshes are elsewhere.

What a name means is common practice, without a source; the figure is invented.
"""

import numpy as np
import pytest
from bodies import capsules

from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Rig, Skeleton
from autoweight.stages.planning import roles
from autoweight.stages.solving import first_pass
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight

FIGURE = [
    ("hip", -1, (0, 0, 0)),
    ("chest", 0, (3, 0, 0)),
    ("head", 1, (6, 0, 0)),
    ("arm", 1, (3, 1.0, 0)),
    ("hand", 3, (3, 4.0, 0)),
    ("finger", 4, (3, 5.0, 0)),
]
RODS = [
    ((0, 0, 0), (4, 0, 0), 1.0),
    ((4, 0, 0), (5.5, 0, 0), 0.5),
    ((6.5, 0, 0), (7.5, 0, 0), 1.2),
    ((3, 0, 0), (3, 3.5, 0), 0.4),
    ((3, 4.0, 0), (3, 4.6, 0), 0.5),
    ((3, 4.6, 0), (3, 6.0, 0), 0.25),
]
SWORD = ((2, 4.5, 0), (9, 4.5, 0), 0.15)
BULGE = ((7.0, 0, 1.8), (7.0, 0, 1.8), 0.7)


def grown(*more) -> Mesh:
    heads, tails, radii = zip(*RODS, *more, strict=True)
    return capsules(heads, tails, radii, 0.12)


def beside(mesh: Mesh, *more) -> Mesh:
    """A mesh and some rods that are pieces of their own."""
    for head, tail, radius in more:
        piece = capsules([head], [tail], [radius], radius / 3)
        faces = np.concatenate([mesh.faces, piece.faces + len(mesh.vertices)])
        mesh = Mesh(np.concatenate([mesh.vertices, piece.vertices]), faces)
    return mesh


@pytest.fixture(scope="module")
def body() -> Mesh:
    return grown()


def rig(mesh: Mesh, *more) -> Rig:
    joints = [*FIGURE, *more]
    rest = np.tile(np.eye(4), (len(joints), 1, 1))
    rest[:, :3, 3] = [place for _, _, place in joints]
    names, parents = [name for name, _, _ in joints], [parent for _, parent, _ in joints]
    return Rig(mesh, Skeleton(names, parents, rest))


def left_out(mesh: Mesh, *more) -> set[str]:
    given = rig(mesh, *more)
    found = roles(given.skeleton, Sight(prepare(given.mesh)))
    return {name for each in found for name in each.names}


GRIP, EYE = (3, 4.5, 0.2), (7.2, 0, 0.8)


@pytest.mark.parametrize("name", ["weapon_R", "prop", "hand_socket", "shieldAttach"])
@pytest.mark.parametrize("place", [GRIP, (3, 4.5, 0.55), (3, 4.0, 0)])
def test_a_socket_has_no_flesh(body, name, place):
    assert left_out(body, (name, 4, place)) == {name}
    assert left_out(body, ("thumb", 4, place)) == set()


def test_a_socket_may_have_an_end_of_its_own(body):
    assert left_out(body, ("weapon", 4, GRIP), ("weapon_tip", 6, (4, 4.5, 0.2))) == {
        "weapon",
        "weapon_tip",
    }


def test_what_is_in_the_mesh_is_its_joints(body):
    assert left_out(beside(body, SWORD), ("weapon", 4, GRIP)) == set()
    assert left_out(beside(body, ((8, 0, 0), (9, 0, 0), 0.2)), ("weapon", 4, GRIP)) == {"weapon"}


def test_a_sword_that_is_one_with_the_hand_is_its_joints():
    assert left_out(grown(SWORD), ("weapon", 4, GRIP)) == set()


@pytest.mark.parametrize("name", ["eye_L", "head_L_eye", "Eyeball", "gun"])
def test_an_eye_inside_a_head_without_eyeballs_has_no_flesh(body, name):
    assert left_out(body, (name, 2, EYE)) == {name}


@pytest.mark.parametrize("name", ["eyelid_L", "eye_upper_L", "eyebrow", "jaw"])
def test_lids_and_brows_have_flesh(body, name):
    assert left_out(body, (name, 2, EYE)) == set()


def test_an_eyeball_is_its_joints(body):
    assert left_out(beside(body, (EYE, EYE, 0.3)), ("eye_L", 2, EYE)) == set()


def test_an_eye_that_bulges_from_the_head_is_its_joints():
    assert left_out(grown(BULGE), ("eye_L", 2, BULGE[0])) == set()
    assert left_out(grown(BULGE), ("eye_L", 2, EYE)) == {"eye_L"}


def test_sockets_change_no_weight(body):
    """Not the palm's, which was another joint's for the bone that led to the socket."""
    sockets = ("weapon", 4, GRIP), ("holster", 0, (0.5, 0.9, 0)), ("backpack", 1, (3, 0, 1.1))
    plain, more = (
        first_pass(rig(body, *extra)).weights.matrix.toarray() for extra in ((), sockets)
    )
    assert not more[:, 6:].any()
    np.testing.assert_array_equal(more[:, :6], plain)


def test_a_recipe_gives_a_socket_flesh(body):
    given = rig(body, ("weapon", 4, GRIP))
    held = first_pass(given, Recipe(use=("weapon",))).weights.matrix.toarray()[:, 6]
    assert held.max() > 0.3

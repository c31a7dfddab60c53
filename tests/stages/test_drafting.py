from dataclasses import replace

import numpy as np
import pytest
from twins import egg

from autoweight import Mesh, Part, Rig, Skeleton
from autoweight.recipes.recipe import (
    ChainRule,
    Limits,
    Mirror,
    MotionRule,
    Recipe,
    Rigid,
    parse_recipe,
)
from autoweight.stages.drafting import draft
from autoweight.stages.planning import plan

NAMES = ("root", "tail_1", "tail_2", "arm_1_l", "arm_2_l", "arm_1_r", "arm_2_r", "eye*", "horn")
PARENTS = [-1, 0, 1, 0, 3, 0, 5, 0, 0]
PLACES = [[0, 0, 0], [0, 1, 0], [0, 2, 0], [1, 0, 0], [2, 0, 0], [-1, 0, 0], [-2, 0, 0],
          [0, 0, 1], [0.5, 3, 0]]  # fmt: skip


@pytest.fixture
def rig():
    rest = np.tile(np.eye(4), (len(NAMES), 1, 1))
    rest[:, :3, 3] = PLACES
    vertices, faces = egg(2)
    count = len(vertices)
    mesh = Mesh(
        np.vstack([vertices, vertices[:10]]),
        faces,
        (
            Part("body", slice(0, count), slice(0, len(faces) - 3)),
            Part('an "eye"', slice(count, count + 10), slice(len(faces) - 3, len(faces))),
        ),
    )
    attributes = {"_LOCK": np.zeros(count + 10)}
    return Rig(mesh, Skeleton(NAMES, PARENTS, rest), attributes=attributes)


def test_as_it_stands_it_changes_nothing(rig):
    recipe = parse_recipe(draft(rig))
    bare = Recipe()
    assert recipe.method == bare.method and recipe.falloff == bare.falloff
    assert recipe.tidy == bare.tidy and recipe.mirror is None and not recipe.lock
    drafted, usual = plan(recipe, rig), plan(bare, rig)
    assert drafted.chains == usual.chains and drafted.falloffs == usual.falloffs
    assert drafted.methods == usual.methods


def test_it_has_the_chains_with_both_sides_together(rig):
    chains = parse_recipe(draft(rig)).chain
    assert ChainRule(("tail_*",)) in chains
    assert ChainRule(("arm_*_l", "arm_*_r")) in chains
    assert ChainRule(("eye[*]",)) in chains


def test_what_is_commented_out_is_valid_too(rig):
    text = draft(rig)
    for table in ("[[rigid]]", "[mirror]", "[[motion]]", "[limits]"):
        block = text[text.index(f"# {table}") :].split("\n\n")[0]
        text = text.replace(block, "\n".join(line[2:] for line in block.splitlines()))
    text = text.replace('to = "head"', 'to = "root"')
    recipe = parse_recipe(text)
    assert recipe.rigid == (Rigid(parts=('an "eye"',), to="root"),)
    assert recipe.mirror == Mirror() and recipe.limits == Limits()
    assert recipe.motion == (MotionRule(("*",), bend=60, side=30, twist=45),)
    plan(recipe, rig)


def test_it_tells_what_was_found(rig):
    text = draft(rig, "axolotl.glb")
    for said in (
        "Recipe for axolotl.glb",
        "arm_1_l and arm_1_r",
        "without a counterpart: horn",
        "marks by _LOCK",
        '"an \\"eye\\"": 10 vertices',
    ):
        assert said in text


def test_names_may_have_any_characters():
    """A glTF name is any JSON string (Khronos, glTF 2.0, section 3.3), ends of lines too."""
    names = ("spine\n1", "spine\r2", "arm\tl", "arm\tr", "\x7f\u2028[pole]")
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, :3, 3] = [[0, 0, 0], [0, 1, 0], [1, 1, 0], [-1, 1, 0], [0, 9, 0]]
    vertices, faces = egg(2)
    mesh = Mesh(vertices, faces, (Part("a\nb", slice(0, len(vertices)), slice(0, len(faces))),))
    rig = Rig(mesh, Skeleton(names, [-1, 0, 1, 1, 0], rest))
    recipe = parse_recipe(draft(rig, "new\nline.glb"))
    assert plan(recipe, rig).chains == plan(Recipe(), rig).chains


def test_a_chain_says_which_of_its_joints_have_no_weight(rig):
    names = ("sword_socket" if name == "tail_2" else name for name in NAMES)
    text = draft(replace(rig, skeleton=replace(rig.skeleton, names=tuple(names))))
    assert "\n# tail_1 → sword_socket (no weight)\n" in text
    assert "arm_2_l (no weight)" not in text

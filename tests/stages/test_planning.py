from pathlib import Path

import numpy as np
import pytest

from autoweight import Mesh, Part, Rig, Skeleton
from autoweight.demo import bound
from autoweight.errors import RecipeError
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import load_recipe, parse_recipe
from autoweight.stages.planning import plan

NAMES = ("root", "spine_1", "spine_2", "neck", "head", "tail_1", "tail_2", "tail_3", "fin_1")
PARENTS = [-1, 0, 1, 2, 3, 0, 5, 6, 2]


def rig():
    rest = np.tile(np.eye(4), (len(NAMES), 1, 1))
    rest[:, 0, 3] = np.arange(len(NAMES))
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 5], [1, 0, 5], [0, 1, 5.0]])
    parts = (
        Part("body", slice(0, 3), slice(0, 1)),
        Part("eye", slice(3, 6), slice(1, 2)),
    )
    return Rig(Mesh(vertices, [[0, 1, 2], [3, 4, 5]], parts), Skeleton(NAMES, PARENTS, rest))


def chain_names(planned):
    return [tuple(NAMES[joint] for joint in chain.joints) for chain in planned.chains]


def test_without_rules_the_chains_are_those_of_the_skeleton():
    planned = plan(parse_recipe(""), rig())
    assert ("tail_1", "tail_2", "tail_3") in chain_names(planned)
    assert set(planned.methods) == {"auto"} and planned.active.all()
    assert planned.locks is None and planned.plane is None


def test_a_rule_makes_chains_of_what_it_claims():
    text = """
    [falloff]
    reach = 3
    [[chain]]
    joints = ["neck", "head", "spine_2"]
    method = "nearest"
    falloff.reach = 2
    [[chain]]
    joints = ["tail_3"]
    """
    planned = plan(parse_recipe(text), rig())
    reach = dict(zip(chain_names(planned), (f.reach for f in planned.falloffs), strict=True))
    assert reach[("spine_2", "neck", "head")] == 2
    assert reach[("tail_1", "tail_2")] == 3 and reach[("tail_3",)] == 3
    assert sorted(joint for chain in planned.chains for joint in chain.joints) == list(range(9))
    assert planned.methods[2:5] == ("nearest",) * 3 and planned.methods[5] == "auto"
    assert isinstance(planned.falloffs[0], Falloff)


def test_rigid_parts_and_joints():
    text = '[[rigid]]\nparts = ["ey*"]\nto = "head"\n[[rigid]]\njoints = ["fin_1"]'
    planned = plan(parse_recipe(text), rig())
    assert planned.rigid[0].vertices.tolist() == [False] * 3 + [True] * 3
    assert planned.rigid[0].to == 4 and planned.rigid[1].to is None
    assert planned.rigid[1].joints.tolist() == [False] * 8 + [True]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('\nskip = ["*"]', "line 2: .*no joint to weight"),
        ('\nmethod = "het"', "line 2: .*'heat'"),
        ('[[chain]]\njoints = ["head"]\nmethod = "het"', "line 3: .*'heat'"),
        (
            '[[chain]]\njoints = ["tail_*"]\n[[chain]]\njoints = ["head", "tail_2"]',
            "line 4: joint 'tail_2' is in chain rule 1",
        ),
        (
            '[[chain]]\njoints = ["tail_*"]\nfalloff.rows = [{ at = 0, weights = [1] }]',
            "line 3: 1 weights for the 3 joints of chain 'tail'",
        ),
        ('[[rigid]]\nparts = ["nose"]', "line 2: no part matches 'nose'; there are body, eye"),
        ('[[rigid]]\nparts = ["eye"]\nto = "haed"', "line 3: .*'head'"),
        ('[mirror]\npairs = [["fin_1", "fin_2"]]', "line 2: .*'fin_2'"),
    ],
)
def test_what_the_rig_does_not_have_is_said_with_its_line(text, message):
    with pytest.raises(RecipeError, match=message):
        plan(parse_recipe(text), rig())


def test_the_example_recipe_fits_the_demo():
    path = Path(__file__).parents[2] / "examples" / "axolotl.toml"
    planned = plan(load_recipe(path), bound(0.7))
    reach = {chain.name: each.reach for chain, each in zip(
        planned.chains, planned.falloffs, strict=True)}  # fmt: skip
    assert reach["tail"] == 1.2
    assert planned.locks.whole.any() and planned.locks.partial.any()
    assert not planned.active[0] and planned.rigid[0].vertices.any()

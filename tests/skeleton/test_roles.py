"""Which joints have no flesh: where they are, what hangs from them, and what they are called.

The words are common practice, without a source; the rigs are invented.
"""

from dataclasses import replace

import numpy as np
import pytest
from bodies import straight, tube

from autoweight.errors import RecipeError
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.skeleton.roles import fleshless
from autoweight.stages.planning import plan, roles
from autoweight.stages.solving import first_pass
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight

BODY, _ = tube(straight, 4.0, 0.4, 41, 24)  # along x from 0 to 4


def named(*joints: tuple[str, int, tuple[float, float, float]], **more) -> Rig:
    """A rig of the tube and some joints: name, parent, place."""
    rest = np.tile(np.eye(4), (len(joints), 1, 1))
    rest[:, :3, 3] = [place for _, _, place in joints]
    names, parents = [name for name, _, _ in joints], [parent for _, parent, _ in joints]
    return Rig(BODY, Skeleton(names, parents, rest, **more))


def found(rig: Rig) -> dict[str, str]:
    groups = roles(rig.skeleton, Sight(prepare(rig.mesh)))
    return {name: each.reason.split(",")[0] for each in groups for name in each.names}


SPINE = [("hip", 0, (0.5, 0, 0)), ("back", 1, (1.5, 0, 0)), ("neck", 2, (2.5, 0, 0))]


def test_a_root_on_the_floor_has_no_flesh():
    assert found(named(("root", -1, (0.5, -1.0, 0)), *SPINE)) == {"root": "outside the body"}


def test_a_root_inside_the_body_keeps_its_flesh_whatever_it_is_called():
    assert found(named(("root", -1, (0.2, 0, 0)), *SPINE)) == {}


def test_a_root_of_nothing_but_last_joints_holds_what_they_hang_on():
    wheels = [(f"wheel {each}", 0, (each, 0, 0)) for each in (1, 2, 3)]
    assert found(named(("root", -1, (0.5, -1.0, 0)), *wheels)) == {}


def test_a_joint_in_the_air_is_a_target_and_the_end_of_a_chain_is_not():
    rig = named(
        ("hip", -1, (0.5, 0, 0)),
        ("back", 0, (1.5, 0, 0)),
        ("neck", 1, (2.5, 0, 0)),
        ("knee aim", 0, (1.5, 2.0, 0)),
        ("whisker", 2, (4.5, 0, 0)),
    )
    assert found(rig) == {"knee aim": "outside the body"}


def test_being_outside_says_nothing_where_most_joints_are():
    rig = named(*[(f"bone {each}", each - 1, (each, 1.0, 0)) for each in range(4)])
    assert found(rig) == {}


def test_doubles_are_told_by_what_they_are_called():
    chain = [("arm", -1, (0.5, 0, 0)), ("fore", 0, (1.5, 0, 0)), ("hand", 1, (2.5, 0, 0))]
    twins = [("arm_ik", 0, (0.5, 0, 0)), ("fore_ik", 3, (1.5, 0, 0))]
    assert set(found(named(*chain, *twins))) == {"arm_ik", "fore_ik"}
    plain = [("arm_b", 0, (0.5, 0, 0)), ("fore_b", 3, (1.5, 0, 0))]
    assert found(named(*chain, *plain)) == {}


def test_an_end_is_last_in_line_and_called_so_or_at_the_tip():
    spine = [("hip", -1, (0.5, 0, 0)), ("back", 0, (1.5, 0, 0))]
    assert set(found(named(*spine, ("back_end", 1, (2.5, 0, 0))))) == {"back_end"}
    assert found(named(*spine, ("neck", 1, (2.5, 0, 0)))) == {}
    tipped = named(*spine, ("neck", 1, (2.5, 0, 0)), tips={1: (2.5, 0, 0)})
    assert set(found(tipped)) == {"neck"}


def test_something_is_always_left():
    outside, box = np.array([-1.0, 0.5]), np.array([[0, 0, 0], [1, 1, 1.0]])
    skeleton = named(("root_end", -1, (0.5, 0, 0)), ("b_end", 0, (0.5, -1, 0))).skeleton
    assert len(fleshless(skeleton, outside, box, lambda joints, _: joints > 0)) == 1


def test_a_recipe_overrules_what_was_found():
    rig = named(("root", -1, (0.5, -1.0, 0)), *SPINE)
    idle = roles(rig.skeleton, Sight(prepare(BODY)))
    assert plan(Recipe(), rig, idle).active.tolist() == [False, True, True, True]
    assert plan(Recipe(use=("root",)), rig, idle).active.all()
    assert plan(Recipe(skip=("neck",)), rig, idle).active.tolist() == [False, True, True, False]
    with pytest.raises(RecipeError, match=r"joint 'root' is both to be skipped and to be used"):
        plan(Recipe(use=("r*",), skip=("root",)), rig, idle)


def test_what_an_artist_weighted_is_not_left_out_without_a_word():
    rig = named(("root", -1, (0.5, -1.0, 0)), *SPINE)
    weights = np.zeros((len(BODY.vertices), 4))
    weights[:, 1] = 1
    weights[:5] = [1, 0, 0, 0]
    solution = first_pass(replace(rig, weights=Weights(weights)))
    assert solution.weights.matrix[:, [0]].nnz == 0
    (line,) = [each for each in solution.decisions if each.startswith("root: no weight")]
    assert line.endswith("in the file root had weight at 5 vertices; --use keeps it")


def test_left_and_right_are_found_alike():
    rig = named(
        ("hip", -1, (2.0, 0, 0)),
        ("back", 0, (1.0, 0, 0)),
        ("front", 0, (3.0, 0, 0)),
        ("aim_L", 0, (0.5, 0.6, 0.3)),
        ("aim_R", 0, (0.5, 0.6, -0.3)),
    )
    assert set(found(rig)) == {"aim_L", "aim_R"}
    mirrored = Rig(Mesh(BODY.vertices * [1, 1, -1], BODY.faces[:, ::-1]), rig.skeleton)
    assert found(mirrored) == found(rig)

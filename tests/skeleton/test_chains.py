"""Which joints bend as one."""

import numpy as np
import pytest

from autoweight.rig import Skeleton
from autoweight.skeleton.chains import chains


def skeleton(*joints):
    """From pairs of a name and its parent's."""
    names = [name for name, _ in joints]
    parents = [names.index(parent) if parent else -1 for _, parent in joints]
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, 0, 3] = np.arange(len(names))
    return Skeleton(tuple(names), parents, rest)


def found(*joints):
    given = skeleton(*joints)
    return {chain.name: [given.names[joint] for joint in chain.joints] for chain in chains(given)}


def test_a_line_of_joints_is_one_chain_named_after_what_they_share():
    assert found(("tail_1", ""), ("tail_2", "tail_1"), ("tail_3", "tail_2")) == {
        "tail": ["tail_1", "tail_2", "tail_3"]
    }


def test_a_line_of_unlike_names_is_named_after_the_first():
    assert found(("hip", ""), ("knee", "hip"), ("ankle", "knee")) == {
        "hip": ["hip", "knee", "ankle"]
    }


def test_a_chain_ends_where_it_branches_into_others():
    assert found(
        ("hand", ""), ("thumb_1", "hand"), ("index_1", "hand"), ("index_2", "index_1")
    ) == {
        "hand": ["hand"],
        "thumb": ["thumb_1"],
        "index": ["index_1", "index_2"],
    }


def test_a_chain_goes_on_past_a_branch_under_its_own_name():
    assert found(
        ("spine_1", ""), ("spine_2", "spine_1"), ("arm", "spine_2"), ("spine_3", "spine_2")
    ) == {"spine": ["spine_1", "spine_2", "spine_3"], "arm": ["arm"]}


@pytest.mark.parametrize("seed", range(5))
def test_every_joint_is_in_one_chain_and_each_is_the_parent_of_the_next(seed):
    random = np.random.default_rng(seed)
    parents = [-1] + [int(random.integers(-1, joint)) for joint in range(1, 40)]
    given = Skeleton(
        tuple(f"{random.choice(['a', 'b'])}_{joint}" for joint in range(40)),
        parents,
        np.tile(np.eye(4), (40, 1, 1)),
    )
    runs = [chain.joints for chain in chains(given)]
    assert sorted(joint for run in runs for joint in run) == list(range(40))
    assert [run[0] for run in runs] == sorted(run[0] for run in runs)
    for run in runs:
        assert [given.parents[joint] for joint in run[1:]] == list(run[:-1])

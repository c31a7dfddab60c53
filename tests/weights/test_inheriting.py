"""Skeletons that changed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.errors import SkeletonError
from autoweight.rig import Skeleton
from autoweight.weights.inheriting import follow, inherit

STRAIGHT = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [3, 0, 0]], dtype=float)


def chain(at: np.ndarray, names: str = "abcd") -> Skeleton:
    rest = np.tile(np.eye(4), (len(at), 1, 1))
    rest[:, :3, 3] = at
    return Skeleton(list(names), np.arange(len(at)) - 1, rest)


ALL = sparse.csr_array(np.eye(4))


def test_names_come_before_places():
    """Names that changed hands win over joints that are in the same place."""
    heirs = inherit(chain(STRAIGHT), chain(STRAIGHT, "bacd"), ALL, near=0.1)
    assert heirs.table.toarray().argmax(axis=1).tolist() == [1, 0, 2, 3]
    assert heirs.notes == () and not heirs.added.any()


def test_new_names_in_old_places_are_matched_to_the_nearest():
    heirs = inherit(chain(STRAIGHT), chain(STRAIGHT + [0.04, 0, 0], "axyz"), ALL, near=0.1)
    assert heirs.table.toarray().argmax(axis=1).tolist() == [0, 1, 2, 3]
    assert heirs.notes[0] == "joint 'b' is 'x' now: it is in the same place"


def test_weight_goes_up_the_hierarchy_and_a_root_goes_to_the_nearest():
    after = Skeleton(["b"], [-1], chain(STRAIGHT).rest[[1]])
    heirs = inherit(chain(STRAIGHT), after, ALL, near=0.1)
    np.testing.assert_array_equal(heirs.table.toarray(), np.ones((4, 1)))
    assert [note[:17] for note in heirs.notes] == [f"joint {name!r} is gone" for name in "acd"]


def test_added_joints_inherit_nothing():
    heirs = inherit(chain(STRAIGHT[:2], "ac"), chain(STRAIGHT, "abcd"), ALL[:, :2], near=0.1)
    assert heirs.added.tolist() == [False, True, False, True]


def test_strangers_are_said():
    with pytest.raises(SkeletonError, match="none of the 4 finished joints"):
        inherit(chain(STRAIGHT), chain(STRAIGHT + 5, "wxyz"), ALL, near=0.1)


def test_a_bent_and_stretched_chain_takes_its_vertices_along():
    """A vertex of one joint alone goes as that joint's bone did: turned, scaled, moved."""
    bent = np.array([[0, 0, 0], [0, 2, 0], [0, 2, 2], [0, 2, 4]], dtype=float)
    before, after = chain(STRAIGHT), chain(bent)
    heirs = inherit(before, after, ALL, near=0.01)
    moved = follow(STRAIGHT + [0.5, 0, 0], ALL, before, after, heirs, slack=1e-6)
    middles = np.array([[0, 1, 0], [0, 2, 1], [0, 2, 3], [0, 2, 5]])
    np.testing.assert_allclose(moved, middles, atol=1e-4)


def test_what_did_not_move_stays_to_the_bit():
    tail = STRAIGHT + [[0, 0, 0], [0, 0, 0], [0, 0, 0], [0, 1, 0]]
    before, after = chain(STRAIGHT), chain(tail)
    heirs = inherit(before, after, ALL, near=0.01)
    points = np.random.default_rng(1).random((4, 3))
    moved = follow(points, ALL, before, after, heirs, slack=1e-6)
    np.testing.assert_array_equal(moved[:2], points[:2])
    assert (moved[2:] != points[2:]).any(axis=1).all()


def test_turned_axes_alone_move_nothing():
    before = chain(STRAIGHT)
    rest = before.rest.copy()
    rest[:, :3, :3] = Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix()
    after = Skeleton(before.names, before.parents, rest)
    heirs = inherit(before, after, ALL, near=0.01)
    points = np.random.default_rng(2).random((4, 3))
    np.testing.assert_array_equal(follow(points, ALL, before, after, heirs, slack=1e-6), points)

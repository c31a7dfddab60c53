import numpy as np
import pytest

from autoweight import Mesh, Skeleton, Weights
from autoweight.errors import GeometryError, SkeletonError, WeightsError

TRIANGLE = np.eye(3)


def test_mesh_rejects_an_index_out_of_range():
    with pytest.raises(GeometryError, match="face 0"):
        Mesh(TRIANGLE, [[0, 1, 3]])


def test_mesh_rejects_a_position_that_is_not_finite():
    with pytest.raises(GeometryError, match="vertex 1"):
        Mesh([[0, 0, 0], [np.nan, 0, 0], [0, 1, 0]], [[0, 1, 2]])


def test_mesh_leaves_the_callers_array_writable():
    vertices = TRIANGLE.copy()
    mesh = Mesh(vertices, [[0, 1, 2]])
    assert vertices.flags.writeable and not mesh.vertices.flags.writeable


def test_skeleton_rejects_a_cycle():
    with pytest.raises(SkeletonError, match="'a'"):
        Skeleton(("a", "b"), [1, 0], np.tile(np.eye(4), (2, 1, 1)))


def test_skeleton_rejects_two_joints_of_one_name():
    with pytest.raises(SkeletonError, match="'a'"):
        Skeleton(("a", "a"), [-1, 0], np.tile(np.eye(4), (2, 1, 1)))


def test_weights_must_sum_to_one():
    with pytest.raises(WeightsError, match="vertex 1"):
        Weights([[1.0, 0.0], [0.5, 0.4]])


def test_weights_store_no_zeros():
    assert Weights([[1.0, 0.0]]).matrix.nnz == 1

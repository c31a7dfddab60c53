from dataclasses import replace

import igl
import numpy as np
import pytest

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.errors import SkeletonError, WeightsError
from autoweight.weights.comparing import compare_rigs, weights_for


def ball() -> Rig:
    """An icosahedron, subdivided twice, whose weights are linear in x."""
    vertices, faces = igl.upsample(*igl.icosahedron(), 2)
    rest = np.tile(np.eye(4), (2, 1, 1))
    rest[1, 0, 3] = 1
    return weighted(Mesh(vertices, faces), Skeleton(("a", "b"), [-1, 0], rest))


def weighted(mesh: Mesh, skeleton: Skeleton) -> Rig:
    share = mesh.vertices[:, 0] / 4 + 0.5
    return Rig(mesh, skeleton, Weights(np.stack([1 - share, share], axis=1)))


def test_a_rig_is_not_apart_from_itself():
    found = compare_rigs(ball(), ball())
    assert found.difference.weights == found.deformation_max == 0
    assert found.precision == found.recall == 1


def test_weights_that_share_nothing_are_2_apart():
    rig = ball()
    rows = len(rig.mesh.vertices)
    one = replace(rig, weights=Weights(np.repeat([[1.0, 0]], rows, axis=0)))
    other = replace(rig, weights=Weights(np.repeat([[0, 1.0]], rows, axis=0)))
    found = compare_rigs(one, other)
    assert found.difference.weights == pytest.approx(2)
    assert found.precision == found.recall == 0
    assert found.joints == pytest.approx([1, 1])


def test_precision_and_recall_tell_too_many_from_too_few():
    # Definitions of Xu et al., TOG 39(4), 2020, section 6.
    rig = ball()
    rows = len(rig.mesh.vertices)
    few = replace(rig, weights=Weights(np.repeat([[1.0, 0]], rows, axis=0)))
    many = compare_rigs(few, rig)
    assert (many.precision, many.recall) == pytest.approx((0.5, 1))
    missing = compare_rigs(rig, few)
    assert (missing.precision, missing.recall) == pytest.approx((1, 0.5))


def test_another_topology_is_read_at_the_closest_point():
    rig = ball()
    finer = Mesh(*igl.upsample(rig.mesh.vertices, rig.mesh.faces.astype(np.int64), 1))
    # Linear weights on the same flat faces: only rounding is left.
    assert compare_rigs(rig, weighted(finer, rig.skeleton)).difference.weights < 1e-6


def test_joints_are_matched_by_name():
    rig = ball()
    turned = Rig(
        rig.mesh,
        Skeleton(("b", "a"), [-1, 0], rig.skeleton.rest[::-1]),
        Weights(rig.weights.dense()[:, ::-1]),
    )
    assert compare_rigs(rig, turned).difference.weights == 0
    assert (weights_for(rig, turned).dense() == rig.weights.dense()).all()


def test_a_joint_of_one_alone_is_named():
    rig = ball()
    other = replace(rig, skeleton=replace(rig.skeleton, names=("a", "c")))
    with pytest.raises(SkeletonError, match="'c'"):
        compare_rigs(rig, other)


def test_a_weighting_of_another_mesh_is_refused():
    rig = ball()
    finer = Mesh(*igl.upsample(rig.mesh.vertices, rig.mesh.faces.astype(np.int64), 1))
    with pytest.raises(WeightsError, match="vertices"):
        weights_for(rig, weighted(finer, rig.skeleton))

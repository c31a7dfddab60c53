"""Skinning against closed forms and an independent implementation."""

import numpy as np
import pytest
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.pose.clip import turned, world
from autoweight.pose.motion import random_poses
from autoweight.pose.skinning import carried, dual_quaternion, linear_blend
from autoweight.rig import Skeleton

RNG = np.random.default_rng(5)


def line(count, step=(1.0, 0.0, 0.0)):
    rest = np.tile(np.eye(4), (count, 1, 1))
    rest[:, :3, 3] = np.arange(count)[:, None] * np.array(step)
    return Skeleton(tuple(f"j{each}" for each in range(count)), np.arange(count) - 1, rest)


def posed(skeleton, joint, vector):
    turns = np.zeros((1, len(skeleton), 3))
    turns[0, joint] = vector
    return carried(skeleton, world(skeleton, turned(skeleton, turns)))[0]


@pytest.mark.parametrize("degrees", [30, 90, 150, 180])
@pytest.mark.parametrize("weight", [0.1, 0.5, 0.8])
def test_linear_blend_shrinks_as_the_closed_form(degrees, weight):
    """Law of cosines on (1−w)v + w·Rv; the loss of Lewis et al., SIGGRAPH 2000, in figures."""
    skeleton, angle = line(2), np.radians(degrees)
    point = np.array([[1.0, 0.3, 0.4]])
    moved = linear_blend(
        point,
        sparse.csr_array([[1 - weight, weight]]),
        posed(skeleton, 1, [angle, 0, 0]),
    )
    expected = 0.5 * np.sqrt(1 - 2 * weight * (1 - weight) * (1 - np.cos(angle)))
    assert np.linalg.norm(moved[0, 1:]) == pytest.approx(expected, abs=1e-12)


def test_dual_quaternion_twists_by_the_closed_form_and_keeps_girth():
    """Blending q0=1 and q1=(sin θ/2 x, cos θ/2), Kavan et al. 2008: 2 atan2(w s, 1−w+w c)."""
    moved = dual_quaternion(
        np.array([[1.0, 0.5, 0.0]]),
        sparse.csr_array([[0.75, 0.25]]),
        posed(line(2), 1, [np.pi / 2, 0, 0]),
    )
    assert np.degrees(np.arctan2(moved[0, 2], moved[0, 1])) == pytest.approx(21.598, abs=5e-4)
    assert np.linalg.norm(moved[0, 1:]) == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize("degrees", [200, 300])
def test_dual_quaternion_goes_the_short_way_round(degrees):
    skeleton = line(2)
    weights = sparse.csr_array([[0.4, 0.6]])
    point = np.array([[1.0, 0.5, 0.0]])
    long = dual_quaternion(point, weights, posed(skeleton, 1, [np.radians(degrees), 0, 0]))
    short = dual_quaternion(point, weights, posed(skeleton, 1, [np.radians(degrees - 360), 0, 0]))
    assert np.allclose(long, short, atol=1e-12)


@pytest.mark.parametrize(
    ("profile", "share"),
    [
        (lambda t: t, 1 / 3),
        (lambda t: 3 * t**2 - 2 * t**3, 9 / 35),
        (lambda t: 6 * t**5 - 15 * t**4 + 10 * t**3, 50 / 231),
    ],
)
def test_twisted_zone_loses_the_closed_form_of_its_volume(profile, share):
    """1 − K(1−cos θ) with K = ∫ 2w(1−w) dt, since area goes with the radius squared."""
    t, step = np.polynomial.legendre.leggauss(20)
    t, step = (t + 1) / 2, step / 2
    weight = profile(t)
    points = np.column_stack([t, np.ones_like(t), np.zeros_like(t)])
    theta = np.radians(120)
    moved = linear_blend(
        points,
        sparse.csr_array(np.column_stack([1 - weight, weight])),
        posed(line(2), 1, [theta, 0, 0]),
    )
    volume = ((moved[:, 1:] ** 2).sum(axis=1) * step).sum()
    assert volume == pytest.approx(1 - share * (1 - np.cos(theta)), abs=1e-12)


@pytest.mark.parametrize("size", [0.0, -1.0])
def test_dual_quaternion_carries_what_a_joint_flattens_or_mirrors(size):
    """A joint is scaled to nothing to hide what hangs on it, and mirrored with one side's axes."""
    points = np.random.default_rng(3).normal(size=(9, 3))
    transforms = np.tile(np.eye(4), (1, 2, 1, 1))
    transforms[0, 1, :3, :3] = Rotation.from_rotvec([0.3, 0.4, 0]).as_matrix() * [size, 1, 1]
    whole = sparse.csr_array(np.tile([0.0, 1.0], (len(points), 1)))
    moved = dual_quaternion(points, whole, transforms)
    np.testing.assert_allclose(moved, linear_blend(points, whole, transforms), atol=1e-12)


@pytest.mark.parametrize("skin", [linear_blend, dual_quaternion])
def test_one_joint_alone_carries_rigidly(skin):
    skeleton = line(4)
    transforms = random_poses(skeleton, 40, degrees=170)
    points = RNG.normal(size=(30, 3))
    joint = RNG.integers(4, size=30)
    weights = sparse.csr_array((np.ones(30), (np.arange(30), joint)), shape=(30, 4))
    moved = skin(points, weights, transforms)
    at = np.column_stack([points, np.ones(30)])
    expected = np.einsum("fnrk,nk->fnr", transforms[:, joint, :3], at)
    assert np.allclose(moved, expected, atol=1e-12)


def test_dual_quaternion_carries_stretch_of_one_joint_exactly():
    transforms = np.tile(np.eye(4), (2, 1, 1))
    transforms[1, :3, :3] = Rotation.from_rotvec([0.3, 0.8, -0.2]).as_matrix() @ np.diag([2, 1, 3])
    transforms[1, :3, 3] = [1, 2, 3]
    points = RNG.normal(size=(5, 3))
    weights = sparse.csr_array(np.tile([0.0, 1.0], (5, 1)))
    expected = points @ transforms[1, :3, :3].T + transforms[1, :3, 3]
    assert np.allclose(dual_quaternion(points, weights, transforms), expected, atol=1e-12)


def test_more_frames_than_fit_at_once_are_as_frame_by_frame():
    skeleton = line(5)
    transforms = random_poses(skeleton, 70)
    points = RNG.normal(size=(20, 3))
    weights = sparse.csr_array(RNG.dirichlet(np.ones(5), size=20))
    for skin in (linear_blend, dual_quaternion):
        together = skin(points, weights, transforms)
        alone = np.stack([skin(points, weights, each) for each in transforms])
        assert np.allclose(together, alone, atol=1e-12)
        assert np.allclose(
            skin(points, weights, transforms.astype(np.float32)), together, atol=1e-5
        )


def test_linear_blend_agrees_with_usdskel():
    """OpenUSD's UsdSkel.SkinPointsLBS, an implementation of its own (extra usd)."""
    UsdSkel = pytest.importorskip("pxr.UsdSkel", reason="needs the extra usd")
    from pxr import Gf, Vt

    skeleton = line(6)
    transforms = random_poses(skeleton, 1, degrees=80)[0]
    points = RNG.normal(size=(50, 3)).astype(np.float32)
    weights = RNG.dirichlet(np.ones(6), size=50)
    theirs = Vt.Vec3fArray.FromNumpy(points.copy())
    # UsdSkel multiplies row vectors.
    assert UsdSkel.SkinPointsLBS(
        Gf.Matrix4d(1),
        Vt.Matrix4dArray([Gf.Matrix4d(each.T.tolist()) for each in transforms]),
        Vt.IntArray(list(range(6)) * 50),
        Vt.FloatArray(weights.ravel().tolist()),
        6,
        theirs,
    )
    ours = linear_blend(points.astype(np.float64), sparse.csr_array(weights), transforms)
    assert np.allclose(ours, np.array(theirs), atol=1e-5)

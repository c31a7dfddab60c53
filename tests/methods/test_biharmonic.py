"""Bounded biharmonic weights (Jacobson, Baran, Popović & Sorkine, TOG 30(4), 2011)."""

from dataclasses import replace

import igl
import numpy as np
import pytest
from bodies import capsules, problem, skeleton
from scipy import sparse
from scipy.interpolate import CubicSpline

from autoweight import Mesh
from autoweight.methods.biharmonic import bounded, energy, solve
from autoweight.skeleton.bones import Bones
from autoweight.surface.tetrahedra import tetrahedra


@pytest.fixture(scope="module", autouse=True)
def coarse():
    """A body cut coarsely enough to be solved in a second or two."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("autoweight.surface.tetrahedra.CELLS", 600)
        yield


@pytest.fixture(scope="module")
def fork(coarse):
    """A palm with two fingers along x that are nearer to each other than they are thick."""
    heads = [[0, 0, 0], [0, 0.35, 0], [0, -0.35, 0]]
    tails = [[-2, 0, 0], [2, 0.35, 0], [2, -0.35, 0]]
    mesh = capsules(heads, tails, [0.5, 0.25, 0.25], 0.14)
    points = [
        [-2, 0, 0],
        [0, 0, 0],
        [0.4, 0.35, 0],
        [1.2, 0.35, 0],
        [0.4, -0.35, 0],
        [1.2, -0.35, 0],
    ]
    posed = problem(mesh, skeleton(points, [-1, 0, 1, 2, 1, 4]))
    return posed, solve(posed)


def test_partition_of_unity_and_bounds(fork):
    _, weights = fork
    assert weights.sum(axis=1) == pytest.approx(np.ones(weights.shape[0]), abs=1e-12)
    assert weights.data.min() >= 0 and weights.data.max() <= 1


def test_a_finger_gets_nothing_of_its_neighbour(fork):
    posed, weights = fork
    x, y, _ = posed.surface.vertices.T
    upper, lower = (x > 1) & (y > 0), (x > 1) & (y < 0)
    assert upper.sum() > 30 and lower.sum() > 30
    assert weights[upper][:, [4, 5]].max() < 0.01
    assert weights[lower][:, [2, 3]].max() < 0.01
    assert weights[upper][:, [2, 3]].sum(axis=1).min() > 0.95


def test_a_root_on_the_floor_takes_nothing_from_a_foot(fork):
    posed, weights = fork
    points = np.vstack([[1.9, 0.35, -0.6], posed.skeleton.positions])
    rooted = problem(
        Mesh(posed.surface.vertices, posed.surface.faces), skeleton(points, [-1, 0, 1, 2, 3, 2, 5])
    )
    bones = rooted.bones
    kept = (bones.joint != 0) | (bones.head == bones.tail).all(axis=1)
    alone = replace(
        rooted,
        bones=Bones(
            np.append(bones.joint[kept], np.int32(0)),
            np.vstack([bones.head[kept], points[0]]),
            np.vstack([bones.tail[kept], points[0]]),
        ),
    )
    found = solve(alone)
    assert found[:, [0]].nnz == 0
    assert abs(found[:, 1:] - weights).mean() < 1e-3


def test_no_local_extremum_but_at_the_handles(fork):
    """Over 95 % of the surface: the paper's observation, not a theorem."""
    posed, weights = fork
    full = weights.toarray()
    surface = posed.surface
    higher = np.zeros_like(full, dtype=bool)
    for ends in (surface.edges, surface.edges[:, ::-1]):
        np.logical_or.at(higher, ends[:, 0], full[ends[:, 1]] > full[ends[:, 0]])
    peak = ~higher & (full > 0.01) & (full < 0.5)
    assert peak.any(axis=1).mean() < 0.05


def test_an_energy_without_bounds_in_reach_gives_the_natural_spline():
    """∫ w″² is least for the natural cubic spline (Holladay, 1957; de Boor, 1978)."""
    count, step = 201, 0.01
    second = sparse.diags_array(
        [np.ones(count - 1), np.full(count, -2.0), np.ones(count - 1)], offsets=[-1, 0, 1]
    ).tocsr()[1:-1]
    matrix = sparse.csr_array(second.T @ second) / step**3
    held = np.array([0, 60, 130, 200])
    values = np.array([[0.2], [0.7], [0.6], [0.3]])
    found = bounded(matrix, held, values).toarray()[:, 0]
    x = step * np.arange(count)
    wanted = CubicSpline(x[held], values[:, 0], bc_type="natural")(x)
    assert np.abs(found - wanted).max() < 1e-3


def test_within_bounds_it_is_what_libigl_finds(fork):
    """`igl.bbw`, the authors' own library, on the same tetrahedra."""
    posed, _ = fork
    spine = np.column_stack([np.linspace(-1.5, -0.5, 9), np.zeros((9, 2))])
    body = tetrahedra(
        posed.surface, np.vstack([spine, spine + [2, 0.35, 0], spine + [2, -0.35, 0]])
    )
    at = [np.flatnonzero(np.linalg.norm(body.points - place, axis=1) < 1e-3) for place in spine]
    held = np.concatenate(
        at
        + [
            np.array([int(np.argmax(body.points[:, 0] + side * body.points[:, 1]))])
            for side in (1, -1)
        ]
    )
    values = np.zeros((len(held), 3))
    values[:-2, 0], values[-2, 1], values[-1, 2] = 1, 1, 1
    ours = bounded(energy(body), held, values).toarray()
    theirs = igl.bbw(body.points, body.corners, held.astype(np.int64), values, max_iter=15)
    assert np.abs(ours - theirs).mean() < 1e-3
    assert np.abs(ours - theirs).max() < 0.02

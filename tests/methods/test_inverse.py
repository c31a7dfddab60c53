import numpy as np
from bodies import problem, skeleton, straight, tube

from autoweight.methods.inverse import solve


def test_shares_fall_with_the_fourth_power_of_distance():
    # Shepard, ACM National Conference, 1968: w_i proportional to d_i^-u, here u = 4.
    mesh, _ = tube(straight, 1.0, 0.1, 11, 8)
    joints = skeleton([[0, 2, 0], [0, -1, 0]], parents=[-1, -1])
    weights = solve(problem(mesh, joints)).toarray()
    away = np.linalg.norm(mesh.vertices[:, None] - joints.positions, axis=2) ** -4.0
    np.testing.assert_allclose(weights, away / away.sum(axis=1, keepdims=True), rtol=1e-9)


def test_tiny_shares_are_left_out_and_rows_still_sum_to_one():
    mesh, _ = tube(straight, 1.0, 0.1, 11, 8)
    weights = solve(problem(mesh, skeleton([[0, 0, 0], [0, 99, 0]], parents=[-1, -1])))
    assert weights[:, [1]].nnz == 0
    np.testing.assert_allclose(weights.sum(axis=1), 1)

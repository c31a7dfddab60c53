import numpy as np
from bodies import capsules, problem, skeleton, straight, tube

from autoweight.methods.stretches import reach, stretches


def owned(mesh, joints):
    task = problem(mesh, joints)
    return stretches(joints, task.active, task.surface)


def owner_at(found, point) -> int:
    return int(found.bones.joint[reach(np.array([point], dtype=float), found).argmin()])


def test_a_bone_belongs_to_the_joint_it_begins_at():
    mesh, _ = tube(straight, 3.0, 0.2, 41, 16)
    found = owned(mesh, skeleton([[0, 0, 0], [1, 0, 0], [2, 0, 0]]))
    assert [owner_at(found, [x, 0.1, 0]) for x in (0.5, 0.98, 1.02, 1.5, 2.4)] == [0, 0, 1, 1, 2]


def test_the_wedge_outside_a_bend_is_divided_down_its_middle():
    mesh, _ = tube(straight, 3.0, 0.2, 41, 16)
    found = owned(mesh, skeleton([[0, 0, 0], [1, 0, 0], [1, 1, 0], [1, 1.2, 0]]))
    assert owner_at(found, [1.1, -0.2, 0]) == 0
    assert owner_at(found, [1.2, -0.1, 0]) == 1


def test_the_last_vertebra_is_as_long_as_the_others():
    # A neck of close joints, then a leap to the joint in the middle of a head.
    mesh = capsules([[0, 0, 0], [1.2, 0, 0]], [[1, 0, 0], [1.2, 0, 0]], [0.2, 0.4], 0.05)
    neck = [[0.1 * number, 0, 0] for number in range(9)]
    head, jaw = [1.2, 0, 0], [1.3, -0.2, 0]
    found = owned(mesh, skeleton([*neck, head, jaw]))
    assert owner_at(found, [0.83, 0.3, 0]) == 8
    assert owner_at(found, [0.95, 0.3, 0]) == 9


def test_a_long_bone_after_long_bones_is_no_leap():
    mesh, _ = tube(straight, 3.0, 0.1, 61, 16)
    found = owned(mesh, skeleton([[0, 0, 0], [0.4, 0, 0], [0.8, 0, 0], [1.7, 0, 0], [1.8, 0, 0]]))
    assert owner_at(found, [1.6, 0.05, 0]) == 2


def test_a_girdle_joint_in_its_parents_place_leaves_it_the_trunk():
    mesh = capsules([[0, 0, 0], [0, 0, 0]], [[0, 1, 0], [0.6, -0.9, 0]], [0.4, 0.3], 0.06)
    joints = skeleton(
        [[0, 0, 0], [0, 0.5, 0], [0, 0, 0], [0.3, -0.4, 0], [0.6, -0.9, 0]], [-1, 0, 0, 2, 3]
    )
    found = owned(mesh, joints)
    assert owner_at(found, [0.12, -0.16, 0]) == 0
    assert owner_at(found, [0.27, -0.36, 0]) == 2
    assert owner_at(found, [0.45, -0.65, 0]) == 3


def test_what_a_joint_without_weight_would_own_goes_to_its_nearest_ancestor():
    mesh, _ = tube(straight, 3.0, 0.2, 41, 16)
    joints = skeleton([[0, 0, 0], [1, 0, 0], [2, 0, 0]])
    task = problem(mesh, joints)
    found = stretches(joints, np.array([True, False, True]), task.surface)
    assert owner_at(found, [1.5, 0.1, 0]) == 0
    assert set(found.bones.joint) == {0, 2}

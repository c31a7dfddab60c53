"""The bone of each joint: where it ends, how it lies, and what is flesh."""

import numpy as np
import pytest
from bodies import straight, tube
from scipy.spatial.transform import Rotation

from autoweight.rig import Skeleton
from autoweight.skeleton.axes import pointing, shared_axis
from autoweight.skeleton.bones import Bones, Reaches, bones, distances, frames, links, nearest
from autoweight.skeleton.tips import with_tips
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight


def turned(ways):
    """Rotations whose y points each way."""
    return np.array([Rotation.align_vectors([way], [[0, 1, 0]])[0].as_matrix() for way in ways])


def figure(axis_to_x=False, **more) -> Skeleton:
    """A chest with a neck along its axis, and an arm off it; everything points along y, or x."""
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[:, :3, 3] = (0, 0, 0), (0, 0, 1), (0, 0, 2), (0, 1, 1), (0, 2, 1)
    rest[:, :3, :3] = turned([(0, 0, 1), (0, 0, 1), (0, 0, 1), (0, 1, 0), (0, 1, 0)])
    if axis_to_x:
        rest[:, :3, :3] = rest[:, :3, :3] @ Rotation.from_euler("z", 90, degrees=True).as_matrix()
    return Skeleton(("hip", "chest", "neck", "arm", "hand"), [-1, 0, 1, 1, 3], rest, **more)


def test_where_bones_point_along_y_what_hangs_off_them_is_not_flesh():
    skeleton = figure()
    np.testing.assert_array_equal(shared_axis(skeleton), [0, 1, 0])
    np.testing.assert_array_equal(links(skeleton), [False, True, True, False, True])
    found = bones(skeleton)
    assert found.joint.tolist() == [0, 1, 3, 2, 4]
    np.testing.assert_allclose(found.tail[1], [0, 0, 2])


def test_where_bones_point_along_x_every_link_is_flesh():
    skeleton = figure(axis_to_x=True)
    np.testing.assert_allclose(shared_axis(skeleton), [1, 0, 0])
    assert links(skeleton).tolist() == [False, True, True, True, True]


def test_a_tip_ends_a_bone_exactly():
    found = frames(figure(tips={4: (0, 2.7, 1)}))
    np.testing.assert_array_equal(found.end[4], [0, 2.7, 1])
    assert found.told[4]


def test_a_bone_that_nothing_ends_goes_part_of_the_way_out_of_the_body():
    mesh, _ = tube(straight, 4.0, 0.4, 41, 24)  # along x from 0 to 4
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, :3, 3] = (0.5, 0, 0), (1.5, 0, 0), (2.0, 0, 0)
    rest[:, :3, :3] = turned([(1, 0, 0), (1, 0, 0), (0, 1, 0)])
    skeleton = Skeleton(("a", "b", "c"), [-1, 0, 1], rest)
    body = prepare(mesh)
    np.testing.assert_allclose(
        Sight(body).depth(np.array([[1.0, 0, 0]]), np.array([[1.0, 0, 0]])), [3.0], rtol=1e-9
    )
    found = frames(skeleton, Sight(body).depth)
    np.testing.assert_allclose(found.end[2], [2, 0.45 * 0.4, 0], atol=0.005)  # a ring of 24 sides
    np.testing.assert_allclose(found.axes[2, :, 0], [0, 1, 0], atol=1e-12)


def head(*ways, **more):
    """A neck, a head and a leg inside a tube along x, and last joints that hang from the head."""
    mesh, _ = tube(straight, 4.0, 0.4, 41, 24)
    places = [(0.2, 0, 0), (1.0, 0, 0), (2.0, 0, 0), (0.2, 0, -0.2)]
    places += [np.add((2.0, 0, 0), way) for way in ways]
    rest = np.tile(np.eye(4), (len(places), 1, 1))
    rest[:, :3, 3] = places
    rest[:, :3, :3] = turned([(1, 0, 0)] * 3 + [(0, 0, -1), *ways])
    names = tuple(f"joint{number}" for number in range(len(places)))
    skeleton = Skeleton(names, [-1, 0, 1, 0] + [2] * len(ways), rest, **more)
    return skeleton, Sight(prepare(mesh)).depth


EARS = (0, 0.1, 0.2), (0, -0.1, 0.2)


def test_a_head_has_the_same_bone_with_ears_and_without():
    ended = []
    for ways in ((), EARS):
        skeleton, depth = head(*ways)
        found = bones(skeleton, frame=frames(skeleton, depth))
        along = found.tail[found.joint == 2]
        ended.append(along[along[:, 0] > 2.5])
    out = 2 / np.cos(np.radians(2))  # the middle one of five rays, four of them 2 degrees off
    np.testing.assert_allclose(ended[0], [[2 + 0.45 * out, 0, 0]], rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(*ended)
    assert links(skeleton)[4:].all()  # ears stand on the head's flesh all the same


def test_a_chain_that_goes_on_beside_the_axis_is_the_only_bone():
    skeleton, depth = head((0.3, 0.2, 0))
    rest = np.concatenate([skeleton.rest, skeleton.rest[4:]])
    rest[5, :3, 3] = 2.6, 0.4, 0
    longer = Skeleton((*skeleton.names, "on"), [-1, 0, 1, 0, 2, 4], rest)
    found = bones(longer, frame=frames(longer, depth))
    np.testing.assert_allclose(found.tail[found.joint == 2], [[2.3, 0.2, 0]])


def test_a_head_in_a_file_with_tips_or_without_a_body_keeps_its_ways():
    skeleton, depth = head(*EARS, tips={4: (2.0, 0.2, 0.4), 5: (2.0, -0.2, 0.4)})
    assert frames(skeleton, depth).told[2]
    bare, _ = head(*EARS)
    outside = frames(bare, lambda origins, ways: np.full(len(origins), np.inf))
    np.testing.assert_allclose(outside.end[2], [2.0, 0, 0.2])


def test_frames_are_right_handed_and_turn_with_the_rig():
    skeleton = figure(tips={4: (0, 2.7, 1)})
    found = frames(skeleton)
    np.testing.assert_allclose(np.linalg.det(found.axes), 1.0)
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_rotvec([0.3, -1.1, 0.4]).as_matrix()
    tips = {4: turn[:3, :3] @ (0, 2.7, 1)}
    again = frames(Skeleton(skeleton.names, skeleton.parents, turn @ skeleton.rest, tips))
    np.testing.assert_allclose(again.axes, turn[:3, :3] @ found.axes, atol=1e-12)
    np.testing.assert_allclose(again.end, found.end @ turn[:3, :3].T, atol=1e-12)


def hands(other="hand_R", lean=0.0) -> Skeleton:
    """Two arms with hands that point away from the body along their y."""
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[1:, 0, 3] = 1, -1, 2, -2
    rest[1:, :3, :3] = turned([(1, 0, 0), (-1, 0, 0), (1, 0, 0), (-1, np.tan(lean), 0)])
    return Skeleton(("body", "arm_L", "arm_R", "hand_L", other), [-1, 0, 0, 1, 2], rest)


def slipping(origins, ways):
    """Two away, but for three rays of the right hand that slip through and go on to seven."""
    found = np.full(len(ways), 2.0)
    right = np.flatnonzero(origins[:, 0] < 0)
    found[right[:3]] = 7.0
    return found


def test_counterparts_are_measured_together():
    np.testing.assert_allclose(reach_of(hands()), 0.9)
    for apart in (hands("claw_R"), hands(lean=np.radians(20))):
        np.testing.assert_allclose(reach_of(apart), (0.9, 3.15))


def reach_of(skeleton):
    found = frames(skeleton, slipping)
    return np.linalg.norm(found.end - found.start, axis=1)[3:]


def legs(**more) -> Skeleton:
    """Hips and two legs; the right joints were copied from the left and mirrored, axes and all."""
    rest = np.tile(np.eye(4), (7, 1, 1))
    ways = [(0.2, -0.9, 0.1), (0, -1, -0.2), (0, -0.1, 1)]
    rest[1:4, :3, :3] = turned(ways)
    rest[1:4, :3, 3] = (0.3, 0, 0), (0.5, -0.9, 0.1), (0.5, -1.9, -0.1)
    rest[4:] = rest[1:4]
    rest[4:, 0] *= -1  # the mirror image, and then all axes turned round, which is right-handed
    rest[4:, :3, :3] *= -1
    names = [f"{bone}_{side}" for side in "LR" for bone in ("thigh", "shin", "foot")]
    return Skeleton(("hips", *names), [-1, 0, 1, 2, 0, 4, 5], rest, **more)


def test_joints_that_were_mirrored_have_their_bones_against_the_axis():
    skeleton = legs()
    np.testing.assert_array_equal(shared_axis(skeleton), [0, 1, 0])
    np.testing.assert_allclose(
        pointing(skeleton)[4:], pointing(skeleton)[1:4] * [-1, 1, 1], atol=1e-15
    )
    found = frames(skeleton, lambda origins, ways: np.ones(len(ways)))
    np.testing.assert_allclose(found.end[3], [0.5, -1.9, -0.1] + 0.45 * pointing(skeleton)[3])
    np.testing.assert_allclose(found.end[4:], found.end[1:4] * [-1, 1, 1], atol=1e-15)
    places = {3: np.array([[0, 0.4, 0]]), 6: np.array([[0, -0.4, 0]])}
    tips = with_tips(skeleton, places).tips
    np.testing.assert_allclose(tips[6], tips[3] * [-1, 1, 1], atol=1e-15)
    assert links(legs(tips=tips)).tolist() == [False, *[True] * 6]


def test_what_hangs_beside_its_child_does_not_hide_that_a_joint_was_mirrored():
    plain = legs()
    rest = np.concatenate([plain.rest, plain.rest[[1, 4]]])
    rest[7:, :3, 3] = (0.4, -0.4, 0.3), (-0.4, -0.4, 0.3)
    names = (*plain.names, "front_L", "front_R")
    skeleton = Skeleton(names, [*plain.parents, 1, 4], rest)
    np.testing.assert_array_equal(pointing(skeleton)[:7], pointing(plain))
    np.testing.assert_array_equal(pointing(skeleton)[7:], pointing(plain)[[1, 4]])


@pytest.mark.parametrize("inward", [1, -1])
def test_depth_passes_faces_that_it_comes_to_from_outside(inward):
    mesh, _ = tube(straight, 4.0, 0.4, 41, 24)
    faces = mesh.faces[:, ::inward]
    rays = Sight(prepare(type(mesh)(mesh.vertices, faces)))
    way = np.array([[1.0, 0.0, 0.0]])
    np.testing.assert_allclose(rays.depth(np.array([[-1.0, 0.01, 0.02]]), way), [5.0], rtol=1e-9)
    assert np.isinf(rays.depth(np.array([[5.0, 0.01, 0.02]]), way)).all()


def test_what_hangs_in_pairs_hangs_on_the_flesh_of_a_joint_without_a_bone_to_a_child():
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[:, :3, 3] = (0, 0, 0), (1, 0.2, 0), (-1, 0.2, 0), (0, -0.7, 0)
    rest[:, :3, :3] = turned([(0, 0, 1), (1, 0, 0), (-1, 0, 0), (0, -1, 0)])
    tips = {1: (1.5, 0.2, 0), 2: (-1.5, 0.2, 0), 3: (0, -1, 0)}
    hull = Skeleton(("hull", "leg_L", "leg_R", "tail"), [-1, 0, 0, 0], rest, tips)
    np.testing.assert_array_equal(shared_axis(hull), [0, 1, 0])
    assert links(hull).tolist() == [False, True, True, False]


def test_what_hangs_from_a_root_does_so_on_its_flesh():
    above = figure()
    below = [1, 2, 3, 4]  # the same without its hip: the chest is the root
    skeleton = Skeleton(
        tuple(above.names[each] for each in below), [-1, 0, 0, 2], above.rest[below]
    )
    np.testing.assert_array_equal(shared_axis(skeleton), [0, 1, 0])
    assert links(skeleton).tolist() == [False, True, True, True]
    ended = Skeleton(skeleton.names, skeleton.parents, skeleton.rest, {3: (0, 2.5, 1)})
    assert links(ended).tolist() == [False, True, False, True]


def doubled(skeleton):
    """Each joint but the root under another in its place, as one that holds an offset."""
    count = len(skeleton)
    place = np.array([0, *range(2, 2 * count, 2)])  # where the joints themselves went
    parents, rest = np.full(2 * count - 1, -1), np.repeat(skeleton.rest, 2, axis=0)[1:]
    parents[place[1:]] = place[1:] - 1
    parents[place[1:] - 1] = place[skeleton.parents[1:]]
    names = [skeleton.names[0]]
    for name in skeleton.names[1:]:
        names += [f"{name}_offset", name]
    return Skeleton(tuple(names), parents, rest), place


@pytest.mark.parametrize("plain", [figure(), figure(axis_to_x=True), legs()])
def test_of_joints_in_one_place_the_last_has_the_flesh(plain):
    skeleton, place = doubled(plain)
    wanted, found = bones(plain), bones(skeleton)

    def rows(joint, each):
        table = np.column_stack([joint, each.head, each.tail])
        return table[np.lexsort(table.T)]

    np.testing.assert_allclose(
        rows(found.joint, found), rows(place[wanted.joint], wanted), atol=1e-12
    )


def test_a_last_joint_turned_elsewhere_takes_no_flesh_from_its_parent_in_its_place():
    # A jaw that is hinged where its skull begins: each has a bone of its own.
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[:, 1, 3] = 0, 1, 2, 2
    jaw = np.array([0, -0.6, 0.8])
    rest[:, :3, :3] = turned([(0, 1, 0), (0, 1, 0), (0, 1, 0), jaw])
    skeleton = Skeleton(("chest", "neck", "head", "jaw"), [-1, 0, 1, 2], rest)
    np.testing.assert_array_equal(shared_axis(skeleton), [0, 1, 0])
    found = bones(skeleton, None, frames(skeleton, lambda origins, ways: np.ones(len(ways))))
    assert found.joint.tolist() == [0, 1, 2, 3]
    np.testing.assert_allclose(found.head[2:], [(0, 2, 0)] * 2)
    np.testing.assert_allclose(found.tail[2:] - (0, 2, 0), 0.45 * np.array([(0, 1, 0), jaw]))
    rest[3, :3, :3] = rest[2, :3, :3]  # turned as its parent it is in its place
    assert bones(Skeleton(skeleton.names, skeleton.parents, rest)).joint.tolist() == [0, 1, 3]


def test_a_root_in_the_place_of_its_only_child_keeps_flesh():
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[2, 0, 3] = 1
    assert bones(Skeleton(("base", "turn", "arm"), [-1, 0, 1], rest)).joint.tolist() == [0, 1, 2]


def test_the_nearest_bone_is_the_first_of_those_that_are_as_far():
    chance = np.random.default_rng(3)
    points, ends = chance.normal(size=(200, 3)), chance.normal(size=(2, 7, 3))
    twice = np.concatenate([ends, ends[:, ::-1]], axis=1)
    some = Bones(np.arange(14, dtype=np.int32), *twice)
    bone, away = nearest(points, some)
    table = distances(points, some)
    np.testing.assert_array_equal(bone, table.argmin(axis=1))
    np.testing.assert_array_equal(away, table.min(axis=1))
    assert len(np.unique(bone)) > 1


def test_reaches_are_worked_out_where_they_are_asked_for(monkeypatch):
    chance = np.random.default_rng(2)
    points = chance.normal(size=(50, 3))
    some = Bones(np.arange(3, dtype=np.int32), *chance.normal(size=(2, 3, 3)))
    least = distances(points, some).min(axis=1)
    asked = []

    def counted(points, bones):
        asked.append(len(points))
        return nearest(points, bones)

    monkeypatch.setattr("autoweight.skeleton.bones.nearest", counted)
    away = Reaches(points, some)
    corners = np.array([[3, 7], [7, 40]])
    np.testing.assert_array_equal(away[corners], least[corners])
    np.testing.assert_array_equal(away[:], least)
    assert asked == [3, 47]


def test_a_control_in_the_place_of_hips_has_no_flesh():
    """However many hold an offset between: the body goes both ways from the hips."""
    rest = np.tile(np.eye(4), (6, 1, 1))
    rest[3:, :3, 3] = (0, 1, 0), (1, -1, 0), (-1, -1, 0)
    names = "cog", "cog_offset", "hips", "spine", "thigh_l", "thigh_r"
    found = bones(Skeleton(names, [-1, 0, 1, 2, 2, 2], rest))
    assert not np.isin([0, 1], found.joint).any()
    assert (found.joint == 2).sum() == 3

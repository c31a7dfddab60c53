"""Carrying weights over to changed geometry."""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
from scipy import sparse
from scipy.spatial.transform import Rotation
from tori import JOINTS, analytic, bare, by_place, ring, torus, weighted

from autoweight.demo import axolotl
from autoweight.errors import GeometryError, RecipeError, SkeletonError, WeightsError
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Part, Rig, Skeleton, Weights
from autoweight.stages.carrying import ORIGINS, carry
from autoweight.stages.solving import solve

NEAREST = Recipe(method="nearest")
TURNED = Recipe(method="tori:turned")


def off(rig: Rig, weights: Weights) -> np.ndarray:
    """L1 distance of each vertex's weights to the analytic ones."""
    return np.abs(weights.dense() - analytic(rig.mesh.vertices)).sum(axis=1)


def same(first: sparse.csr_array, second: sparse.csr_array) -> bool:
    return (first != second).nnz == 0


def test_same_mesh_is_bit_equal():
    finished = weighted(*torus(48, 20))
    carried = carry(finished, bare(*torus(48, 20)))
    assert same(carried.weights.matrix, finished.weights.matrix)
    assert carried.counts == {"kept": 960, "interpolated": 0, "filled": 0, "solved": 0}
    assert (carried.confidence == 1).all()
    assert carried.locks is None and carried.notes == ()


def test_shuffled_vertices_are_bit_equal():
    vertices, faces = torus(48, 20)
    finished = weighted(vertices, faces)
    order = np.random.default_rng(3).permutation(len(vertices))
    carried = carry(finished, bare(vertices[order], np.argsort(order)[faces]))
    assert same(carried.weights.matrix, finished.weights.matrix[order])


def remeshed(kind: str) -> tuple[np.ndarray, np.ndarray]:
    vertices, faces = torus(64, 24)
    if kind == "triangulated anew":
        return torus(71, 21)
    if kind == "subdivided":
        return igl.loop(vertices, faces)
    if kind == "inside out":
        vertices, faces = torus(71, 21)
        return vertices, faces[:, ::-1]
    return igl.decimate(
        np.asfortranarray(vertices), np.asfortranarray(faces.astype(np.int32)), len(faces) // 2
    )[:2]


@pytest.mark.parametrize("kind", ["triangulated anew", "subdivided", "decimated", "inside out"])
def test_other_triangles_of_the_same_surface(kind):
    new = bare(*remeshed(kind))
    carried = carry(weighted(*torus(64, 24)), new)
    wrong = off(new, carried.weights)
    assert wrong.mean() < 0.02
    assert wrong.max() < 0.1
    assert carried.counts["filled"] == carried.counts["solved"] == 0
    # Linear between vertices: nothing can stray farther than one edge beyond its band.
    far = analytic(new.mesh.vertices) == 0
    turn = np.arctan2(*new.mesh.vertices.T[1::-1])
    reach = (
        np.abs(
            (turn[:, None] - 2 * np.pi * np.arange(JOINTS) / JOINTS + np.pi) % (2 * np.pi) - np.pi
        )
        > (1 / JOINTS + 1 / 64) * 2 * np.pi
    )
    assert not carried.weights.dense()[far & reach].any()


def test_error_falls_with_the_square_of_the_edge():
    new = bare(*torus(301, 83))
    coarse, fine = (
        off(new, carry(weighted(*torus(n, n // 2)), new).weights).mean() for n in (64, 128)
    )
    assert 3.2 < coarse / fine < 4.8


def bulged(vertices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The +x side of the tube swells about its middle, to more than can be matched."""
    turn = np.arctan2(vertices[:, 1], vertices[:, 0])
    swell = np.cos(np.clip(turn / 0.35, -1, 1) * np.pi / 2) ** 2
    middle = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))])
    return vertices + 2 * swell[:, None] * (vertices - middle), np.abs(turn) < 0.35


@pytest.mark.parametrize("fill", ["inpaint", "solve"])
def test_only_what_changed_is_filled(fill):
    vertices, faces = torus(96, 24, tube=0.15)
    finished = weighted(vertices, faces)
    changed, moved = bulged(vertices)
    new = bare(changed, faces)
    carried = carry(finished, new, TURNED, fill=fill)
    assert same(carried.weights.matrix[~moved], finished.weights.matrix[~moved])
    assert carried.counts["kept"] == (~moved).sum()
    filled = carried.origin == ORIGINS.index("filled" if fill == "inpaint" else "solved")
    assert 0 < filled.sum() < moved.sum()
    assert (carried.confidence[filled] < 0.5).all()
    # No step at the rim: edges across it jump no more than those of the analytic weights do.
    edges = igl.edges(faces)
    rim = edges[filled[edges].sum(axis=1) == 1]
    dense = carried.weights.dense()
    jump = np.abs(dense[rim[:, 0]] - dense[rim[:, 1]]).sum(axis=1)
    usual = np.abs(analytic(vertices[edges[:, 0]]) - analytic(vertices[edges[:, 1]])).sum(axis=1)
    assert jump.max() < 1.25 * usual.max()
    alone = off(new, solve(new, TURNED))[filled].mean()
    assert off(new, carried.weights)[filled].mean() < (0.1 if fill == "inpaint" else alone)


def test_a_piece_with_no_match_is_solved():
    vertices, faces = torus(48, 20)
    finished = weighted(vertices, faces)
    ball = 0.1 * vertices + [0, 0, 3]
    new = bare(np.concatenate([vertices, ball]), np.concatenate([faces, faces + len(vertices)]))
    carried = carry(finished, new, NEAREST)
    assert carried.counts == {"kept": 960, "interpolated": 0, "filled": 0, "solved": 960}
    assert same(carried.weights.matrix[:960], finished.weights.matrix)
    assert not carried.confidence[960:].any()


def fingers(shift: float) -> Rig:
    """Two thin tubes side by side, each moved by two joints of its own."""
    vertices, faces = torus(48, 16, radius=0.5, tube=0.1)
    flat = vertices * [1, 0.2, 1]  # a long thin ring stands for a finger
    gap = 0.43
    both = np.concatenate([flat, flat + [0, gap, 0]]) + [0, shift, 0]
    rest = np.tile(np.eye(4), (2, 1, 1))
    rest[1, 1, 3] = gap
    share = np.zeros((len(both), 2))
    share[: len(flat), 0] = share[len(flat) :, 1] = 1
    skeleton = Skeleton(["one", "two"], [-1, 0], rest)
    mesh = Mesh(both, np.concatenate([faces, faces + len(flat)]))
    return Rig(mesh, skeleton, Weights(sparse.csr_array(share)))


@pytest.mark.parametrize("shift", [0.02, 0.05, -0.05])
def test_fingers_side_by_side_stay_apart(shift):
    new = fingers(shift)
    carried = carry(fingers(0.0), replace(new, weights=None))
    assert same(carried.weights.matrix, new.weights.matrix)


STEEP = 6.0


def at_height(height: np.ndarray) -> np.ndarray:
    return np.clip(1 - STEEP * (1 - height), 0, 1)


def ears(around: int, up: int) -> Rig:
    """Two thin blades that taper to a tip side by side, each moved by two joints of its own."""
    turn, height = np.meshgrid(
        2 * np.pi * np.arange(around) / around, np.linspace(0, 1, up), indexing="ij"
    )
    taper = np.sqrt(1 - 0.98 * height**2)
    blade = np.stack(
        [0.3 * taper * np.cos(turn), 0.02 * taper * np.sin(turn), height], axis=-1
    ).reshape(-1, 3)
    first, second = np.arange(around)[:, None] * up, (np.arange(around) + 1)[:, None] % around * up
    rise = np.arange(up - 1)
    a, b = (first + rise).ravel(), (second + rise).ravel()
    faces = np.concatenate([np.column_stack([a, b, b + 1]), np.column_stack([a, b + 1, a + 1])])
    bend = at_height(blade[:, 2])
    share = np.zeros((2 * len(blade), 4))
    share[: len(blade), 0] = share[len(blade) :, 2] = 1 - bend
    share[: len(blade), 1] = share[len(blade) :, 3] = bend
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[:, :3, 3] = [[0, 0, 0], [0, 0, 0.6], [0, 0.07, 0], [0, 0.07, 0.6]]
    skeleton = Skeleton(["root", "left", "right", "right_tip"], [-1, 0, 0, 2], rest)
    both = np.concatenate([blade, blade + [0, 0.07, 0]])
    mesh = Mesh(both, np.concatenate([faces, faces + len(blade)]))
    return Rig(mesh, skeleton, Weights(sparse.csr_array(share)))


@pytest.mark.parametrize(("around", "up"), [(8, 12), (7, 12), (5, 9)])
def test_tips_of_coarser_ears_take_what_lies_nearest(around, up):
    """Few triangles turn the normals of a tip by more than a match may be turned elsewhere."""
    finished = ears(16, 24)
    level = ears(around, up)
    base = np.array([0, 0.07, 0]) * (level.mesh.vertices[:, 1:2] > 0.035)
    moved = Mesh(base + 1.004 * (level.mesh.vertices - base), level.mesh.faces)
    level = replace(level, mesh=moved)
    carried = carry(finished, replace(level, weights=None))
    found, vertices = carried.weights.dense(), level.mesh.vertices
    other = vertices[:, 1] > 0.035
    assert found[other, :2].max() == found[~other, 2:].max() == 0
    # Weights follow the height, so they tell the height of the place that they were taken from.
    squared, _, nearest = igl.point_mesh_squared_distance(
        vertices, finished.mesh.vertices, finished.mesh.faces.astype(np.int64)
    )
    off = np.abs(at_height(nearest[:, 2]) - found[:, 1] - found[:, 3])
    assert (off < 3 * STEEP * np.sqrt(squared) + 0.02).all()
    assert carried.counts["filled"] == carried.counts["solved"] == 0


def layers(count: int, inner: float, outer: float) -> Rig:
    """A tube within a tube: a body moved by one joint in a coat moved by another."""
    body, faces = torus(count, count // 2, tube=inner)
    coat, _ = torus(count, count // 2, tube=outer)
    share = np.zeros((2 * len(body), JOINTS))
    share[: len(body), 0] = share[len(body) :, 4] = 1
    mesh = Mesh(np.concatenate([body, coat]), np.concatenate([faces, faces + len(body)]))
    return Rig(mesh, ring(), Weights(sparse.csr_array(share)))


@pytest.mark.parametrize("outer", [0.34, 0.36, 0.39])
@pytest.mark.parametrize("count", [48, 53])
def test_a_coat_keeps_apart_from_the_body_below(count, outer):
    new = layers(count, 0.32, outer)
    carried = carry(layers(48, 0.32, 0.35), replace(new, weights=None))
    wrong = np.abs(carried.weights.dense() - new.weights.dense()).sum(axis=1)
    assert wrong.max() < 1e-12


def test_a_garment_agrees_with_the_body_it_lies_on():
    body = weighted(*torus(96, 40))
    garment = bare(*torus(61, 23, tube=0.37))
    carried = carry(body, garment)
    assert carried.counts["interpolated"] == len(garment.mesh.vertices)
    assert off(garment, carried.weights).max() < 0.02


def test_what_followed_its_joints_is_found_again():
    """Grown by half and turned, joints and all: every vertex finds its own old place."""
    vertices, faces = torus(48, 20)
    finished = weighted(vertices, faces)
    turn = 1.5 * Rotation.from_rotvec([0.3, 0.4, 0.5]).as_matrix()
    rest = ring().rest.copy()
    rest[:, :3, 3] = rest[:, :3, 3] @ turn.T + [3, 0, 0]
    skeleton = Skeleton(ring().names, ring().parents, rest)
    new = Rig(Mesh(vertices @ turn.T + [3, 0, 0], faces), skeleton)
    carried = carry(finished, new)
    assert carried.counts["interpolated"] == len(vertices)
    np.testing.assert_allclose(carried.weights.dense(), finished.weights.dense(), atol=1e-4)


def test_joints_that_only_turned_move_nothing():
    vertices, faces = torus(48, 20)
    rest = ring().rest.copy()
    rest[:, :3, :3] = Rotation.from_rotvec([0.3, 0.4, 0.5]).as_matrix()
    new = Rig(Mesh(vertices, faces), Skeleton(ring().names, ring().parents, rest))
    assert carry(weighted(vertices, faces), new).counts["kept"] == len(vertices)


@pytest.mark.parametrize("fill", ["inpaint", "solve"])
def test_a_gap_with_joints_of_its_own_is_solved(fill):
    """Moved by as much as the tubes are apart, with the joints where they were."""
    finished = fingers(0.0)
    old, count = finished.mesh.vertices, len(finished.mesh.vertices)
    swell = np.clip(old[:, 0] / 0.3, 0, 1)[:, None]  # the +x end alone
    moved = Mesh(old + swell * [0, 0, 0.3], finished.mesh.faces)
    carried = carry(finished, replace(finished, mesh=moved, weights=None), NEAREST, fill=fill)
    assert same(carried.weights.matrix[carried.kept], finished.weights.matrix[carried.kept])
    assert 0 < carried.counts["kept"] < count
    wrong = np.abs(carried.weights.dense() - finished.weights.dense()).sum(axis=1)
    assert wrong[carried.origin == 1].max() < 1e-9


@pytest.fixture(scope="module")
def demo() -> Rig:
    """The axolotl with weights that are a smooth function of the place, and of that alone."""
    rig = axolotl()
    return replace(rig, weights=Weights(sparse.csr_array(by_place(rig, rig.mesh.vertices))))


@pytest.mark.parametrize("kind", ["same", "shuffled", "subdivided", "decimated"])
def test_the_demo_comes_through(demo, kind):
    vertices, faces = demo.mesh.vertices, demo.mesh.faces.astype(np.int64)
    order = np.arange(len(vertices))
    if kind == "shuffled":
        order = np.random.default_rng(7).permutation(len(vertices))
        vertices, faces = vertices[order], np.argsort(order)[faces]
    elif kind == "subdivided":
        vertices, faces = igl.loop(vertices, faces)
    elif kind == "decimated":
        vertices, faces, *_ = igl.decimate(
            np.asfortranarray(vertices), np.asfortranarray(faces, np.int32), len(faces) // 2
        )
    carried = carry(demo, Rig(Mesh(vertices, faces), demo.skeleton))
    if kind in ("same", "shuffled"):
        assert same(carried.weights.matrix, demo.weights.matrix[order])
        return
    found, wanted = carried.weights.dense(), by_place(demo, vertices)
    wrong = np.abs(found - wanted).sum(axis=1)
    assert wrong.mean() < 0.02
    assert wrong.max() < 0.1
    assert not (found[wanted == 0] > 1e-3).any()


def test_a_hand_is_replaced():
    """Cut off at the wrist, modelled anew a third longer, with four times the triangles."""
    rig = axolotl()
    finished = replace(rig, weights=solve(rig))
    names = [name for name in rig.skeleton.names if name[:5] == "digit" and name[-2:] == "_L"]
    hand = [rig.skeleton.index[name] for name in ("wrist_L", *names)]
    share = finished.weights.matrix[:, hand].sum(axis=1)
    cut = (share[rig.mesh.faces] > 0.5).all(axis=1)
    wrist, tip = rig.skeleton.positions[hand[0]], rig.skeleton.positions[hand[1:]].mean(axis=0)

    def longer(points: np.ndarray) -> np.ndarray:
        along = (points - wrist) @ (tip - wrist) / ((tip - wrist) @ (tip - wrist))
        t = np.clip(along, 0, 1)[:, None]
        return points + (t * t * (3 - 2 * t)) * (points - wrist) / 3

    vertices, faces = igl.upsample(rig.mesh.vertices, rig.mesh.faces[cut].astype(np.int64))
    fresh = np.isin(np.arange(len(vertices)), faces)
    vertices = np.where(fresh[:, None], longer(vertices), vertices)
    rest = rig.skeleton.rest.copy()
    rest[hand, :3, 3] = longer(rest[hand, :3, 3])
    skeleton = Skeleton(rig.skeleton.names, rig.skeleton.parents, rest)
    new = Rig(Mesh(vertices, np.concatenate([rig.mesh.faces[~cut], faces])), skeleton)
    carried = carry(finished, new)

    old = len(rig.mesh.vertices)
    still = (vertices[:old] == rig.mesh.vertices).all(axis=1)
    assert same(carried.weights.matrix[:old][still], finished.weights.matrix[still])
    direct = solve(new)
    off = abs(carried.weights.matrix - direct.matrix).sum(axis=1)
    own = abs(direct.matrix[:old] - finished.weights.matrix).sum(axis=1)
    changed = ~np.concatenate([still, np.zeros(len(vertices) - old, dtype=bool)])
    assert off[changed].mean() < 2 * own[~still].mean()
    assert carried.counts["solved"] == 0

    # No step where old and new meet: edges there jump no more than in a solve of the whole.
    edges = igl.edges(new.mesh.faces)
    seam = edges[changed[edges].sum(axis=1) == 1]
    jumps = [
        np.asarray(abs(w[seam[:, 0]] - w[seam[:, 1]]).sum(axis=1)).max()
        for w in (carried.weights.matrix, direct.matrix)
    ]
    assert jumps[0] < 1.1 * jumps[1]


def test_seam_vertices_with_weights_of_their_own_keep_them():
    """Two parts that touch, with other weights each: part names and normals tell them apart."""
    vertices, faces = torus(48, 20)
    many = len(vertices)
    share = np.zeros((2 * many, JOINTS))
    share[:many, 0] = share[many:, 1] = 1
    both = np.concatenate([faces, faces[:, ::-1] + many])
    parts = [
        Part("skin", slice(0, many), slice(0, len(faces))),
        Part("lining", slice(many, 2 * many), slice(len(faces), 2 * len(faces))),
    ]
    twice = np.concatenate([vertices, vertices])
    finished = Rig(Mesh(twice, both, parts), ring(), Weights(sparse.csr_array(share)))
    order = np.random.default_rng(5).permutation(many)
    whole = np.concatenate([order, many + order])
    shuffled = Mesh(twice[whole], np.argsort(whole)[both], parts)
    carried = carry(finished, Rig(shuffled, ring()))
    assert same(carried.weights.matrix, finished.weights.matrix[whole])
    nameless = replace(shuffled, parts=())
    carried = carry(finished, Rig(nameless, ring()))
    assert same(carried.weights.matrix, finished.weights.matrix[whole])


def test_joints_are_matched_by_name_then_by_place():
    finished = weighted(*torus(48, 20))
    names = list(ring().names)
    names[5] = "renamed"
    turned = [0, 1, 2, 3, 4, 5, 7, 6]  # the last two change places, both on joint 5
    skeleton = Skeleton(
        [names[each] for each in turned], [-1, 0, 1, 2, 3, 4, 5, 5], ring().rest[turned]
    )
    carried = carry(finished, replace(bare(*torus(48, 20)), skeleton=skeleton))
    assert same(carried.weights.matrix, finished.weights.matrix[:, turned])
    assert len(carried.notes) == 1
    assert "ring5" in carried.notes[0] and "renamed" in carried.notes[0]


def test_a_removed_joint_leaves_its_weight_to_its_nearest_kept_ancestor():
    finished = weighted(*torus(48, 20))
    skeleton = Skeleton(ring().names[:6], np.arange(6) - 1, ring().rest[:6])
    carried = carry(finished, replace(bare(*torus(48, 20)), skeleton=skeleton))
    before, after = finished.weights.dense(), carried.weights.dense()
    np.testing.assert_allclose(after[:, 5], before[:, 5:].sum(axis=1))
    np.testing.assert_array_equal(after[:, :5], before[:, :5])
    assert [note.split("'")[1] for note in carried.notes] == ["ring6", "ring7"]
    assert all("goes to 'ring5'" in note for note in carried.notes)


def test_an_added_joint_is_solved_and_spares_locked_vertices():
    vertices, faces = torus(48, 20)
    skeleton = Skeleton(ring().names[:7], np.arange(7) - 1, ring().rest[:7])
    share = np.zeros((len(vertices), 7))
    share[:, 6] = 1
    locks = np.arange(len(vertices)) % 3 == 0
    finished = Rig(
        Mesh(vertices, faces),
        skeleton,
        Weights(sparse.csr_array(share)),
        attributes={"_LOCK": locks.astype(np.uint8)},
    )
    carried = carry(finished, bare(vertices, faces), NEAREST)
    gained = carried.weights.dense()[:, 7] > 0
    assert carried.notes == ("joint 'ring7' is new: solved",)
    assert 0 < carried.counts["solved"] == gained.sum() < len(vertices)
    assert not (gained & locks).any()
    np.testing.assert_array_equal(carried.locks, locks)
    assert carried.locks.dtype == np.uint8


def test_locks_reach_new_vertices_amid_locked_ones():
    vertices, faces = torus(48, 20)
    finished = weighted(vertices, faces)
    locked = vertices[:, 0] > 0
    finished = replace(finished, attributes={"_LOCK": locked.astype(np.float32)[:, None]})
    new = bare(*torus(96, 40))
    carried = carry(finished, new)
    inside = new.mesh.vertices[:, 0]
    assert carried.locks[inside > 0.2].all()
    assert not carried.locks[inside < 0].any()
    assert carried.locks.dtype == np.float32


def test_two_carries_are_alike():
    new = bare(*torus(71, 21))
    first, second = (carry(weighted(*torus(64, 24)), new).weights.matrix for _ in range(2))
    assert first.data.tobytes() == second.data.tobytes()


def test_what_cannot_be_carried_is_said():
    finished, new = weighted(*torus(12, 6)), bare(*torus(12, 6))
    with pytest.raises(WeightsError, match="no weights to carry"):
        carry(new, new)
    with pytest.raises(RecipeError, match="inpaint, solve"):
        carry(finished, new, fill="guess")
    vertices, faces = torus(12, 6)
    with pytest.raises(GeometryError, match="one unit"):
        carry(finished, bare(100 * vertices, faces))
    elsewhere = ring().rest.copy()
    elsewhere[:, 2, 3] += 1
    foreign = Skeleton([f"other{each}" for each in range(JOINTS)], ring().parents, elsewhere)
    with pytest.raises(SkeletonError, match="none of the 8 finished joints"):
        carry(finished, replace(new, skeleton=foreign))

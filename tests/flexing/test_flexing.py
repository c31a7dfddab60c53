"""Flexing: figures on tubes whose deformation is known in closed form, and planted faults."""

import numpy as np
import pytest
from bodies import fingers, straight, tube
from odd_rigs import boxes
from scipy import sparse

from autoweight.errors import RecipeError, SkeletonError, WeightsError
from autoweight.flexing import flex
from autoweight.pose.clip import Clip, turned
from autoweight.recipes.recipe import Limits
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.skeleton.sides import Plane
from autoweight.surface import prepare
from autoweight.weights.strays import cleaned, strays, unwanted


def line(count, length):
    rest = np.tile(np.eye(4), (count, 1, 1))
    rest[:, 0, 3] = np.arange(count) * length / count
    return Skeleton([f"j{each}" for each in range(count)], np.arange(count) - 1, rest)


def limb(profile, *, rings=121, around=48, radius=0.5):
    """A tube of length 6 round two joints, the second half-way, and its weights by profile."""
    mesh, along = tube(straight, 6.0, radius, rings, around)
    share = profile(np.clip(along - 2.5, 0, 1))
    weights = sparse.csr_array(np.column_stack([1 - share, share]))
    return Rig(mesh, line(2, 6.0), Weights(weights))


def posed(rig, joint, vector):
    turns = np.zeros((1, len(rig.skeleton), 3))
    turns[0, joint] = np.radians(vector)
    return Clip("test", [0.0], turned(rig.skeleton, turns), ("test",))


@pytest.mark.parametrize(
    ("profile", "share"),
    [
        (lambda t: t, 1 / 3),
        (lambda t: 3 * t**2 - 2 * t**3, 9 / 35),
        (lambda t: 6 * t**5 - 15 * t**4 + 10 * t**3, 50 / 231),
    ],
)
def test_twisted_limb_loses_the_closed_form_of_its_volume(profile, share):
    """1 − K(1−cos θ) over the hand-over; K = ∫2w(1−w): 1/3, 9/35, 50/231.

    The zone ends where the share is 1 %, which leaves out a little of a smooth profile's ends.
    """
    rig = limb(profile, rings=481)
    found = flex(rig, posed(rig, 1, [100, 0, 0]))
    t = np.linspace(0, 1, 4001)
    length = np.mean((profile(t) > 0.01) & (profile(t) < 0.99))
    lost = length * (1 - found.shapes["volume"][0, 1])
    assert lost == pytest.approx(share * (1 - np.cos(np.radians(100))), abs=0.01)


@pytest.mark.parametrize(
    ("vector", "left"), [([90, 0, 0], 0.5), ([0, 90, 0], 0.5**0.5), ([0, 0, 60], 0.75**0.5)]
)
def test_girth_shrinks_as_linear_blending_must_and_no_more(vector, left):
    """cos²(θ/2) of the section under a twist, cos(θ/2) under a bend."""
    rig = limb(lambda t: t)
    found = flex(rig, posed(rig, 1, vector))
    assert found.shapes["girth"][0, 1] == pytest.approx(left, abs=2e-3)
    assert found.figures["girth"][0, 1] == pytest.approx(0, abs=2e-3)


def test_dual_quaternions_keep_the_girth_of_a_twist():
    """Kavan et al., TOG 27(4), 2008: no candy wrapper."""
    rig = limb(lambda t: t)
    found = flex(rig, posed(rig, 1, [120, 0, 0]), skin="dual")
    assert found.shapes["girth"][0, 1] == pytest.approx(1, abs=1e-3)
    assert found.shapes["volume"][0, 1] == pytest.approx(1, abs=0.01)


def test_stretch_of_a_sheared_band_is_its_hypotenuse():
    """A twist by θ over a hand-over of length 1 on radius r: sqrt(1 + (rθ)²) for small θ."""
    rig = limb(lambda t: t, rings=241)
    angle = np.radians(10)
    found = flex(rig, posed(rig, 1, [10, 0, 0]))
    expected = np.sqrt(1 + (0.5 * angle) ** 2)
    axial = found.shapes["stretch_99"][0, 1]
    assert axial >= expected - 1e-3  # the diagonals of the faces stretch more
    assert found.shapes["stretch_min"][0, 1] < 1


def test_a_collapsed_wrapper_is_over_its_limit_and_an_even_one_is_not():
    twist = [150, 0, 0]
    even = limb(lambda t: t)
    assert not flex(even, posed(even, 1, twist), limits=Limits(stretch=99)).findings
    plateau = limb(
        lambda t: (
            np.clip(0.5 + 20 * np.sign(t - 0.5) * (abs(t - 0.5) - 0.475), 0, 1)
            * (abs(t - 0.5) > 0.475)
            + 0.5 * (abs(t - 0.5) <= 0.475)
        )
    )
    worst = flex(plateau, posed(plateau, 1, twist), limits=Limits(stretch=99)).places[0]
    assert (worst.figure, worst.joint) == ("wrapper", "j1")
    assert worst.severity > 1


def test_folds_where_the_inside_of_a_bend_turns_over():
    """The inner side is turned inside out once rθ exceeds the length of the hand-over."""
    rig = limb(lambda t: t, radius=0.9)
    tight, loose = (
        flex(rig, posed(rig, 1, [0, 0, each])).figures["fold"][0, 1] for each in (110, 30)
    )
    assert tight > 0.1
    assert loose == 0


def test_kinks_tell_an_even_chain_from_a_hinged_one():
    mesh, along = tube(straight, 8.0, 0.4, 161, 16)
    skeleton = line(8, 8.0)
    bone = np.clip(along, 0, 8 - 1e-9)
    even = np.maximum(0, 1 - abs(bone[:, None] - 0.5 - np.arange(8)))
    even /= even.sum(axis=1, keepdims=True)
    hinged = np.eye(8)[np.floor(bone).astype(int)]
    turns = np.zeros((1, 8, 3))
    turns[0, 1:, 2] = np.radians(15)
    clip = Clip("curl", [0.0], turned(skeleton, turns))
    smooth, hard = (
        flex(Rig(mesh, skeleton, Weights(sparse.csr_array(each))), clip).figures["kink"]
        for each in (even, hinged)
    )
    assert np.nanmax(smooth) < 0.15
    assert np.nanmin(hard[:, 2:-2]) > 0.3


def test_a_stray_weight_on_the_next_finger_comes_first():
    rig = fingers()
    matrix = rig.weights.dense().copy()
    half = len(matrix) // 2
    patch = np.arange(half + 300, half + 340)
    matrix[patch] *= 0.98
    matrix[patch, 2] += 0.02
    found = flex(Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix))))
    worst = found.findings[0]
    assert (worst.figure, worst.joint) == ("stray", "a_R_2")
    assert worst.vertices.tolist() == patch.tolist()
    assert worst.causes == (("a_R_2", pytest.approx(0.02)),)
    assert not flex(rig).findings


def test_a_side_that_differs_is_found():
    rig = fingers()
    plane = Plane.named("z")
    assert not flex(rig, plane=plane).findings
    matrix = rig.weights.dense().copy()
    half = len(matrix) // 2
    bent = np.arange(half + 400, half + 500)
    matrix[bent, 3:5] = matrix[bent, 3:5] * 0.8 + 0.1
    found = flex(Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix))), plane=plane)
    worst = found.findings[0]
    assert worst.figure == "asymmetry"
    assert worst.joint in ("a_R_1", "a_R_2")
    assert set(bent) & set(worst.vertices.tolist())


def test_skin_that_sinks_through_its_weights_is_told_from_a_pose_that_crosses():
    rig = fingers()
    crossed = posed(rig, 1, [0, -60, 0])
    assert np.nan_to_num(flex(rig, crossed).figures["overlap"]).max() < 0.01
    matrix = rig.weights.dense().copy()
    # Half-way along, one finger is carried off by the other's turn.
    matrix[250:500] = [0, 0.0, 0.45, 0.55, 0]
    broken = Rig(rig.mesh, rig.skeleton, Weights(sparse.csr_array(matrix)))
    found = flex(broken, posed(rig, 3, [0, 50, 0]))
    assert np.nan_to_num(found.figures["overlap"]).max() > 0.02


def test_strays_agree_with_best_bottleneck_paths_found_one_by_one():
    """Against a slow reference: relaxing the widest path until nothing changes."""
    rng = np.random.default_rng(4)
    mesh, _ = tube(straight, 3.0, 0.5, 12, 7)
    surface = prepare(mesh)
    dense = rng.dirichlet(np.full(4, 0.3), size=len(surface))
    dense[dense < 0.02] = 0
    dense /= dense.sum(axis=1, keepdims=True)
    found = strays(sparse.csr_array(dense), surface).toarray()
    near = surface.adjacency.toarray() > 0
    owner = dense.argmax(axis=1)
    for joint in range(4):
        weight = dense[:, joint]
        level = np.zeros(len(surface))
        for patch in _homes(near, owner == joint, surface.areas):
            level[patch] = weight[patch]
        for _ in range(len(surface)):
            level = np.maximum(level, np.minimum(weight, (near * level).max(axis=1)))
        assert np.allclose(found[:, joint], weight - level, atol=1e-12)


def _homes(near, inside, areas):
    left, found = set(np.flatnonzero(inside)), []
    while left:
        patch, edge = set(), {left.pop()}
        while edge:
            patch |= edge
            edge = {
                int(other) for each in edge for other in np.flatnonzero(near[each]) if other in left
            }
            left -= edge
        found.append(sorted(patch))
    largest = max(areas[patch].sum() for patch in found)
    return [patch for patch in found if areas[patch].sum() >= 0.25 * largest]


def test_cleaning_gives_back_the_weights_from_before():
    rig = fingers()
    surface = prepare(rig.mesh)
    whole = rig.weights.matrix
    assert unwanted(whole, surface, rig.skeleton).nnz == 0
    matrix = whole.toarray()
    matrix[-100:-50] = matrix[-100:-50] * 0.9 + 0.1 * np.eye(5)[2]
    spoilt = sparse.csr_array(matrix)
    clean = cleaned(spoilt, unwanted(spoilt, surface, rig.skeleton))
    assert abs(clean - whole).max() < 1e-12


def test_poses_measured_in_turn_are_as_one_by_one():
    rig = limb(lambda t: t, rings=61)
    turns = np.zeros((5, 2, 3))
    turns[:, 1] = np.radians([[10, 0, 0], [0, 0, 0], [0, 50, 0], [0, 0, 90], [20, 30, 40]])
    local = turned(rig.skeleton, turns)
    together = flex(rig, Clip("all", np.arange(5.0), local))
    for pose in range(5):
        alone = flex(rig, Clip("one", [0.0], local[pose : pose + 1]))
        for name, values in together.shapes.items():
            assert np.allclose(values[pose], alone.shapes[name][0], atol=1e-5, equal_nan=True)


def test_what_cannot_be_flexed_is_told():
    rig = fingers()
    with pytest.raises(WeightsError, match="solve the rig first"):
        flex(Rig(rig.mesh, rig.skeleton))
    with pytest.raises(RecipeError, match="did you mean 'linear'"):
        flex(rig, skin="liner")
    with pytest.raises(SkeletonError, match="moves 2 joints"):
        flex(rig, Clip("short", [0.0], np.tile(np.eye(4), (1, 2, 1, 1))))
    with pytest.raises(RecipeError, match="above 0"):
        Limits(girth=0)


def test_a_closed_piece_hands_over_without_an_open_end():
    """A box that two joints share evenly is its own zone, with no rim to put a cap on.

    Half-way between two rotations by θ apart everything across the axis shrinks by cos θ/2, from
    the mean of the two matrices.
    """
    box = boxes(1)
    rig = Rig(box, line(2, 1.0), Weights(np.full((len(box.vertices), 2), 0.5)))
    found = flex(rig, posed(rig, 1, (0, 0, 60)))
    assert found.shapes["stretch_min"][0, 1] == pytest.approx(np.cos(np.radians(30)), abs=1e-6)
    assert found.shapes["stretch_max"][0, 1] == pytest.approx(1, abs=1e-6)


def test_edges_of_faces_without_width_are_the_meshs_doing():
    rig = limb(lambda t: t, rings=13, around=6)
    mesh, weights = rig.mesh, rig.weights.dense()
    middle = int(np.abs(mesh.vertices[:, 0] - 3).argmin())
    face = mesh.faces[(mesh.faces == middle).any(axis=1)][0]
    beside = int(face[face != middle][0])
    # A vertex a thousandth of the way along one edge cuts both faces there in two.
    at = mesh.vertices[middle] + 1e-3 * (mesh.vertices[beside] - mesh.vertices[middle])
    cut = (mesh.faces == middle).any(axis=1) & (mesh.faces == beside).any(axis=1)
    near, far = mesh.faces[cut].copy(), mesh.faces[cut].copy()
    near[near == beside], far[far == middle] = len(mesh.vertices), len(mesh.vertices)
    faces = np.concatenate([mesh.faces[~cut], near, far])
    row = weights[[middle]] + [[-0.05, 0.05]]
    torn = Rig(
        Mesh(np.vstack([mesh.vertices, at]), faces),
        rig.skeleton,
        Weights(np.vstack([weights, row])),
    )
    kinds = {}
    for each in (rig, torn):
        found = flex(each, posed(each, 1, [0, 0, 90])).places
        kinds[each is torn] = {place.mesh for place in found if place.figure == "stretch"}
    assert kinds == {False: {""}, True: {"faces there have next to no width"}}


@pytest.mark.parametrize("skin", ["linear", "dual"])
@pytest.mark.parametrize("size", [0.0, -1.0])
def test_a_joint_that_is_scaled_away_or_mirrored_is_not_measured(size, skin):
    """Animations hide what is not held at the time so; the other frames are as they were."""
    rig = limb(lambda t: t, rings=31, around=12)
    bent = posed(rig, 1, [0, 60, 0]).local
    gone = bent.copy()
    gone[0, 1, :3, :3] *= size
    both = flex(rig, Clip("both", [0, 1], np.concatenate([bent, gone])), skin=skin)
    alone = flex(rig, Clip("alone", [0], bent), skin=skin)
    for name, values in both.figures.items():
        np.testing.assert_array_equal(values[0], alone.figures[name][0])
    assert np.isnan(both.figures["volume"][1]).all()

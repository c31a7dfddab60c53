from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import PLACES, X, difference, egg, random_weights, rig, skeleton

from autoweight import Mesh, Part, Rig, Weights
from autoweight.errors import GeometryError, RecipeError, WeightsError
from autoweight.recipes.recipe import ChainRule, Lock, Mirror, Recipe, Tidy, parse_recipe
from autoweight.stages.finishing import mirror_pass, tidy_pass
from autoweight.stages.solving import first_pass, solve
from autoweight.surface import prepare
from autoweight.weights.mirroring import evened, mirror, symmetry, unevenness
from autoweight.weights.tidying import quantise, tidy


def test_a_method_of_the_users_own():
    built = rig(*egg(2))
    found = solve(built, Recipe(method="contenders:legs")).dense()
    assert set(np.unique(found)) == {0, 0.5}


@pytest.mark.parametrize("name", ["broken", "narrow"])
def test_what_a_method_returns_is_checked(name):
    with pytest.raises(WeightsError, match=name):
        solve(rig(*egg(1)), Recipe(method=f"contenders:{name}"))


@pytest.mark.parametrize(
    ("plane", "said"), [("0,0,0,1,1,0", "choose the plane"), ("x=9", "move the plane")]
)
@pytest.mark.parametrize("act", [solve, first_pass])
def test_a_plane_that_does_not_fit_is_refused_before_a_method_runs(act, plane, said):
    recipe = Recipe(method="contenders:broken", mirror=Mirror(plane=plane))
    with pytest.raises(GeometryError, match=said):
        act(rig(*egg(2)), recipe)


def test_methods_differ_by_chain():
    built = rig(*egg(3))
    recipe = Recipe(method="inverse", chain=(ChainRule(("root",), method="nearest"),))
    found = solve(built, recipe).dense()
    near = solve(built, Recipe(method="nearest")).dense()
    smooth = solve(built, Recipe(method="inverse")).dense()
    root = near[:, 0] == 1
    assert root.any() and not root.all()
    # Where nearest gives all to the root, its claim of 1 stands beside what inverse left the rest.
    wanted = smooth * [0, 1, 1, 1, 1, 1]
    wanted[root, 0] = 1
    lacking = np.clip(1 - wanted.sum(axis=1), 0, None)
    wanted += lacking[:, None] * smooth
    wanted /= wanted.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(found, wanted, atol=1e-14)


def two_parts():
    vertices, faces = egg(2)
    count, many = len(vertices), len(faces)
    mesh = Mesh(
        np.vstack([vertices, vertices * 0.1 + [0, 1.2, 1]]),
        np.vstack([faces, faces + count]),
        (
            Part("body", slice(0, count), slice(0, many)),
            Part("eye", slice(count, 2 * count), slice(many, 2 * many)),
        ),
    )
    return Rig(mesh, rig(vertices, faces).skeleton), slice(count, None)


@pytest.mark.parametrize(("to", "joint"), [('to = "arm_l"', 1), ("", 3)])
def test_a_rigid_part_has_one_joint(to, joint):
    built, eye = two_parts()
    recipe = parse_recipe(f'[[rigid]]\nparts = ["eye"]\n{to}')
    solution = first_pass(built, recipe)
    assert np.array_equal(solution.weights.dense()[eye], np.tile(np.eye(6)[joint], (66, 1)))
    assert any("66 vertices" in line and "alone" in line for line in solution.decisions)


def test_each_rigid_part_goes_to_the_joint_that_has_most_of_it():
    vertices, faces = egg(1)
    count, many = len(vertices), len(faces)
    places = [[0, 0, 0], [3, 0, 0], [-3, 0, 0]]
    mesh = Mesh(
        np.vstack([vertices * 0.3 + place for place in places]),
        np.vstack([faces + count * number for number in range(3)]),
        tuple(
            Part(f"eye_{n}", slice(count * n, count * (n + 1)), slice(many * n, many * (n + 1)))
            for n in range(3)
        ),
    )
    built = Rig(mesh, rig(vertices, faces).skeleton)
    found = solve(built, parse_recipe('[[rigid]]\nparts = ["eye_*"]')).dense()
    assert found.argmax(axis=1).reshape(3, -1).tolist() == [[0] * 18, [1] * 18, [2] * 18]
    assert (found.max(axis=1) == 1).all()


def test_what_a_joint_moves_most_can_be_rigid():
    built, _ = two_parts()
    before = solve(built)
    mostly = np.isin(before.dominant, [1, 2])
    after = solve(built, parse_recipe('[[rigid]]\njoints = ["arm_*"]')).dense()
    assert np.array_equal(after[mostly], np.eye(6)[before.dominant[mostly]])
    assert np.array_equal(after[~mostly], before.dense()[~mostly])


@pytest.mark.parametrize("bits", [32, 16, 8])
@settings(max_examples=15)
@given(
    seed=st.integers(0, 2**32 - 1),
    most=st.integers(2, 6),
    keep=st.sampled_from(["positive", "negative", "mean"]),
)
def test_tidied_weights_are_equal_on_both_sides(bits, seed, most, keep):
    generator = np.random.default_rng(seed)
    vertices, faces = egg(2)
    # Few distinct values, so that caps and remainders meet ties.
    dense = generator.integers(0, 4, (len(vertices), 6)) + np.eye(6)[0]
    built = rig(vertices, faces, Weights(dense / dense.sum(axis=1, keepdims=True)))
    how = Tidy(max_influences=most, prune=0.02, bits=bits)
    even = mirror(built, X, keep)[0]
    tidied = quantise(tidy(even, how, mesh=built.mesh), bits)
    found = evened(tidied, symmetry(built, X), how, keep)
    assert found.influences.max() <= most
    if bits < 32:
        units = found.matrix.data * (2**bits - 1)
        assert np.array_equal(np.rint(units), units.round(9))
        # An odd number of units cannot be halved where no centre joint takes one.
        apart = unevenness(replace(built, weights=found), X)
        lone = found.dense()[:, [0, 3]].sum(axis=1) == 0
        assert apart[~lone].max() == 0 and apart.max() <= 2.001 / (2**bits - 1)
    else:
        assert difference(built, found) == 0.0
    np.testing.assert_allclose(found.dense().sum(axis=1), 1, atol=6e-7)


@pytest.mark.parametrize("method", ["heat", "bands", "volume"])
def test_a_first_pass_is_symmetric_capped_and_repeatable(method):
    vertices, faces = egg(3)
    recipe = Recipe(method=method, mirror=Mirror())
    bare = replace(rig(vertices, faces), weights=None)
    found = first_pass(bare, recipe)
    assert difference(bare, found.weights) == 0.0
    assert found.weights.influences.max() <= 4
    assert found.mirrored.symmetric and found.locks is None
    again = first_pass(bare, recipe).weights
    assert np.array_equal(again.matrix.data, found.weights.matrix.data)


@pytest.mark.parametrize("off", [0.0, 1e-6, 1e-5, 3e-5])
@pytest.mark.parametrize("method", ["auto", "heat", "bands", "volume"])
def test_what_is_nearly_even_and_beside_the_origin_comes_out_even(method, off):
    vertices, faces = egg(3)
    image = np.abs(vertices[:, None] - vertices * [-1, 1, 1]).sum(axis=2).argmin(axis=1)
    noise = np.random.default_rng(11)
    places = vertices + off * noise.uniform(-1, 1, vertices.shape) * np.ptp(vertices, axis=0).max()
    at = PLACES * [0.6, 1.2, 1] + 0.004 * noise.uniform(-1, 1, PLACES.shape)
    aside = [0.03, 0, 0]
    built = Rig(Mesh(places + aside, faces), skeleton(places=at + aside))
    found = solve(built, Recipe(method=method)).dense()
    np.testing.assert_allclose(found[image][:, [0, 2, 1, 3, 5, 4]], found, atol=1e-9)
    assert not np.allclose(found[:, 1], found[:, 4], atol=0.1)


def test_a_body_that_is_meant_to_be_uneven_keeps_what_it_has():
    vertices, faces = egg(3)
    dented = vertices.copy()
    dented[np.argmax(vertices[:, 0])] *= 1.1
    at = PLACES * [0.6, 1.2, 1] + [0.03, 0, 0]
    built = Rig(Mesh(dented, faces), skeleton(places=at))
    image = np.abs(vertices[:, None] - vertices * [-1, 1, 1]).sum(axis=2).argmin(axis=1)
    found = solve(built).dense()
    assert np.abs(found[image][:, [0, 2, 1, 3, 5, 4]] - found).max() > 0.01


def test_a_locked_area_survives_the_mirror_without_a_seam():
    vertices, faces = egg(4)
    built = rig(vertices, faces)
    base = solve(replace(built, weights=None))
    zone = (vertices[:, 0] < -0.3) & (vertices[:, 1] > 0.4)
    hand = base.dense().copy()
    hand[zone] = 0.7 * hand[zone] + 0.3 * np.eye(6)[3]
    built = replace(built, weights=Weights(hand))
    recipe = Recipe(mirror=Mirror(), lock=(Lock(vertices=tuple(np.flatnonzero(zone).tolist())),))
    found = solve(built, recipe).dense()
    assert np.array_equal(found[zone], hand[zone])
    edges = prepare(built.mesh).edges
    border = zone[edges[:, 0]] != zone[edges[:, 1]]
    steps = [np.abs(w[edges[:, 0]] - w[edges[:, 1]]).sum(axis=1)[border] for w in (hand, found)]
    assert steps[1].max() < 0.5 * steps[0].max()


def test_a_mirror_pass_leaves_the_kept_side_as_it_is():
    vertices, faces = egg(3)
    generator = np.random.default_rng(5)
    rough = random_weights(len(vertices), generator).dense().astype(np.float32)
    built = rig(vertices, faces, Weights(rough))  # sums are off by a rounding error
    how = Tidy(max_influences=int(built.weights.influences.max()), prune=0)
    found = mirror_pass(built, Recipe(mirror=Mirror(), tidy=how))
    kept = vertices[:, 0] > 0
    assert np.array_equal(found.weights.dense()[kept], built.weights.dense()[kept])
    assert difference(built, found.weights) == 0.0
    assert found.weights.influences.max() <= how.max_influences
    with pytest.raises(RecipeError, match="mirror"):
        mirror_pass(built, Recipe())
    with pytest.raises(WeightsError, match="solve the rig first"):
        mirror_pass(replace(built, weights=None), Recipe(mirror=Mirror()))


def test_a_tidy_pass_minds_the_locks_of_the_mesh():
    vertices, faces = egg(2)
    marks = np.zeros(len(vertices))
    marks[:20] = 1
    built = replace(rig(vertices, faces), attributes={"_LOCK": marks})
    found = tidy_pass(built, Recipe(tidy=Tidy(max_influences=1)))
    assert np.array_equal(found.weights.dense()[:20], built.weights.dense()[:20])
    assert found.weights.influences[20:].max() == 1
    assert found.decisions == ("locked: all weights of 20 vertices",)
    with pytest.raises(WeightsError, match="solve the rig first"):
        tidy_pass(replace(built, weights=None), Recipe())

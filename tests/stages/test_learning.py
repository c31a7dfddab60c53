"""Weights in the taste of finished rigs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bodies import skeleton, straight, tube
from kin import NAMES, cousin
from scipy.spatial.transform import Rotation

import autoweight
from autoweight.errors import FileError, RecipeError, SkeletonError, WeightsError
from autoweight.recipes.recipe import ChainRule, Lock, Mirror, Recipe, load_recipe
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.stages.league import Limits, league
from autoweight.stages.session import Session
from autoweight.stages.solving import first_pass
from autoweight.taste import following
from autoweight.taste.file import load_taste, save_taste
from autoweight.taste.kinship import counterparts
from autoweight.taste.traits import PLACE, TRAITS, turned
from autoweight.weights.comparing import compare


def bare(rig: Rig) -> Rig:
    return Rig(rig.mesh, rig.skeleton)


def apart(rig: Rig, weights: Weights) -> float:
    return compare(rig, weights).weights


@pytest.fixture(scope="module")
def kin() -> list[Rig]:
    return [cousin(2.0, 0.4), cousin(2.6, 0.45)]


@pytest.fixture(scope="module")
def taste(kin):
    return autoweight.learn(kin)


def test_the_next_of_a_kind_comes_out_in_its_taste(kin, taste):
    new = cousin(1.6, 0.35)
    plain, taught = first_pass(bare(new)), autoweight.like(bare(new), taste)
    assert apart(new, taught.weights) < 0.55 * apart(new, plain.weights)
    assert plain.confidence is None
    assert taught.confidence.shape == (len(new.mesh.vertices),)
    assert taught.confidence.min() >= 0 and taught.confidence.max() <= 1
    assert "taste of rig 1, rig 2" in taught.decisions[-1]


def test_a_unit_makes_no_difference(kin):
    new = cousin(1.6, 0.35)
    large = [cousin(2.0, 0.4, scale=100.0), cousin(2.6, 0.45, scale=100.0)]
    one, other = (autoweight.like(bare(new), each).weights.dense() for each in (kin, large))
    np.testing.assert_allclose(one, other, atol=1e-4)


def test_joints_of_other_names_are_found_by_build(taste):
    new = cousin(1.6, 0.35, names=("base", "upper.r", "lower.r", "upper.l", "lower.l"))
    plain, taught = first_pass(bare(new)), autoweight.like(bare(new), taste)
    assert apart(new, taught.weights) < 0.8 * apart(new, plain.weights)
    assert "0 of them by name" in taught.decisions[-1]


def test_a_joint_that_has_no_weight_in_them_gets_none(taste):
    new = cousin(1.6, 0.35)
    taught = autoweight.like(bare(new), taste)
    assert "root" in replace(new, weights=taught.weights).unused_joints
    assert any("no weight for root" in each for each in taught.decisions)


def test_both_sides_come_out_alike(taste):
    new = cousin(1.6, 0.35)
    dense = autoweight.like(bare(new), taste).weights.dense()
    half = len(dense) // 2
    np.testing.assert_allclose(dense[:half], dense[half:][:, [0, 3, 4, 1, 2]], atol=1e-6)
    recipe = Recipe(mirror=Mirror("z"))
    dense = autoweight.like(bare(new), taste, recipe).weights.dense()
    assert (dense[:half] == dense[half:][:, [0, 3, 4, 1, 2]]).all()


def test_nothing_crosses_the_air(taste):
    new = cousin(1.6, 0.35)
    dense = autoweight.like(bare(new), taste).weights.dense()
    half = len(dense) // 2
    assert (dense[:half, 3:] == 0).all() and (dense[half:, 1:3] == 0).all()


def test_two_runs_are_alike_and_so_is_a_session(taste):
    new = bare(cousin(1.6, 0.35))
    first, second = (autoweight.like(new, taste).weights.matrix for _ in range(2))
    assert first.data.tobytes() == second.data.tobytes()
    assert first.indices.tobytes() == second.indices.tobytes()


def test_what_is_locked_stays(taste):
    new = cousin(1.6, 0.35)
    locked = tuple(range(0, 60, 2))
    taught = autoweight.like(new, taste, Recipe(lock=(Lock(vertices=locked),)))
    kept = new.weights.matrix[list(locked)]
    assert (taught.weights.matrix[list(locked)] != kept).nnz == 0


def test_a_chain_with_a_rule_of_its_own_follows_that(taste):
    new = bare(cousin(1.6, 0.35))
    rule = Recipe(chain=(ChainRule(("*_L", "*_R"), method="nearest"),))
    taught = autoweight.like(new, taste, rule)
    plain = first_pass(new, replace(rule, skip=("root",)))
    np.testing.assert_array_equal(taught.weights.dense(), plain.weights.dense())


def test_strangers_teach_nothing(taste):
    mesh, _ = tube(straight, 6.0, 0.4, 61, 24)
    new = Rig(mesh, skeleton([(x, 0, 0) for x in (0.0, 1.5, 3.0, 4.5)]))
    try:
        taught = autoweight.like(new, taste)
    except SkeletonError as error:
        assert "none of the 4 joints" in str(error)
    else:
        gap = abs(taught.weights.matrix - first_pass(new).weights.matrix).sum(axis=1)
        assert gap.mean() < 0.03


def test_a_taste_in_a_file_says_the_same(taste, tmp_path):
    save_taste(taste, tmp_path / "taste.npz")
    again = load_taste(tmp_path / "taste.npz")
    new = bare(cousin(1.6, 0.35))
    one, other = (autoweight.like(new, each).weights.matrix for each in (taste, again))
    assert (one != other).nnz == 0
    assert again.lessons[0].digest == taste.lessons[0].digest
    assert again.lessons[0].build.words == ("root", "thigh", "shin", "thigh", "shin")


@pytest.mark.parametrize("harm", ["cut", "pickle", "version", "joint", "other"])
def test_a_damaged_taste_is_refused(taste, tmp_path, harm):
    path = tmp_path / "taste.npz"
    save_taste(taste, path)
    arrays = dict(np.load(path))
    if harm == "cut":
        path.write_bytes(path.read_bytes()[:2000])
    elif harm == "pickle":
        np.savez(path, **{**arrays, "0_words": np.array([{}], dtype=object)})
    elif harm == "version":
        np.savez(path, **{**arrays, "autoweight_taste": np.array(0)})
    elif harm == "joint":
        np.savez(path, **{**arrays, "0_of_joint": arrays["0_of_joint"] + np.int16(99)})
    else:
        np.savez(path, a=np.zeros(3))
    with pytest.raises(FileError, match=str(path)):
        load_taste(path)


def test_a_recipe_names_finished_rigs_beside_it(kin, tmp_path):
    for number, rig in enumerate(kin):
        autoweight.save(rig, tmp_path / f"kin{number}.glb")
    text = 'like = ["kin0.glb", "kin1.glb"]'
    (tmp_path / "recipe.toml").write_text(text)
    recipe = load_recipe(tmp_path / "recipe.toml")
    new = bare(cousin(1.6, 0.35))
    session = Session(new)
    named = session.first_pass(recipe)
    assert "taste of kin0, kin1" in named.decisions[-1]
    assert (named.weights.matrix != first_pass(new, recipe).weights.matrix).nnz == 0


def test_what_cannot_be_learned_from_is_said(kin, tmp_path):
    new = bare(cousin(1.6, 0.35))
    with pytest.raises(WeightsError, match="no finished rig"):
        autoweight.like(new, [])
    with pytest.raises(WeightsError, match="rig 1: has no weights to learn from"):
        autoweight.like(new, [bare(kin[0])])
    with pytest.raises(FileError, match=r"gone\.glb"):
        autoweight.learn([tmp_path / "gone.glb"])
    with pytest.raises(RecipeError, match="no finished rig"):
        first_pass(new, Recipe(like=()))


def laid(rig: Rig, turn: np.ndarray) -> Rig:
    """The rig turned as a whole."""
    rest = rig.skeleton.rest.copy()
    rest[:, :3] = turn @ rest[:, :3]
    mesh = Mesh(rig.mesh.vertices @ turn.T, rig.mesh.faces)
    return Rig(mesh, Skeleton(NAMES, rig.skeleton.parents, rest), rig.weights)


def test_another_axis_up_is_refused(kin):
    turn = Rotation.from_euler("z", 90, degrees=True).as_matrix()
    with pytest.raises(SkeletonError, match="same axis up"):
        autoweight.like(bare(cousin(1.6, 0.35)), [laid(kin[0], turn)])


def test_a_rig_that_lies_otherwise_has_the_same_counterparts(kin):
    turn = Rotation.from_euler("yx", (90, 50), degrees=True).as_matrix()
    old, new = (autoweight.learn([each]).lessons[0].build for each in (kin[0], laid(kin[1], turn)))
    found = counterparts(new, old)
    np.testing.assert_allclose(found.turn, turn, atol=1e-6)
    assert found.trust.max() == pytest.approx(1.0)


def test_a_rig_that_lies_otherwise_teaches_the_same(kin):
    turn = Rotation.from_euler("yx", (90, 50), degrees=True).as_matrix()
    new = bare(cousin(2.3, 0.42))
    as_it_is, lying = (
        autoweight.like(new, rigs).weights for rigs in (kin, [laid(each, turn) for each in kin])
    )
    untaught = autoweight.solve(new).dense()
    off, taught = (
        np.abs(as_it_is.dense() - each).sum(axis=1).mean() for each in (lying.dense(), untaught)
    )
    assert off < 0.1 * taught


def test_directions_turn_with_the_whole_rig():
    whole = Rotation.from_euler("xyz", (20, 130, 70), degrees=True)
    way = np.array([[0.6, 0.0, 0.8]])
    directions = np.random.default_rng(3).normal(size=(5, 3))
    given = np.zeros((5, len(TRAITS)), dtype=np.float32)
    given[:, PLACE] = directions
    found = turned(given, way, whole.apply(way), np.zeros(5, dtype=int), whole.as_matrix())
    np.testing.assert_allclose(found[:, PLACE], whole.apply(directions), atol=1e-3)


def test_one_rig_alone_is_followed_half_way_and_further_where_it_is_near():
    new = bare(cousin(2.3, 0.42))
    near, beside = (
        autoweight.like(new, [cousin(2.3, radius)]).confidence for radius in (0.42, 0.8)
    )
    assert near.min() > 0.9
    assert 0.5 < beside.mean() < 0.65


def test_one_rig_alone_that_overthrows_the_default_from_afar_is_not_followed():
    new, modest, bold = cousin(2.3, 0.42), cousin(2.3, 0.9, below=0.1), cousin(2.3, 0.9, below=0.9)
    assert autoweight.like(bare(new), [modest]).confidence.max() > 0.3
    unheeded = autoweight.like(bare(new), [bold])
    assert unheeded.confidence.max() == 0
    assert "near enough to be followed" in unheeded.decisions[-1]


def test_a_near_twin_is_believed_before_the_others():
    others = [cousin(1.9, 0.4), cousin(2.4, 0.45)]
    twin, new = (cousin(length, 0.4, below=0.7) for length in (2.06, 2.05))
    without, beside = (autoweight.like(bare(new), each) for each in (others, [*others, twin]))
    assert apart(new, beside.weights) < 0.1 * apart(new, without.weights)


def test_of_many_samples_the_trees_learn_from_a_part(taste, monkeypatch):
    monkeypatch.setattr(following, "LEARNED", sum(len(each.joint) for each in taste.lessons) // 4)
    new = cousin(1.6, 0.35)
    taught = autoweight.like(bare(new), taste)
    assert apart(new, taught.weights) < 0.55 * apart(new, first_pass(bare(new)).weights)


def test_who_shares_little_is_not_asked(taste):
    old, new = (each.build for each in taste.lessons)
    whole, part = (counterparts(new, replace(old, held=share * old.held)) for share in (1.0, 0.3))
    assert whole.share == pytest.approx(1.0)
    assert whole.trust.max() == 1.0
    assert part.trust.max() == 0.0


def test_bench_weights_each_in_the_taste_of_the_others(tmp_path):
    for number, size in enumerate((1.6, 2.0, 2.6)):
        autoweight.save(cousin(size, 0.4), tmp_path / f"kin{number}.glb")
    rigs = [str(path) for path in sorted(tmp_path.glob("*.glb"))]
    plain, like = (
        league(rigs[:1], ["heat"], Limits(repeats=1)),
        league(rigs, ["like"], Limits(repeats=1)),
    )
    assert like[0].measures.l1 < 0.6 * plain[0].measures.l1
    with pytest.raises(RecipeError, match="two at least"):
        league(rigs[:1], ["like"])


def test_the_rig_itself_may_be_among_them(kin):
    taught = autoweight.like(kin[0], kin)
    assert any("very rig" in each for each in taught.decisions)
    assert apart(kin[0], taught.weights) < 0.5 * apart(kin[0], first_pass(bare(kin[0])).weights)

"""Where the middle of a body is."""

from dataclasses import replace

import numpy as np
import pytest
from twins import PLACES, X, egg, rig, skeleton

from autoweight.recipes.recipe import Mirror, Recipe, Tidy
from autoweight.stages.finishing import mirror_pass
from autoweight.surface import prepare
from autoweight.weights.middle import middle
from autoweight.weights.mirroring import unevenness


def beside(aside, vertices):
    """An egg and its joints so far beside the origin."""
    return rig(vertices + [aside, 0, 0], FACES, skeleton=skeleton(places=PLACES + [aside, 0, 0]))


EGG, FACES = egg(4)
SIZE = float(np.linalg.norm(np.ptp(EGG, axis=0)))


@pytest.mark.parametrize("share", [3.5e-4, 1e-3, 0.01, -0.01, 0.3])
def test_a_body_beside_the_origin_has_its_own_middle(share):
    built = beside(share * SIZE, EGG)
    found = middle(prepare(built.mesh), built.skeleton, X)
    assert found.point[0] == pytest.approx(share * SIZE, abs=1e-9)
    np.testing.assert_array_equal(found.normal, X.normal)


def test_a_lump_on_one_side_does_not_move_it():
    lump = EGG.copy()
    lump[EGG[:, 0] > 0.9] *= 1.3
    built = beside(0.004 * SIZE, lump)
    found = middle(prepare(built.mesh), built.skeleton, X)
    assert found.point[0] == pytest.approx(0.004 * SIZE, abs=1e-9)


def test_what_is_even_about_the_origin_or_nowhere_has_its_middle_there():
    built = beside(0.0, EGG)
    assert middle(prepare(built.mesh), built.skeleton, X) is X
    noise = np.random.default_rng(2).uniform(-0.02, 0.02, EGG.shape)
    built = beside(0.01, EGG + noise)
    assert middle(prepare(built.mesh), built.skeleton, X).point[0] == pytest.approx(0, abs=0.03)


@pytest.mark.parametrize("keep", ["positive", "negative", "mean"])
def test_a_mirror_across_an_axis_is_across_the_body_and_says_so(keep):
    built = beside(0.004 * SIZE, EGG)
    how = Tidy(max_influences=6, prune=0)
    done = mirror_pass(built, Recipe(mirror=Mirror(keep=keep), tidy=how))
    assert "beside the origin, 0.004 of its size" in done.decisions[0]
    image = (EGG * [-1, 1, 1])[:, None]
    partner = np.concatenate(
        [np.abs(part - EGG).sum(axis=2).argmin(axis=1) for part in np.array_split(image, 8)]
    )
    dense = done.weights.dense()
    np.testing.assert_array_equal(dense[partner][:, [0, 2, 1, 3, 5, 4]], dense)
    where = Mirror(plane="x=0", keep=keep)
    told = mirror_pass(built, Recipe(mirror=where))
    assert "beside" not in " ".join(told.decisions)
    assert told.mirrored.by_position < done.mirrored.by_position


def test_an_unmoved_body_is_mirrored_without_a_word():
    built = beside(0.0, EGG)
    done = mirror_pass(built, Recipe(mirror=Mirror(), tidy=Tidy(max_influences=6, prune=0)))
    assert "beside" not in " ".join(done.decisions)
    assert np.nanmax(unevenness(built, X)) > 0
    assert np.nanmax(unevenness(replace(built, weights=done.weights), X)) < 2e-6

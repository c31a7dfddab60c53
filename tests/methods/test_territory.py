"""Who owns a place that is as far from several bones: symmetric in, symmetric out."""

import numpy as np
import pytest
import twins
from bodies import coarse, straight, tube
from bodies import skeleton as joints

from autoweight.demo import axolotl
from autoweight.methods import find
from autoweight.rig import Mesh, Skeleton

NAMES = ["root", "hip", "leg_l", "foot_l", "leg_r", "foot_r", "spine", "arm_l", "arm_r"]
PARENTS = [-1, 0, 1, 2, 1, 4, 0, 6, 6]
PLACES = np.array(
    [
        (0, 0.5, 0), (0, 0.1, 0), (0.35, 0, 0), (0.35, -1.3, 0.1), (-0.35, 0, 0),
        (-0.35, -1.3, 0.1), (0, 1.2, 0), (0.5, 1, 0), (-0.5, 1, 0),
    ]
)  # fmt: skip
ORDERS = (range(9), (0, 1, 4, 5, 2, 3, 6, 8, 7), (0, 6, 8, 7, 1, 4, 2, 5, 3))


def body(order=range(9), shuffled=False):
    """An egg with a pair of legs and arms, skin in the plane between them; joints in some order."""
    vertices, faces = twins.egg(3)
    if shuffled:
        mixed = np.random.default_rng(1).permutation(len(vertices))
        vertices, faces = vertices[mixed], np.argsort(mixed)[faces]
    order = list(order)
    rest = np.tile(np.eye(4), (len(order), 1, 1))
    rest[:, :3, 3] = PLACES[order]
    parents = [-1 if PARENTS[each] < 0 else order.index(PARENTS[each]) for each in order]
    return Mesh(vertices, faces), Skeleton(tuple(NAMES[each] for each in order), parents, rest)


def solved(method, mesh, skeleton):
    """Weights of the mesh's vertices; a grid of few cells is as uneven as one of many."""
    given = coarse(mesh, skeleton)
    return find(method)(given).toarray()[given.surface.weld]


@pytest.mark.parametrize("method", ["bands", "volume"])
def test_the_mirror_image_of_a_body_has_the_mirror_image_of_its_weights(method):
    found = {}
    for order, shuffled in zip(ORDERS, (False, True, True), strict=True):
        mesh, skeleton = body(order, shuffled)
        weights = solved(method, mesh, skeleton)[:, [skeleton.names.index(n) for n in NAMES]]
        image = np.lexsort((mesh.vertices * [-1, 1, 1]).round(9).T)
        here = np.lexsort(mesh.vertices.round(9).T)
        flipped = weights[:, [0, 1, 4, 5, 2, 3, 6, 8, 7]]
        np.testing.assert_allclose(weights[here], flipped[image], rtol=0, atol=1e-12)
        found[order] = weights[here]
    first, *others = found.values()
    for other in others:
        np.testing.assert_allclose(other, first, rtol=0, atol=1e-12)


@pytest.mark.parametrize("method", ["bands", "volume"])
def test_skin_between_two_legs_is_what_they_hang_from(method):
    mesh, skeleton = body()
    between = (mesh.vertices[:, 0] == 0) & (mesh.vertices[:, 1] < -0.5)
    assert between.sum() > 5
    weights = solved(method, mesh, skeleton)[between]
    np.testing.assert_allclose(weights[:, [0, 1]].sum(axis=1), 1, atol=1e-12)


def test_two_trees_share_what_is_between_them():
    mesh, skeleton = body()
    legs = Skeleton(skeleton.names[2:6], [-1, 0, -1, 2], skeleton.rest[2:6])
    weights = solved("bands", mesh, legs)
    between = mesh.vertices[:, 0] == 0
    np.testing.assert_allclose(weights[between, :2].sum(axis=1), 0.5, atol=1e-12)


@pytest.mark.parametrize("method", ["bands", "volume"])
@pytest.mark.parametrize("along", [(1, 1, 3), (1, 1, 5), (1, 1, 1, 5), (3, 3, 3)])
def test_roots_in_one_place_have_as_much(method, along):
    # As where each leaf of a crown, or each part of a machine, hangs from nothing.
    mesh, _ = tube(straight, 6, 0.3, 13, 6)
    weights = solved(method, mesh, joints([(x, 0, 0) for x in along], [-1] * len(along)))
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    first = np.array(along) == along[0]
    np.testing.assert_allclose(weights[:, first], weights[:, :1] * np.ones(first.sum()), atol=1e-12)
    near, far = weights[-2:][:, first].sum(axis=1)  # at the ends of the tube
    assert near > 0.9 and (far < 0.1 or first.all())


def test_the_axolotl_is_even():
    rig = axolotl(0.75)
    names = list(rig.skeleton.names)
    other = {"L": "R", "R": "L"}
    swap = [
        names.index("_".join(other.get(word, word) for word in name.split("_"))) for name in names
    ]
    weights = solved("bands", rig.mesh, rig.skeleton)
    at = rig.mesh.vertices
    here, image = np.lexsort(at.round(9).T), np.lexsort((at * [-1, 1, 1]).round(9).T)
    apart = np.abs(weights[here] - weights[image][:, swap])
    assert apart.max() < 1e-12

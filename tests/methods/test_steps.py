"""Hand-overs that cross: eased to a fifth above the profile, and no farther than need be."""

import numpy as np
from bodies import straight, tube
from scipy import sparse

from autoweight.methods.steps import Share, eased, sheer, steepest
from autoweight.recipes.profiles import Falloff, curve
from autoweight.surface import prepare


def crossed(length=3.0):
    """Two smooth hand-overs of a unit's length at one place of a tube, and the steps of each."""
    mesh, s = tube(straight, length, 0.2, 181, 8)
    surface = prepare(mesh)
    s = s[surface.speakers]
    one = curve("smooth", s - 0.8)
    weights = np.column_stack([one**2, one - one**2, 1 - one])
    return surface, s, sparse.csr_array(weights)


def share(rows, joint=0):
    return Share(np.array([joint]), rows, np.full((len(rows), 1), np.nan))


def slope(surface, weights):
    first, second = surface.edges.T
    length = np.linalg.norm(surface.vertices[first] - surface.vertices[second], axis=1)
    return (abs(weights[first] - weights[second]).max(axis=1).toarray().ravel() / length).max()


def test_a_product_of_hand_overs_is_no_steeper_than_a_fifth_above_one():
    surface, s, weights = crossed()
    everywhere = np.arange(len(surface))
    # The square of 3t^2 - 2t^3 climbs by 1.98 at most, 1.32 times as fast as itself.
    assert 1.3 < slope(surface, weights) / 1.5 < 1.33
    found = eased(surface, weights, np.full(3, 1.5), [share(everywhere, each) for each in range(3)])
    assert slope(surface, found) < 1.2 * 1.5
    np.testing.assert_allclose(found.sum(axis=1), 1, atol=1e-12)
    assert abs(found - weights).max() < 0.05
    far = (s < 0.5) | (s > 2.2)
    assert abs(found[far] - weights[far]).max() == 0


def test_no_vertex_gets_a_joint_that_it_is_not_round():
    surface, s, weights = crossed()
    rows = np.flatnonzero(s < 1.5)
    bare = weights.toarray()
    bare[s >= 1.5, 0] = 0
    bare = sparse.csr_array(bare / bare.sum(axis=1, keepdims=True))
    found = eased(surface, bare, np.full(3, 1.5), [share(rows)])
    assert found[s >= 1.5][:, [0]].nnz == 0


def test_what_is_steep_by_intent_stays():
    surface, _, weights = crossed()
    own = Share(np.arange(3), np.arange(len(surface)), weights.toarray())
    assert (eased(surface, weights, np.full(3, 1.5), [own]) != weights).nnz == 0


def test_slopes_are_those_of_the_curves():
    # 1.5 for Hermite's cubic, 1.875 for Perlin's quintic: their derivatives in the middle.
    spans = np.array([1.0, 2.0])
    found = steepest(Falloff("smooth", centre=0.5), np.array([0, 1.0, 3.0]), False, spans)
    np.testing.assert_allclose(found, 1.5 / spans, rtol=5e-3)
    np.testing.assert_allclose(sheer("smoother", 0.5), 1.875 / 0.5, rtol=5e-3)
    np.testing.assert_allclose(sheer("linear", 4.0), 0.25)

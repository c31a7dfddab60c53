import numpy as np
import pytest
from bodies import capsules, skeleton, straight, tube

from autoweight import Rig
from autoweight.errors import RecipeError
from autoweight.stages.masking import Stretch, Wave, along_chain, chain_between, mask, stretch


def branched():
    """A spine of five joints along x with a limb of two at the third."""
    return skeleton(
        [[0, 0, 0], [1, 0, 0], [2, 0, 0], [3, 0, 0], [4, 0, 0], [2, 1, 0], [2, 2, 0]],
        [-1, 0, 1, 2, 3, 2, 5],
    )


def test_a_mask_is_full_along_its_stretch_and_exactly_0_at_its_ends():
    where = Stretch(full=(2, 3), zero=(1, 5))
    along = np.array([0, 1, 1.5, 2, 2.5, 3, 4, 5, 9])
    # Smoothstep at one half and at one half of the longer side.
    assert mask(along, where).tolist() == [0, 0, 0.5, 1, 1, 1, 0.5, 0, 0]


def test_an_end_that_is_not_named_stays_full():
    assert mask([-9, 0, 3.5], Stretch(full=(0, 3), zero=(-np.inf, 4))).tolist() == [1, 1, 0.5]


def test_the_shape_is_a_profile():
    # Perlin, Improving Noise, SIGGRAPH 2002: 6t^5 - 15t^4 + 10t^3 is 0.103516 at 1/4.
    where = Stretch(full=(4, 9), zero=(0, np.inf), shape="smoother")
    assert mask([1.0], where)[0] == pytest.approx(0.103516, abs=1e-6)


def test_a_stretch_out_of_order_is_refused():
    with pytest.raises(RecipeError, match="in order"):
        Stretch(full=(2, 1))


def test_a_chain_goes_up_and_down_where_it_must():
    assert chain_between(branched(), "joint 1", "joint 4").joints == (1, 2, 3, 4)
    assert chain_between(branched(), "joint 4", "joint 6").joints == (4, 3, 2, 5, 6)


def test_a_stretch_between_joints():
    bones = branched()
    chain = chain_between(bones, "joint 0", "joint 4")
    where = stretch(bones, chain, ("joint 2", "joint 3"), ["joint 1"])
    assert (where.full, where.zero) == ((2, 3), (1, np.inf))
    for wrong in (["joint 2"], ["joint 0", "joint 1"], ["joint 6"]):
        with pytest.raises(RecipeError, match=wrong[-1]):
            stretch(bones, chain, ("joint 2", "joint 3"), wrong)


def test_distance_along_a_tube_is_its_length():
    mesh, places = tube(straight, 4, 0.3, 81, 24)
    rig = Rig(mesh, skeleton([[x, 0, 0] for x in range(5)]))
    along = along_chain(rig, chain_between(rig.skeleton, "joint 0", "joint 4"))
    assert np.abs(along - places).max() < 0.01 * 4


def test_a_limb_is_as_far_along_as_its_shoulder():
    mesh = capsules([[0, 0, 0], [2, 0, 0]], [[4, 0, 0], [2, 2, 0]], [0.4, 0.2], 0.08)
    rig = Rig(mesh, branched())
    along = along_chain(rig, chain_between(rig.skeleton, "joint 0", "joint 4"))
    limb = mesh.vertices[:, 1] > 1.0  # outside the hand-over from body to limb
    assert np.abs(along[limb] - 2).max() < 0.05
    assert along[mesh.vertices[:, 1] > 1.5] == pytest.approx(2.0, abs=1e-9)


def test_a_wave_is_exactly_still_where_its_mask_is_0():
    along = np.linspace(0, 4, 41)
    values = mask(along, Stretch(full=(2, 3), zero=(1, np.inf)))
    moved = Wave(0.5, 2, (0, 2, 0), phase=90).displacement(along, values)
    assert (moved[along <= 1] == 0).all()
    # At 3, one and a half waves along: sin(3π + π/2) = -1.
    assert moved[30] == pytest.approx([0, -0.5, 0])


def test_two_waves_a_quarter_apart_travel():
    along = np.linspace(0, 4, 41)
    full = np.ones(41)
    sine, cosine = (Wave(1, 2, (0, 1, 0), phase).displacement(along, full) for phase in (0, 90))
    turn = np.radians(35)
    assert np.cos(turn) * sine + np.sin(turn) * cosine == pytest.approx(
        Wave(1, 2, (0, 1, 0), 35).displacement(along, full)
    )

"""Falloff curves and bands against their closed forms."""

import numpy as np
import pytest

from autoweight.errors import RecipeError
from autoweight.recipes.profiles import SHAPES, End, Falloff, Row, Side, curve

LINE = np.arange(5.0)


def test_smooth_is_the_hermite_cubic():
    # 3t^2 - 2t^3 at 1/4 is 5/32.
    assert curve("smooth", 0.25) == pytest.approx(1 - 0.15625, abs=1e-15)


def test_smoother_is_perlins_quintic():
    # 6t^5 - 15t^4 + 10t^3, Perlin, "Improving Noise", SIGGRAPH 2002; at 1/4 it is 53/512.
    assert curve("smoother", 0.25) == pytest.approx(1 - 53 / 512, abs=1e-15)


def test_gaussian_is_a_bell_that_ends_at_zero():
    t = np.linspace(0, 1, 9)
    bell = np.exp(-0.5 * (3 * t) ** 2)
    assert curve("gaussian", t) == pytest.approx((bell - bell[-1]) / (1 - bell[-1]), abs=1e-15)


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_every_curve_falls_from_one_to_zero(shape):
    value = curve(shape, np.linspace(0, 1, 101))
    assert value[0] == 1 and value[-1] == pytest.approx(0, abs=1e-15)
    assert (np.diff(value) <= 1e-15).all()


def test_points_are_met_and_never_overshot():
    points = ((0, 1), (0.3, 0.9), (0.5, 0.1), (1, 0))
    t, value = np.array(points).T
    assert curve(points, t) == pytest.approx(value, abs=1e-15)
    assert (np.diff(curve(points, np.linspace(0, 1, 201))) <= 1e-15).all()


@pytest.mark.parametrize("shape", ["linear", "smooth", "smoother"])
def test_a_band_of_one_spacing_is_the_curve_itself(shape):
    along = np.linspace(0, 4, 81)
    expected = np.column_stack([curve(shape, np.abs(along - joint)) for joint in LINE])
    assert Falloff(shape).weights(along, LINE) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize(
    "falloff",
    [
        Falloff("gaussian", reach=2.5),
        Falloff(reach=0.3),
        Falloff(hold=0.2, toward_child=Side(reach=1.7), start=End(reach=0.8)),
        Falloff(centre=0.5, end=End(weight=0.25)),
        Falloff(reach=0.7, hold=0.1, units="scene"),
        Falloff(((0, 1), (0.2, 0.3), (1, 0))),
    ],
)
@pytest.mark.parametrize("hangs", [False, True])
def test_weights_sum_to_one(falloff, hangs):
    along = np.linspace(-2, 7, 400)
    found = falloff.weights(along, np.array([0, 1, 1.5, 3, 5.0]), hangs=hangs)
    assert (found >= 0).all()
    sums = found.sum(axis=1)
    if hangs:
        assert (sums <= 1 + 1e-12).all()
        sums = sums[along >= 1.5]  # as far as the band of the joint it hangs from can reach
    assert sums == pytest.approx(1)


def test_hold_is_a_plateau():
    found = Falloff(hold=0.25).weights([0.7, 0.75, 1, 1.25, 1.3], LINE)[:, 1]
    assert (found[1:4] > 0.999).sum() == 1  # its neighbour's reach still overlaps it
    found = Falloff(reach=0.75, hold=0.25).weights([0.7, 0.75, 1, 1.25, 1.3], LINE)[:, 1]
    assert found[1:4] == pytest.approx(1) and (found[[0, 4]] < 1).all()


def test_sides_differ():
    falloff = Falloff("linear", toward_parent=Side(reach=0.75), toward_child=Side(reach=0.75))
    assert falloff.weights([1.1], LINE)[0, 1] == pytest.approx(1)
    lopsided = Falloff("linear", toward_child=Side(reach=0.5))
    # Between 1 and 2 the child's band, which reaches a whole spacing back, meets half a one.
    assert lopsided.weights([1.25], LINE)[0, 1:3] == pytest.approx([0.5 / 0.75, 0.25 / 0.75])


def test_scene_units_are_lengths_along_the_chain():
    stations = np.array([0, 2, 3, 7.0])
    found = Falloff("linear", reach=1.0, units="scene").weights([1.25, 1.5, 1.75], stations)
    # Toward joint 2 a reach of 1 is one whole spacing; from joint 2 back toward 1 likewise.
    assert found[:, 1] == pytest.approx([0.75, 0.5, 0.25])


def test_centre_of_a_half_puts_the_hand_over_on_the_joint():
    found = Falloff(centre=0.5).weights([2.0, 2.5], LINE)
    assert found[0, 1:3] == pytest.approx([0.5, 0.5])
    assert found[1, 2] == pytest.approx(1)


def test_a_chain_that_hangs_leaves_the_rest_to_its_joint():
    found = Falloff("linear").weights([-1, -0.75, 0, 0.5], np.arange(-1, 3.0), hangs=True)
    assert found[:, 0] == pytest.approx([0, 0.25, 1, 0.5])
    assert found.sum(axis=1) == pytest.approx([0, 0.25, 1, 1])


def test_ends_keep_a_share_of_their_band():
    found = Falloff(start=End(weight=0.75), end=End(weight=0.5)).weights([0, 4], LINE)
    assert found[0] == pytest.approx([0.75, 0.25, 0, 0, 0])
    assert found[1] == pytest.approx([0, 0, 0, 0.5, 0.5])


def test_rows_are_met_exactly():
    rows = (Row(0, (1, 0, 0)), Row(0.8, (0.25, 0.5, 0.25)), Row(2, (0, 0.1, 0.9)))
    falloff = Falloff("smoother", rows=rows)
    found = falloff.weights([row.at for row in rows], [0, 1, 2.0])
    assert (found == [row.weights for row in rows]).all()
    assert falloff.weights(np.linspace(-1, 3, 50), [0, 1, 2.0]).sum(axis=1) == pytest.approx(1)


def test_rows_below_one_leave_the_rest_to_the_joint_the_chain_hangs_from():
    rows = (Row(0, (0.5, 0)), Row(1, (0, 1)))
    found = Falloff(rows=rows).weights([-1, 0, 1, 2], [0, 1, 2.0], hangs=True)
    assert found.sum(axis=1) == pytest.approx([0, 0.5, 1, 1])


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: Falloff("smoth"), "did you mean 'smooth'"),
        (lambda: Falloff(units="metres"), "there are spacing, scene"),
        (lambda: Falloff(hold=1.0), "leaves no room"),
        (lambda: Falloff(toward_child=Side(hold=2.0)), "leaves no room"),
        (lambda: Falloff(reach=-1), "need 0 or more"),
        (lambda: Falloff(reach="far"), "need a number"),
        (lambda: Falloff(centre=2), "need 0 to 1"),
        (lambda: End(weight=1.5), "need 0 to 1"),
        (lambda: Falloff(((0, 1), (0.5, 0.5))), "end at"),
        (lambda: Falloff(((0, 1), (0, 0))), "ascending"),
        (lambda: Falloff(((0, 1, 2), (1, 0, 2))), "give a name or points"),
        (lambda: Row(0, (0.9, 0.2)), "sums to 1.1"),
        (lambda: Falloff(rows=(Row(1, (1,)), Row(0, (1,)))), "not in order"),
        (lambda: Falloff(rows=(Row(0, (1,)),)).weights([0], LINE), "5 joints"),
        (lambda: Falloff(rows=(Row(0, (0.5,)),)).weights([0], [0.0]), "hangs from no joint"),
    ],
)
def test_what_cannot_be_is_an_error(build, message):
    with pytest.raises(RecipeError, match=message):
        build()

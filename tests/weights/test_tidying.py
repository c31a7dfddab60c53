from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import sparse
from tori import torus

from autoweight import Mesh, Recipe, Rig, Skeleton, Tidy, Weights, tidy
from autoweight.errors import RecipeError, WeightsError
from autoweight.stages.finishing import finished
from autoweight.surface import prepare
from autoweight.weights.strays import unwanted
from autoweight.weights.tidying import CHUNK, TIE, quantise


@st.composite
def weights(draw, rows=8, joints=9):
    values = draw(
        arrays(
            float,
            (rows, joints),
            elements=st.one_of(st.just(0.0), st.just(1.0), st.floats(1e-4, 1.0)),
        )
    )
    values[values.sum(axis=1) == 0, 0] = 1.0
    return Weights(values / values.sum(axis=1, keepdims=True))


def slow_tidy(row, most, prune):
    """The definition, one weight at a time."""
    order = sorted(range(len(row)), key=lambda joint: (-row[joint], joint))
    kept, rest = order[:most], order[most:]
    if rest:
        # Of equals that the cap parts none stays, unless there is nothing else.
        larger = [joint for joint in kept if row[joint] > row[rest[0]] * (1 + TIE)]
        tied = [joint for joint in range(len(row)) if row[joint] >= row[kept[-1]] * (1 - TIE)]
        kept = larger or tied[:most]
    total = sum(row[joint] for joint in kept)
    found = {joint: row[joint] / total for joint in kept if row[joint] > 0}
    top = max(found.values())
    found = {joint: value for joint, value in found.items() if value >= prune or value == top}
    return [found.get(joint, 0.0) / sum(found.values()) for joint in range(len(row))]


def slow_quantise(row, whole):
    """Largest remainder in exact arithmetic."""
    exact = [Fraction(float(value)) for value in row]
    exact = [value * whole / sum(exact) for value in exact]
    units = [value.numerator // value.denominator for value in exact]
    order = sorted(range(len(row)), key=lambda joint: (units[joint] - exact[joint], joint))
    for joint in order[: whole - sum(units)]:
        units[joint] += 1
    return units


def grid(count):
    """A flat square of count² vertices."""
    across, down = np.meshgrid(np.linspace(0, 1, count), np.linspace(0, 1, count))
    number = np.arange(count**2).reshape(count, count)
    a, b, c, d = (
        each.ravel()
        for each in (number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:])
    )
    faces = np.concatenate([np.stack([a, b, d], axis=1), np.stack([a, d, c], axis=1)])
    return Mesh(np.stack([across.ravel(), down.ravel(), np.zeros(count**2)], axis=1), faces)


def rivals(mesh, sharpness=8.0):
    """Nine joints whose weights fall off smoothly round points of the unit square."""
    at = np.random.default_rng(4).random((9, 2))
    away = np.linalg.norm(mesh.vertices[:, None, :2] - at, axis=2)
    values = np.exp(-sharpness * away)
    return Weights(values / values.sum(axis=1, keepdims=True))


@given(weights(), st.integers(1, 6), st.sampled_from([0.0, 0.001, 0.05, 0.9]))
def test_tidy_agrees_with_the_slow_definition(given_weights, most, prune):
    found = tidy(given_weights, Tidy(max_influences=most, prune=prune)).dense()
    wanted = [slow_tidy(row, most, prune) for row in given_weights.dense()]
    np.testing.assert_allclose(found, wanted, atol=1e-12)


@given(weights(), st.sampled_from([16, 8]))
def test_whole_units_agree_with_largest_remainders_in_exact_arithmetic(given_weights, bits):
    whole = 2**bits - 1
    units = quantise(given_weights, bits).dense() * whole
    np.testing.assert_allclose(units, np.round(units), atol=1e-9)
    assert (np.round(units).sum(axis=1) == whole).all()
    for row, found in zip(given_weights.dense(), np.round(units).astype(int), strict=True):
        wanted = slow_quantise(row, whole)
        # A remainder that ties within rounding may go to either; no unit is off by more than one.
        assert found.tolist() == wanted or (
            np.abs(found - wanted).max() <= 1
            and np.ptp([row[j] * whole % 1 for j in np.flatnonzero(found != wanted)]) < 1e-9
        )


@given(weights(), st.sampled_from([32, 16, 8]))
def test_quantising_twice_changes_nothing(given_weights, bits):
    once = quantise(given_weights, bits)
    np.testing.assert_array_equal(quantise(once, bits).dense(), once.dense())


def test_the_first_joint_gets_the_odd_unit():
    thirds = quantise(Weights(np.full((1, 4), 0.25)), 8).dense() * 255
    np.testing.assert_allclose(thirds, [[64, 64, 64, 63]])


@given(weights(rows=4, joints=40))
def test_float_sums_keep_the_rule_of_gltf(given_weights):
    # glTF 2.0 specification, 3.7.3.1: within 2e-7 for each non-zero weight, added up as floats.
    for row in quantise(given_weights, 32).dense():
        values = row[row > 0].astype(np.float32)
        np.testing.assert_array_equal(values, row[row > 0])
        total = np.float32(0)
        for value in values:
            total += value
        assert abs(total - 1) <= 2e-7 * len(values)


def test_equal_rows_stay_equal_wherever_they_are():
    values = np.random.default_rng(1).random((CHUNK + 5, 12))
    values[-1] = values[0]
    values[1, 5:] = 0  # another width
    found = Weights(values / values.sum(axis=1, keepdims=True))
    for done in (tidy(found), quantise(tidy(found), 32), quantise(found, 16)):
        np.testing.assert_array_equal(done.dense()[0], done.dense()[-1])


def test_a_cap_spread_over_neighbours_lowers_the_steps_and_stays_near():
    mesh = grid(40)
    full = rivals(mesh)
    cut = tidy(full)
    spread = tidy(full, mesh=mesh)
    assert spread.influences.max() == 4
    first, second = prepare(mesh).edges.T
    jump, jump_cut = (
        np.abs(change[first] - change[second]).sum(axis=1)  # how far neighbours are pulled apart
        for change in (done.dense() - full.dense() for done in (spread, cut))
    )
    assert jump_cut.max() > 0.04
    assert jump.max() < 0.75 * jump_cut.max()
    change, change_cut = (abs(done.matrix - full.matrix).sum(axis=1) for done in (spread, cut))
    assert change.mean() < 1.15 * change_cut.mean()


def test_spreading_agrees_with_a_slow_sweep():
    from autoweight.weights.tidying import CLING, ROUNDS

    mesh = grid(6)
    full, cut = rivals(mesh, 3.0).dense(), tidy(rivals(mesh, 3.0)).dense()
    neighbours = [set() for _ in full]
    for a, b in prepare(mesh).edges:
        neighbours[a].add(b)
        neighbours[b].add(a)
    change = cut - full
    for _ in range(ROUNDS):
        after = change.copy()
        for vertex, row in enumerate(cut):
            mean = np.mean([change[other] for other in neighbours[vertex]], axis=0)
            value = np.maximum(full[vertex] + mean / (1 + CLING), 1e-3 * full[vertex])
            value[row == 0] = 0
            after[vertex] = value / value.sum() - full[vertex]
        change = after
    # Every vertex lost more than nothing here, so every one of them takes part.
    found = tidy(rivals(mesh, 3.0), Tidy(prune=0.0), mesh=mesh).dense()
    np.testing.assert_allclose(found, full + change, atol=1e-12)


def test_seam_rows_stay_equal_and_touching_parts_stay_apart():
    flat = grid(12)
    count = len(flat.vertices)
    mesh = Mesh(
        np.concatenate([flat.vertices, flat.vertices]),
        np.concatenate([flat.faces[: len(flat.faces) // 2], flat.faces + count]),
    )
    rows = rivals(flat).dense()
    found = tidy(Weights(np.concatenate([rows, rows])), mesh=mesh).dense()
    np.testing.assert_array_equal(found[:count], found[count:])
    other = rows[:, ::-1]
    found = tidy(Weights(np.concatenate([rows, other])), mesh=mesh)
    np.testing.assert_array_equal(found.dense()[count:], tidy(Weights(other)).dense())


@given(weights(rows=16), st.integers(1, 4))
def test_a_spread_cap_keeps_the_joints_of_the_plain_one(given_weights, most):
    how = Tidy(max_influences=most, prune=0.0)
    spread, cut = tidy(given_weights, how, mesh=grid(4)), tidy(given_weights, how)
    assert ((spread.dense() > 0) == (cut.dense() > 0)).all()


def test_weights_within_the_cap_do_not_change():
    random = np.random.default_rng(2)
    values = np.where(random.random((50, 9)) < 0.2, random.random((50, 9)), 0)
    values[:, 0] += 0.5
    values[(values > 0).sum(axis=1) > 4] = [1.0] + [0.0] * 8
    full = Weights(values / values.sum(axis=1, keepdims=True))
    np.testing.assert_allclose(tidy(full, Tidy(prune=0)).dense(), full.dense(), rtol=1e-15)


def test_what_cannot_be_asked_for():
    full = Weights(np.eye(3))
    with pytest.raises(RecipeError, match="max_influences"):
        tidy(full, Tidy(max_influences=0))
    with pytest.raises(RecipeError, match="bits"):
        quantise(full, 12)
    with pytest.raises(WeightsError, match="4 vertices"):
        tidy(full, mesh=grid(2))


def test_stray_weight_goes_and_the_rest_of_the_row_fills_in():
    mesh = grid(6)
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[:, 0, 3] = np.arange(5)
    skeleton = Skeleton(tuple("abcde"), np.arange(5) - 1, rest)
    place = 4 * mesh.vertices[:, :1] / mesh.vertices[:, 0].max()
    clean = np.clip(1 - np.abs(place - np.arange(5)), 0, 1)
    clean /= clean.sum(axis=1, keepdims=True)
    stray = clean.copy()
    left = mesh.vertices[:, 0] == 0
    stray[left] = 0.9 * clean[left] + 0.1 * np.eye(5)[4]
    found = tidy(Weights(stray), mesh=mesh, skeleton=skeleton).dense()
    np.testing.assert_allclose(found, clean, atol=1e-12)
    # Without the skeleton nobody can say what is stray.
    assert tidy(Weights(stray), mesh=mesh).dense()[left, 4].max() > 0.05


@pytest.mark.parametrize("bits", [8, 16])
def test_nothing_below_the_threshold_is_left_by_rounding(bits):
    # 0.001 is 65.5 of 65535, which would be rounded down.
    weights = Weights(sparse.csr_array([[0.9989, 0.0011], [0.99899, 0.00101], [0.999, 0.001]]))
    how = Tidy(bits=bits, prune=0.001)
    found = quantise(tidy(weights, how), bits).matrix
    assert found.data.min() >= how.prune


def test_the_cap_treats_both_sides_of_the_middle_alike():
    # Joints 1 and 2 are left and right of a vertex on the middle line.
    found = tidy(Weights([[0.5, 0.2, 0.2, 0.1]]), Tidy(max_influences=2)).dense()
    assert found.tolist() == [[1, 0, 0, 0]]
    assert tidy(Weights([[0.25] * 4]), Tidy(max_influences=2)).dense().tolist() == [
        [0.5, 0.5, 0, 0]
    ]


@pytest.mark.parametrize("bits", [32, 16, 8])
def test_nothing_that_is_written_is_stray(bits):
    # Random weights in patches, most of them astray: joints far from each other in the tree.
    vertices, faces = torus(40, 20)
    mesh = Mesh(vertices, faces)
    rest = np.tile(np.eye(4), (9, 1, 1))
    skeleton = Skeleton(tuple("abcdefghi"), [-1, 0, 1, 2, 0, 4, 5, 0, 7], rest)
    rng = np.random.default_rng(8)
    angle = np.arctan2(vertices[:, 1], vertices[:, 0])
    sound = np.maximum(np.cos(angle[:, None] - np.arange(9) * 2 * np.pi / 9), 0) ** 8
    values = sound + rng.random((len(vertices), 9)) * (rng.random((len(vertices), 9)) < 0.2)
    rough = Weights(values / values.sum(axis=1, keepdims=True))
    rig, how = Rig(mesh, skeleton), Tidy(bits=bits)
    surface = prepare(mesh)
    assert unwanted(rough.matrix, surface, skeleton).nnz > 500
    found = finished(rig, surface, rough, Recipe(tidy=how), None, None)
    assert unwanted(found.matrix, surface, skeleton).nnz == 0
    np.testing.assert_allclose(found.matrix.sum(axis=1), 1, atol=1e-6)
    assert found.influences.max() <= how.max_influences

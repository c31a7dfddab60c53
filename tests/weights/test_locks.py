from functools import partial

import numpy as np
import pytest
from bodies import straight, tube
from hypothesis import example, given, settings
from hypothesis import strategies as st

from autoweight import Mesh, Part, Rig, Skeleton, Weights
from autoweight.errors import FileError, RecipeError, WeightsError
from autoweight.methods import METHODS, volume
from autoweight.recipes.recipe import Lock, Mirror, Recipe, Tidy, parse_recipe
from autoweight.stages.solving import first_pass, solve
from autoweight.surface import prepare
from autoweight.surface.voxels import voxelise
from autoweight.weights.locks import Locks, find_locks, impose

JOINTS = 5
LENGTH = 8.0


def spine(mesh, weights=None, **options):
    rest = np.tile(np.eye(4), (JOINTS, 1, 1))
    rest[:, 0, 3] = np.linspace(0, LENGTH, JOINTS)
    names = tuple(f"t_{number}" for number in range(JOINTS))
    return Rig(mesh, Skeleton(names, np.arange(JOINTS) - 1, rest), weights, **options)


def body(rings=25, around=8):
    return tube(straight, LENGTH, 0.5, rings, around)


def painted(count, generator):
    """Weights of one to four joints, in steps a file of 8 bits can hold."""
    units = np.zeros((count, JOINTS))
    for _ in range(255 // 51):
        units[np.arange(count), generator.integers(0, JOINTS, count)] += 51
    return Weights(units / 255)


def active(rig):
    return np.ones(len(rig.skeleton), dtype=bool)


def random_lock(seed):
    """A painted tube, a recipe that locks some of it at random, and what is locked."""
    generator = np.random.default_rng(seed)
    mesh, _ = body()
    count = len(mesh.vertices)
    built = spine(mesh, painted(count, generator))
    locked = generator.random((count, JOINTS)) < generator.choice([0.02, 0.3, 0.9])
    whole = generator.random(count) < generator.choice([0.0, 0.1, 0.6])
    rules = [Lock(vertices=tuple(np.flatnonzero(whole).tolist()))] if whole.any() else []
    for joint in range(JOINTS):
        if locked[:, joint].any():
            vertices = tuple(np.flatnonzero(locked[:, joint]).tolist())
            rules.append(Lock(joints=(f"t_{joint}",), vertices=vertices))
    return built, tuple(rules), locked | whole[:, None]


@pytest.fixture(scope="module")
def coarse():
    """Some thousand cells where volume has 300 thousand: locks go over whatever it returns."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(volume, "voxelise", partial(voxelise, cells=5_000))
        yield


# Locks go over whatever a method returns; biharmonic would take a minute to say so.
@pytest.mark.usefixtures("coarse")
@pytest.mark.parametrize("method", sorted(METHODS.keys() - {"biharmonic"}))
@settings(max_examples=20)
@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_locked_comes_back_bit_for_bit(method, seed):
    built, rules, locked = random_lock(seed)
    found = solve(built, Recipe(method=method, lock=rules)).dense()
    assert np.array_equal(found[locked], built.weights.dense()[locked])
    np.testing.assert_allclose(found.sum(axis=1), 1, rtol=0, atol=1e-12)
    assert found.min() >= 0


@pytest.mark.parametrize("bits", [32, 16, 8])
@settings(max_examples=20)
@given(seed=st.integers(0, 2**32 - 1), mirrored=st.booleans(), most=st.integers(1, 5))
@example(seed=50397984, mirrored=True, most=2)  # all of a row is stray, for one reason or another
def test_mirror_tidy_and_quantise_respect_locks(bits, seed, mirrored, most):
    built, rules, locked = random_lock(seed)
    recipe = Recipe(
        method="nearest",
        lock=rules,
        tidy=Tidy(max_influences=most, prune=0.01, bits=bits),
        mirror=Mirror(plane=f"x={LENGTH / 2}", pairs=(("t_0", "t_4"), ("t_1", "t_3")))
        if mirrored
        else None,
    )
    found = first_pass(built, recipe).weights
    assert np.array_equal(found.dense()[locked], built.weights.dense()[locked])
    np.testing.assert_allclose(found.dense().sum(axis=1), 1, rtol=0, atol=2e-7 * JOINTS)
    free = ~locked.any(axis=1)
    assert found.influences[free].max(initial=1) <= most
    if bits < 32:
        whole = found.matrix.data * (2**bits - 1)
        np.testing.assert_allclose(whole, np.rint(whole), rtol=0, atol=1e-9)


def test_a_correction_fades_as_its_closed_form():
    # The energy ∫ (d″ − d/g²)² has the decaying solutions (a + b x) e^(−x/g); an area that is
    # locked with an even change gives value 1 and slope 0 at its rim, so (1 + x/g) e^(−x/g).
    errors = []
    for rings in (65, 129, 257):
        mesh, along = body(rings, 12)
        count = len(prepare(mesh))
        half = Weights(np.tile([0.5, 0.5, 0, 0, 0], (count, 1)))
        full = Weights(np.tile([1.0, 0, 0, 0, 0], (count, 1)))
        locks = Locks.of_rows(along <= 1, full, spine(mesh).skeleton)
        found = impose(prepare(mesh), half, locks, np.full(count, 0.6)).dense()
        x = np.clip((along - 1) / 0.6, 0, None)
        wanted = 0.5 + 0.5 * (1 + x) * np.exp(-x)
        errors.append(np.abs(found[:, 0] - wanted)[along < LENGTH - 1].max())
        np.testing.assert_allclose(found[:, 1], 1 - found[:, 0], atol=1e-12)
    assert errors[0] < 0.02 and errors[1] < 0.6 * errors[0] and errors[2] < 0.6 * errors[1]


def test_free_weights_meet_locked_ones_without_a_seam():
    mesh, along = body(129, 16)
    built = spine(mesh)
    solved = solve(built).dense()
    moved = np.column_stack(
        [np.interp(along - 0.4, along[::16], solved[::16, joint]) for joint in range(JOINTS)]
    )
    zone = (along > 2.5) & (along < 5.6)
    hand = np.where(zone[:, None], moved / moved.sum(axis=1, keepdims=True), solved)
    built = spine(mesh, Weights(hand), attributes={"_LOCK": zone.astype(np.uint8)})
    found = solve(built).dense()
    assert np.array_equal(found[zone], hand[zone])
    edges = prepare(mesh).edges

    def step(weights):
        return np.abs(weights[edges[:, 0]] - weights[edges[:, 1]]).sum(axis=1)

    border = zone[edges[:, 0]] != zone[edges[:, 1]]
    assert step(hand)[border].max() > 5 * step(solved).max()
    assert step(found)[border].max() < 0.5 * step(solved).max()
    far = (along < 2.5 - 5 * 0.5 - 0.1) | (along > 5.6 + 3)
    np.testing.assert_allclose(found[far], solved[far], atol=0.01)


def test_what_a_lock_leaves_goes_to_the_kin_of_the_joint():
    mesh, _ = body()
    count = len(mesh.vertices)
    built = spine(mesh, Weights(np.tile([0, 0, 0.75, 0, 0.25], (count, 1))))
    found = solve(built, Recipe(method="nearest", lock=(Lock(joints=("t_2",)),))).dense()
    assert np.array_equal(found[:, 2], np.full(count, 0.75))
    own = solve(built, Recipe(method="nearest")).dense().argmax(axis=1)
    # Where another joint had it all, it has the rest; where t_2 had, its parent and child do.
    assert np.array_equal(found[own == 4][:, 4], np.full((own == 4).sum(), 0.25))
    near = found[own == 2]
    np.testing.assert_allclose(near[:, [1, 3]], 0.125, atol=1e-3)


def test_seam_twins_with_their_own_locks_keep_them():
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0], [0, 1, 0], [-1, 0, 0.0]])
    mesh = Mesh(vertices, [[0, 1, 2], [3, 4, 5]])
    dense = np.eye(JOINTS)[[0, 0, 0, 1, 1, 1]]
    built = spine(mesh, Weights(dense))
    found = solve(built, Recipe(lock=(Lock(vertices=(0, 3)),))).dense()
    assert np.array_equal(found[[0, 3]], dense[[0, 3]])


@pytest.fixture
def two_parts():
    mesh, _ = body()
    vertices = np.vstack([mesh.vertices, mesh.vertices + [0, 5, 0]])
    faces = np.vstack([mesh.faces, mesh.faces + len(mesh.vertices)])
    n, m = len(mesh.vertices), len(mesh.faces)
    parts = (Part("one", slice(0, n), slice(0, m)), Part("two", slice(n, 2 * n), slice(m, 2 * m)))
    weights = painted(2 * n, np.random.default_rng(4))
    marks = np.zeros((2 * n, 1))
    marks[5] = 0.5
    return spine(Mesh(vertices, faces, parts), weights, attributes={"_PAINTED": marks})


def whole(rig, text, tmp_path=None):
    recipe = parse_recipe(text, str(tmp_path / "r.toml") if tmp_path else "recipe")
    return np.flatnonzero(find_locks(recipe, rig, active(rig)).whole)


def test_vertices_are_chosen_by_every_condition(two_parts):
    count = len(two_parts.mesh.vertices)
    assert whole(two_parts, "[[lock]]\nvertices = [7, 3]").tolist() == [3, 7]
    assert whole(two_parts, '[[lock]]\nattribute = "_PAINTED"').tolist() == [5]
    assert whole(two_parts, '[[lock]]\nparts = ["tw?"]').tolist() == list(range(count // 2, count))
    dominant = two_parts.weights.dense().argmax(axis=1) == 3
    text = '[[lock]]\ndominated_by = ["t_3"]'
    assert whole(two_parts, text).tolist() == np.flatnonzero(dominant).tolist()
    text = '[[lock]]\nnear = "t_2"\nradius = 0.6'
    near = np.linalg.norm(two_parts.mesh.vertices - [LENGTH / 2, 0, 0], axis=1) <= 0.6
    assert near.any() and whole(two_parts, text).tolist() == np.flatnonzero(near).tolist()
    text += '\ndominated_by = ["t_3"]\nparts = ["one"]'
    assert whole(two_parts, text).tolist() == np.flatnonzero(near & dominant).tolist()
    text = "[[lock]]\nvertices = [1]\n[[lock]]\nvertices = [2]"
    assert whole(two_parts, text).tolist() == [1, 2]


def test_vertices_are_read_from_files_beside_the_recipe(two_parts, tmp_path):
    np.save(tmp_path / "a.npy", np.array([[4], [9]], dtype=np.uint16))
    (tmp_path / "a.csv").write_text("4,9\n")
    (tmp_path / "a.txt").write_text("9\n4\n")
    for name in ("a.npy", "a.csv", "a.txt"):
        text = f'[[lock]]\nfile = "{name}"'
        assert whole(two_parts, text, tmp_path).tolist() == [4, 9]
    (tmp_path / "b.txt").write_text("4 nine")
    np.save(tmp_path / "b.npy", np.array([1.5]))
    for name in ("b.txt", "b.npy", "b.bin", "missing.npy"):
        with pytest.raises(FileError, match=name):
            whole(two_parts, f'[[lock]]\nfile = "{name}"', tmp_path)


def test_a_joint_keeps_its_weights_everywhere(two_parts):
    recipe = parse_recipe('[[lock]]\njoints = ["t_1", "t_3"]')
    locks = find_locks(recipe, two_parts, active(two_parts))
    assert locks.partial.all() and not locks.whole.any()
    found = solve(two_parts, recipe).dense()
    assert np.array_equal(found[:, [1, 3]], two_parts.weights.dense()[:, [1, 3]])


def test_single_weights_can_be_typed(two_parts):
    text = '[[lock]]\nvertices = [3]\njoints = ["t_0", "t_4"]\nweight = 0.4'
    bare = Rig(two_parts.mesh, two_parts.skeleton)
    row = solve(bare, parse_recipe(text)).dense()[3]
    assert row[0] == 0.4 and row[4] == 0.4 and row.sum() == pytest.approx(1, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('vertices = [3, 8]\njoints = ["t_0", "t_4"]\nweight = 0.6', r"vertex 3 \(1.2\), vertex 8"),
        ('vertices = [3]\njoints = ["t_*"]\nweight = 0.1', r"less than 1 at vertex 3 \(0.5\)"),
        (
            'vertices = [3]\njoints = ["t_0"]\nweight = 0.33\n[[lock]]\nvertices = [2, 3]',
            "two values to 't_0' at vertex 3",
        ),
        (
            'vertices = [3]\njoints = ["t_0"]\nweight = 0.1\n'
            '[[lock]]\nvertices = [3]\njoints = ["t_0"]\nweight = 0.2',
            "two values to 't_0' at vertex 3",
        ),
    ],
)
def test_contradictions_are_told_by_vertex(two_parts, text, message):
    with pytest.raises(WeightsError, match=message):
        solve(two_parts, parse_recipe("[[lock]]\n" + text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("vertices = [100000]", "line 1: there is no vertex 100000"),
        ('attribute = "_PAINT"', "line 2: .*did you mean '_PAINTED'"),
        ('near = "t2"\nradius = 1', "line 2: .*did you mean 't_2'"),
        ('near = "t_2"\nradius = 1e-9', "line 1: no vertex meets"),
        ('dominated_by = ["x"]', "line 2: no joint matches 'x'"),
    ],
)
def test_what_is_not_there_is_said_with_its_line(two_parts, text, message):
    with pytest.raises(RecipeError, match=message):
        solve(two_parts, parse_recipe("[[lock]]\n" + text))


def test_weights_that_are_not_there_cannot_be_kept(two_parts):
    bare = Rig(two_parts.mesh, two_parts.skeleton)
    with pytest.raises(RecipeError, match="no weights yet"):
        solve(bare, parse_recipe("[[lock]]\nvertices = [1]"))


def test_a_locked_vertex_without_a_face_locks_no_place():
    mesh, _ = body()
    alone = Mesh(np.vstack([mesh.vertices[:1], mesh.vertices]), mesh.faces + 1)
    built = spine(alone, painted(len(alone.vertices), np.random.default_rng(0)))
    locks = find_locks(Recipe(lock=(Lock(vertices=(0,)),)), built, active(built))
    assert locks.whole.any() and not locks.on(prepare(alone)).whole.any()
    bare = spine(alone, built.weights)
    found = solve(built, Recipe(lock=(Lock(vertices=(0,)),))).dense()
    np.testing.assert_array_equal(found[1:], solve(bare).dense()[1:])
    np.testing.assert_array_equal(found[0], built.weights.dense()[0])

import numpy as np
import pytest
from bodies import bend, capsules, problem, skeleton, straight, tube
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from autoweight.methods.equilibrium import equilibrium
from autoweight.methods.heat import solve
from autoweight.rig import Mesh, Skeleton
from autoweight.surface import laplacian, prepare
from autoweight.surface.laplacian import measure


def pipe(rings: int, around: int, length: float, radius: float) -> Mesh:
    """An open cylinder about the x axis, from -length/2 to length/2."""
    x, turn = np.meshgrid(
        np.linspace(-length / 2, length / 2, rings),
        np.linspace(0, 2 * np.pi, around, endpoint=False),
        indexing="ij",
    )
    vertices = np.stack([x, radius * np.cos(turn), radius * np.sin(turn)], axis=-1)
    ring, step = (each.ravel() for each in np.indices((rings - 1, around)))
    a, b = ring * around + step, ring * around + (step + 1) % around
    faces = np.concatenate(
        [np.column_stack([a, a + around, b]), np.column_stack([b, a + around, b + around])]
    )
    return Mesh(vertices.reshape(-1, 3), faces)


def halves(surface) -> sparse.csr_array:
    """Shares of two joints that meet at x = 0, where both have half."""
    x = surface.vertices[:, 0]
    right = np.where(np.abs(x) < 1e-9, 0.5, x > 0)
    return sparse.csr_array(np.column_stack([1 - right, right]))


def together(*meshes: Mesh) -> Mesh:
    start = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + at for mesh, at in zip(meshes, start, strict=False)]),
    )


def solved(mesh: Mesh, joints: Skeleton) -> np.ndarray:
    """Weights of the mesh's own vertices."""
    task = problem(mesh, joints)
    return solve(task).toarray()[task.surface.weld]


def ball(centre, radius: float) -> Mesh:
    return capsules([centre], [centre], [radius], radius / 4)


@pytest.fixture(scope="module")
def limb():
    """A bent body with a branch, no two of its measures alike."""
    body = prepare(
        capsules(
            [[0, 0, 0], [1, 0.1, 0], [1, 0.1, 0]],
            [[1, 0.1, 0], [1.9, 0.5, 0.1], [1.2, -0.9, -0.2]],
            [0.25, 0.2, 0.17],
            0.06,
        ),
        tolerance=1e-3,
    )
    joints = skeleton([[0, 0, 0], [1, 0.1, 0], [1.5, 0.32, 0.06], [1.1, -0.4, -0.1]], [-1, 0, 1, 1])
    # In general position: four points on a circle have two Delaunay triangulations.
    noise = np.random.default_rng(0).normal(scale=2e-3, size=body.vertices.shape)
    return Mesh(body.vertices + noise, body.faces), joints


@pytest.mark.parametrize("k", [2.0, 5.0])
def test_equilibrium_converges_to_the_closed_form_in_one_dimension(k):
    # w'' = k²(w - p) with insulated ends at ±L has w = 1 - cosh(k(L-x)) / (2 cosh kL) for x > 0:
    # the steady fin equation, Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 3.6.
    errors = []
    for rings in (21, 41, 81):
        surface = prepare(pipe(rings, 24, 2.0, 0.1))
        found = equilibrium(surface, halves(surface), np.full(len(surface), k**2)).toarray()[:, 1]
        x = np.abs(surface.vertices[:, 0])
        exact = 1 - np.cosh(k * (1 - x)) / (2 * np.cosh(k))
        exact = np.where(surface.vertices[:, 0] < 0, 1 - exact, exact)
        errors.append(np.abs(found - exact).max())
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    assert errors[-1] < 2e-3 and (order > 1.8).all()


def test_equilibrium_at_one_place_has_the_value_worked_out_by_hand():
    # The same closed form at k = 2, L = 1, x = 0.5.
    surface = prepare(pipe(161, 24, 2.0, 0.1))
    found = equilibrium(surface, halves(surface), np.full(len(surface), 4.0)).toarray()[:, 1]
    np.testing.assert_allclose(found[np.isclose(surface.vertices[:, 0], 0.5)], 0.794923, atol=1e-4)


@pytest.mark.parametrize("c", [1.0, 4.0])
def test_equilibrium_on_a_long_cylinder_falls_off_by_the_radius(c):
    # Bones on the axis of a cylinder of radius R pull with H = c/R², so the same equation has
    # k = √c/R and, far from the ends, w = 1 - exp(-kx)/2 (Baran & Popović, TOG 26(3), 2007).
    radius = 0.2
    errors = []
    for rings in (41, 81, 161):
        surface = prepare(pipe(rings, 32, 4.0, radius))
        pull = np.full(len(surface), c / radius**2)
        found = equilibrium(surface, halves(surface), pull).toarray()[:, 1]
        x = surface.vertices[:, 0]
        near = np.abs(x) < 1
        exact = np.exp(-np.sqrt(c) / radius * np.abs(x)) / 2
        errors.append(np.abs(found - np.where(x < 0, exact, 1 - exact))[near].max())
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    assert errors[-1] < 3e-3 and (order > 1.7).all()


def test_weights_are_a_partition_of_unity(limb):
    weights = solve(problem(*limb))
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert weights.data.min() > 0 and weights.data.max() <= 1


@settings(max_examples=12)
@given(
    size=st.floats(1e-3, 1e3),
    turn=st.tuples(*[st.floats(-3, 3)] * 3),
    shift=st.tuples(*[st.floats(-5, 5)] * 3),
    seed=st.integers(0, 2**16),
)
def test_weights_follow_scale_rotation_and_order_of_vertices(limb, size, turn, shift, seed):
    mesh, joints = limb
    weights = solved(mesh, joints)
    turned = Rotation.from_rotvec(turn).as_matrix()

    def moved(points):
        return size * (points @ turned.T + shift)

    random = np.random.default_rng(seed)
    order = random.permutation(len(mesh.vertices))
    place = np.argsort(order)
    faces = random.permutation(place[mesh.faces])
    rest = joints.rest.copy()
    rest[:, :3, 3] = moved(joints.positions)
    again = problem(
        Mesh(moved(mesh.vertices[order]), faces), Skeleton(joints.names, joints.parents, rest)
    )
    found = solve(again).toarray()[again.surface.weld]
    np.testing.assert_allclose(found, weights[order], atol=1e-6)


def test_a_body_wound_inside_out_has_the_same_weights(limb):
    mesh, joints = limb
    weights = solved(mesh, joints)
    inside_out = solved(Mesh(mesh.vertices, mesh.faces[:, ::-1]), joints)
    np.testing.assert_allclose(inside_out, weights, atol=1e-6)


def test_a_joint_that_may_have_no_weight_has_none(limb):
    task = problem(*limb)
    active = np.array([True, True, False, True])
    task = type(task)(task.surface, task.skeleton, task.bones, active)
    assert solve(task)[:, [2]].nnz == 0


def test_a_finger_beside_a_finger_gets_nothing_of_it():
    # Two prongs nearly touch: in a straight line the other's bone is as near as their own palm.
    mesh = capsules(
        [[0, 0, 0], [0.5, 0.2, 0], [0.5, -0.2, 0]],
        [[0.5, 0, 0], [2, 0.2, 0], [2, -0.2, 0]],
        [0.35, 0.17, 0.17],
        0.05,
    )
    joints = skeleton(
        [[0, 0, 0], [0.5, 0.2, 0], [1.2, 0.2, 0], [0.5, -0.2, 0], [1.2, -0.2, 0]],
        [-1, 0, 1, 0, 3],
    )
    weights = solved(mesh, joints)
    upper = (mesh.vertices[:, 0] > 1.2) & (mesh.vertices[:, 1] > 0)
    assert weights[upper][:, [3, 4]].max() < 1e-3


def test_a_garment_of_two_layers_follows_the_bones_it_hangs_on():
    # The joints are in the hollow, outside the closed thin shell.
    outer, inner = pipe(41, 24, 2.0, 0.30), pipe(41, 24, 2.0, 0.28)
    around, last = 24, 40 * 24
    rim = np.arange(around)
    after = (rim + 1) % around
    start = len(outer.vertices)
    seams = [
        np.column_stack([rim, after, start + rim]),
        np.column_stack([after, start + after, start + rim]),
        np.column_stack([last + after, last + rim, start + last + rim]),
        np.column_stack([start + last + after, last + after, start + last + rim]),
    ]
    shell = together(outer, Mesh(inner.vertices, inner.faces[:, ::-1]))
    mesh = Mesh(shell.vertices, np.concatenate([shell.faces, *seams]))
    joints = skeleton([[-1, 0, 0], [0, 0, 0], [0.8, 0, 0]])
    weights = solved(mesh, joints)
    x = mesh.vertices[:, 0]
    assert weights[x < -0.3, 0].min() > 0.9
    assert weights[(x > 0.25) & (x < 0.6), 1].min() > 0.8


def test_a_skeleton_partly_outside_the_mesh_still_weights_all_of_it():
    mesh, _ = tube(straight, 1.0, 0.1, 31, 16)
    joints = skeleton([[0, 0.3, 0], [0.5, 0, 0], [1.5, 0, 0]])
    weights = solved(mesh, joints)
    assert np.isfinite(weights).all()
    assert weights[mesh.vertices[:, 0] > 0.8, 1].min() > 0.8


def test_an_eye_is_the_joints_in_its_middle_and_a_button_the_bones_it_sits_on():
    body, _ = tube(bend(3.0), 3.0, 0.3, 61, 24)
    eye, button = ball([1.0, 0.6, 0.1], 0.08), ball([0.4, 0.39, 0.0], 0.05)
    joints = skeleton([[0, 0, 0], [0.9, 0.14, 0], [1.9, 0.66, 0], [1.0, 0.6, 0.1]], [-1, 0, 1, 1])
    weights = solved(together(body, eye, button), joints)
    first = len(body.vertices)
    then = first + len(eye.vertices)
    np.testing.assert_array_equal(weights[first:then, 3], 1)
    np.testing.assert_array_equal(weights[then:, 0], 1)


def test_a_flat_sheet_with_the_bones_in_it_is_weighted():
    x, y = (each.ravel() for each in np.meshgrid(np.linspace(0, 2, 21), np.linspace(-0.2, 0.2, 5)))
    a = (np.arange(4)[:, None] * 21 + np.arange(20)).ravel()
    faces = np.concatenate(
        [np.column_stack([a, a + 1, a + 22]), np.column_stack([a, a + 22, a + 21])]
    )
    weights = solved(
        Mesh(np.column_stack([x, y, 0 * x]), faces), skeleton([[0, 0, 0], [1, 0, 0], [2, 0, 0]])
    )
    assert weights[x < 0.7, 0].min() > 0.9
    assert weights[(x > 1.3) & (x < 1.7), 1].min() > 0.9


@pytest.mark.parametrize(
    "places", [[[0.5, 0, 0]], [[0.5, 0, 0]] * 3, [[0.5, 9, 0], [0.5, 12, 0]]], ids=len
)
def test_hardly_a_skeleton_still_gives_weights(places):
    mesh, _ = tube(straight, 1.0, 0.1, 21, 16)
    weights = solved(mesh, skeleton(places))
    assert np.isfinite(weights).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)


def test_joints_snapped_to_vertices_do_not_hang_on_rounding(limb):
    mesh, joints = limb
    gap = np.linalg.norm(joints.positions[:, None] - mesh.vertices, axis=2)
    places = mesh.vertices[gap.argmin(axis=1)]
    parents = joints.parents.tolist()
    snapped = solved(mesh, skeleton(places, parents))
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(scale=1e-9, size=places.shape)
        again = solved(mesh, skeleton(places + noise, parents))
        np.testing.assert_allclose(again, snapped, atol=1e-6)


@pytest.mark.parametrize("shift", [0.0, 1e-6, 0.013])
def test_an_even_body_has_the_weights_that_a_solve_of_the_whole_has(monkeypatch, shift):
    body = pipe(41, 24, 4, 0.4)
    joints = skeleton(
        [[0, 0, 0], [-0.6, shift, 0], [0.6, 0, 0], [-1.4, 0, 0], [1.4, 0, 0]], [-1, 0, 0, 1, 2]
    )
    assert measure(prepare(body)).even is not None
    found = solved(body, joints)
    with monkeypatch.context() as patch:
        patch.setattr(laplacian, "evenness", lambda surface: None)
        whole = solved(body, joints)
    np.testing.assert_allclose(found, whole, atol=1e-5 if 0 < shift < 1e-3 else 1e-9)
    across = cdist(body.vertices * [-1, 1, 1], body.vertices).argmin(axis=1)
    apart = np.abs(found - found[across][:, [0, 2, 1, 4, 3]]).max()
    assert apart > 1e-3 if shift > 1e-3 else apart < 1e-15

import numpy as np
import pytest
from scipy import sparse

import autoweight
from autoweight.methods.equilibrium import equilibrium
from autoweight.rig import Mesh, Rig, Skeleton
from autoweight.surface import prepare


def tube(rings: int, around: int, length: float = 2.0, radius: float = 0.1) -> Mesh:
    """An open cylinder about the x axis, from -length/2 to length/2."""
    x, turn = np.meshgrid(
        np.linspace(-length / 2, length / 2, rings),
        np.linspace(0, 2 * np.pi, around, endpoint=False),
        indexing="ij",
    )
    vertices = np.stack([x, radius * np.cos(turn), radius * np.sin(turn)], axis=-1)
    ring, step = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    a, b = ring * around + step, ring * around + (step + 1) % around
    faces = np.stack([[a, a + around, b], [b, a + around, b + around]])
    return Mesh(vertices.reshape(-1, 3), faces.transpose(0, 2, 3, 1).reshape(-1, 3))


def skeleton(*at, parents=None) -> Skeleton:
    rest = np.tile(np.eye(4), (len(at), 1, 1))
    rest[:, :3, 3] = at
    parents = range(-1, len(at) - 1) if parents is None else parents
    return Skeleton(tuple(f"joint{number}" for number in range(len(at))), list(parents), rest)


def halves(surface):
    """Shares of two joints that meet at x = 0, where both have half."""
    right = np.where(np.abs(surface.vertices[:, 0]) < 1e-9, 0.5, surface.vertices[:, 0] > 0)

    return sparse.csr_array(np.column_stack([1 - right, right]))


@pytest.mark.parametrize("k", [2.0, 5.0])
def test_equilibrium_converges_to_the_closed_form_in_one_dimension(k):
    # w'' = k²(w - p) with insulated ends at ±L has w = 1 - cosh(k(L-x)) / (2 cosh kL) for x > 0:
    # the steady fin equation, Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 3.6.
    errors = []
    for rings in (21, 41, 81):
        surface = prepare(tube(rings, 24))
        found = equilibrium(surface, halves(surface), np.full(len(surface), k**2)).toarray()[:, 1]
        x = np.abs(surface.vertices[:, 0])
        exact = 1 - np.cosh(k * (1 - x)) / (2 * np.cosh(k))
        exact = np.where(surface.vertices[:, 0] < 0, 1 - exact, exact)
        errors.append(np.abs(found - exact).max())
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    assert errors[-1] < 2e-3 and (order > 1.8).all()


def test_heat_weights_are_a_partition_of_unity():
    weights = autoweight.solve(
        Rig(tube(41, 16), skeleton((-1, 0, 0), (-0.3, 0, 0), (0.4, 0, 0)))
    ).matrix
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert weights.data.min() > 0 and weights.data.max() <= 1


def test_heat_weights_of_a_piece_that_no_bone_sees_are_finite():
    body = tube(41, 16)
    away = tube(5, 8, length=0.1, radius=0.02)
    mesh = Mesh(
        np.concatenate([body.vertices, away.vertices + [0.5, 0.4, 0]]),
        np.concatenate([body.faces, away.faces + len(body.vertices)]),
    )
    weights = autoweight.solve(Rig(mesh, skeleton((-1, 0, 0), (0, 0, 0)))).dense()
    assert weights[len(body.vertices) :, 1].min() > 0.9

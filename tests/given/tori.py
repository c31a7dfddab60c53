"""A torus in a ring of joints, whose weights are a smooth function of position."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.distance import cdist

from autoweight.methods import Problem
from autoweight.rig import Mesh, Rig, Skeleton, Weights

JOINTS = 8


def torus(
    around: int, across: int, *, radius: float = 1.0, tube: float = 0.35
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices and outward faces of a torus about the z axis."""
    turn, twist = np.meshgrid(
        2 * np.pi * np.arange(around) / around,
        2 * np.pi * np.arange(across) / across,
        indexing="ij",
    )
    out = radius + tube * np.cos(twist)
    vertices = np.stack(
        [out * np.cos(turn), out * np.sin(turn), tube * np.sin(twist)], axis=-1
    ).reshape(-1, 3)
    i, j = (each.ravel() for each in np.indices((around, across)))
    along, up = (i + 1) % around, (j + 1) % across
    a, b, c, d = i * across + j, along * across + j, along * across + up, i * across + up
    return vertices, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def analytic(vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights by the angle about the axis: each joint hands over to the next by smoothstep."""
    turn = np.arctan2(vertices[:, 1], vertices[:, 0])[:, None]
    apart = np.abs((turn - ring_angles() + np.pi) % (2 * np.pi) - np.pi)
    t = np.clip(apart * JOINTS / (2 * np.pi), 0, 1)
    return 1 - (3 * t**2 - 2 * t**3)


def ring_angles() -> NDArray[np.float64]:
    """Where the joints are about the axis, in radians."""
    return 2 * np.pi * np.arange(JOINTS) / JOINTS


def ring() -> Skeleton:
    """One chain of joints round the middle of the tube."""
    rest = np.tile(np.eye(4), (JOINTS, 1, 1))
    rest[:, 0, 3], rest[:, 1, 3] = np.cos(ring_angles()), np.sin(ring_angles())
    return Skeleton([f"ring{each}" for each in range(JOINTS)], np.arange(JOINTS) - 1, rest)


def bare(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Rig:
    """A rig without weights."""
    return Rig(Mesh(vertices, faces), ring())


def weighted(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Rig:
    """A rig with the analytic weights."""
    weights = Weights(sparse.csr_array(analytic(vertices)))
    return Rig(Mesh(vertices, faces), ring(), weights)


def turned(problem: Problem) -> NDArray[np.float64]:
    """A method that is off: the analytic weights of the torus turned by 0.1 radians."""
    x, y, z = problem.surface.vertices.T
    cosine, sine = np.cos(0.1), np.sin(0.1)
    return analytic(np.column_stack([cosine * x - sine * y, sine * x + cosine * y, z]))


def by_place(rig: Rig, vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of Wendland's C2 kernel (1 − d)⁴(4d + 1) about each joint, of any rig."""
    near = cdist(rig.mesh.vertices, rig.skeleton.positions).min(axis=1).max()
    distance = np.minimum(cdist(vertices, rig.skeleton.positions) / (1.5 * near), 1)
    found = (1 - distance) ** 4 * (4 * distance + 1)
    return found / found.sum(axis=1, keepdims=True)

"""A body that is symmetric to the last bit, and rigs on it."""

import igl
import numpy as np

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.skeleton.sides import Plane

X = Plane.named("x")
NAMES = ("root", "arm_l", "arm_r", "head", "leg_l", "leg_r")
PLACES = np.array([[0, 0, 0], [1, 0, 0], [-1, 0, 0], [0, 1, 0], [1, -1, 0], [-1, -1, 0.0]])


def skeleton(names=NAMES, places=PLACES):
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, :3, 3] = places
    return Skeleton(names, [-1, *[0] * (len(names) - 1)], rest)


def egg(levels=3):
    """Symmetric to the last bit across x = 0, and across no other plane."""
    vertices = np.vstack([np.eye(3), -np.eye(3)])
    faces = np.array(
        [[0, 1, 2], [1, 3, 2], [3, 4, 2], [4, 0, 2], [1, 0, 5], [3, 1, 5], [4, 3, 5], [0, 4, 5]]
    )
    for _ in range(levels):
        vertices, faces = igl.upsample(vertices, faces)
    vertices = vertices / np.linalg.norm(vertices, axis=1, keepdims=True)
    return vertices * [1, 2, 1] + [0, 0.1, 0.3] * vertices[:, 1:2] ** 2, faces


def random_weights(count, generator):
    found = generator.random((count, len(NAMES))) * (generator.random((count, len(NAMES))) < 0.5)
    found[:, 0] += 0.01
    return Weights(found / found.sum(axis=1, keepdims=True))


def rig(vertices, faces, weights=None, **options):
    weights = weights or random_weights(len(vertices), np.random.default_rng(1))
    return Rig(Mesh(vertices, faces), options.get("skeleton") or skeleton(), weights)


def difference(built, weights):
    """Largest difference of a vertex from its counterpart, through positions alone."""
    image = built.mesh.vertices * [-1, 1, 1]
    apart = np.abs(built.mesh.vertices[:, None] - image[None]).sum(axis=2)
    partner = apart.argmin(axis=0)
    flip = [built.skeleton.names.index(n[:-1] + {"l": "r", "r": "l"}.get(n[-1], n[-1])
            if n[-2] == "_" else n) for n in built.skeleton.names]  # fmt: skip
    dense = weights.dense()
    return np.abs(dense[partner][:, flip] - dense).max()

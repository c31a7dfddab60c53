"""Meshes as bad as they come, each from a number, and always the same from the same one."""

from __future__ import annotations

from collections.abc import Callable

import igl
import numpy as np
from numpy.typing import NDArray
from tori import torus

Soup = tuple[NDArray[np.float64], NDArray[np.int64]]


def bad_mesh(seed: int) -> tuple[str, Soup]:
    """A mesh with one to three faults, and what they are.

    The arrays are well-formed: indices in range, positions finite; all else may be wrong.
    """
    random = np.random.default_rng(seed)
    vertices, faces = SHAPES[seed % len(SHAPES)](random)
    chosen = random.choice(len(FAULTS), size=random.integers(1, 4), replace=False)
    names = [FAULTS[each].__name__ for each in chosen]
    for each in chosen:
        vertices, faces = FAULTS[each](vertices, faces, random)
    return "+".join(names), (vertices, faces)


def ring(random: np.random.Generator) -> Soup:
    return torus(int(random.integers(5, 24)), int(random.integers(3, 12)))


def ball(random: np.random.Generator) -> Soup:
    vertices, faces = igl.icosahedron()
    return igl.loop(np.asarray(vertices), np.asarray(faces, dtype=np.int64), 2)


def sheet(random: np.random.Generator) -> Soup:
    vertices, faces = igl.triangulated_grid(*(int(each) for each in random.integers(3, 15, 2)))
    flat = np.column_stack([vertices, np.zeros(len(vertices))])
    return flat + 0.05 * random.standard_normal(flat.shape), np.asarray(faces, dtype=np.int64)


def soup(random: np.random.Generator) -> Soup:
    count = int(random.integers(1, 80))
    return random.standard_normal((3 * count, 3)), np.arange(3 * count).reshape(-1, 3)


def one_triangle(random: np.random.Generator) -> Soup:
    return random.standard_normal((3, 3)), np.array([[0, 1, 2]])


SHAPES: list[Callable[[np.random.Generator], Soup]] = [ring, ball, sheet, ring, soup, one_triangle]


def sound(vertices, faces, random):
    return vertices, faces


def non_manifold(vertices, faces, random):
    """A fin on every tenth edge, and two pieces that share one vertex."""
    edges = igl.edges(faces)[::10]
    tips = vertices[edges].mean(axis=1) + 0.2 * random.standard_normal((len(edges), 3))
    fins = np.column_stack([edges, len(vertices) + np.arange(len(edges))])
    bow = len(vertices) + len(edges) + np.arange(2)
    more = vertices[faces[0, 0]] + random.standard_normal((2, 3))
    return (
        np.concatenate([vertices, tips, more]),
        np.concatenate([faces, fins, [[faces[0, 0], *bow]]]),
    )


def self_overlapping(vertices, faces, random):
    """The same again, turned and stuck through the first."""
    turned = vertices[:, [1, 2, 0]] + 0.1
    return np.concatenate([vertices, turned]), np.concatenate([faces, faces + len(vertices)])


def opened(vertices, faces, random):
    kept = random.random(len(faces)) > 0.3
    kept[0] = True
    return vertices, faces[kept]


def inverted(vertices, faces, random):
    return vertices, faces[:, ::-1]


def half_inverted(vertices, faces, random):
    turned = random.random(len(faces)) < 0.5
    return vertices, np.where(turned[:, None], faces[:, ::-1], faces)


def duplicated_faces(vertices, faces, random):
    again = faces[random.integers(0, len(faces), len(faces) // 2 + 1)]
    return vertices, np.concatenate([faces, again, again[:, ::-1], np.roll(again, 1, axis=1)])


def degenerate_faces(vertices, faces, random):
    """Faces that name a vertex twice, and slivers with no area to speak of."""
    twice = faces[::5, [0, 0, 1]]
    between = vertices[faces[::7, :2]].mean(axis=1)
    slivers = np.column_stack([faces[::7, :2], len(vertices) + np.arange(len(between))])
    return np.concatenate([vertices, between]), np.concatenate([faces, twice, slivers])


def unused_vertices(vertices, faces, random):
    return np.concatenate([vertices, random.standard_normal((7, 3))]), faces


def split_vertices(vertices, faces, random):
    """Every face has vertices of its own."""
    return vertices[faces].reshape(-1, 3), np.arange(3 * len(faces)).reshape(-1, 3)


def collapsed(vertices, faces, random):
    """A third of the vertices in one place."""
    moved = vertices.copy()
    moved[random.random(len(vertices)) < 0.3] = vertices[0]
    return moved, faces


def everything_in_one_place(vertices, faces, random):
    return np.full_like(vertices, 0.5), faces


def on_one_line(vertices, faces, random):
    return vertices * [1, 0, 0], faces


def flattened(vertices, faces, random):
    return vertices * [1, 1, 0], faces


def many_pieces(vertices, faces, random):
    """Two hundred pieces of very different sizes, some one within another."""
    corners, few = np.unique(faces[:6], return_inverse=True)
    few, piece = few.reshape(-1, 3), vertices[corners]
    sizes = 10.0 ** random.uniform(-4, 0, 200)
    places = random.standard_normal((200, 3))
    copies = (sizes[:, None, None] * piece + places[:, None]).reshape(-1, 3)
    numbered = few + len(piece) * np.arange(200)[:, None, None]
    return copies, numbered.reshape(-1, 3)


def huge(vertices, faces, random):
    return 1e9 * vertices, faces


def tiny(vertices, faces, random):
    return 1e-9 * vertices, faces


def far_away(vertices, faces, random):
    return vertices + 1e6, faces


def spiked(vertices, faces, random):
    moved = vertices.copy()
    moved[int(random.integers(len(vertices)))] *= 1e3
    return moved, faces


FAULTS = [
    sound,
    non_manifold,
    self_overlapping,
    opened,
    inverted,
    half_inverted,
    duplicated_faces,
    degenerate_faces,
    unused_vertices,
    split_vertices,
    collapsed,
    everything_in_one_place,
    on_one_line,
    flattened,
    many_pieces,
    huge,
    tiny,
    far_away,
    spiked,
]

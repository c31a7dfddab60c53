"""The surface of a mirror-symmetric solid as a mesh, finer where the solid is finer.

Marching cubes needs one cell size throughout; digits and the gaps between them need cells a
quarter as large as the trunk does. The dual method takes cells of any size side by side: a
vertex in each cell that the surface passes through, a face round each edge that it crosses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.demo.cells import Field, cells_along, cells_round, crossed_edges, key

__all__ = ["Skin", "surface_net"]

Points = NDArray[np.float64]
Lattice = NDArray[Any]  # of whole numbers

RELAXATIONS = 4


@dataclass(frozen=True, eq=False)
class Skin:
    """A surface with its normals.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
    normals : ndarray, shape (n, 3)
        Unit length, outward.
    faces : ndarray, shape (m, 3)
        Anticlockwise from outside.
    """

    vertices: Points
    normals: Points
    faces: Lattice


def surface_net(
    field: Field,
    size: float,
    lower: Points,
    upper: Points,
    wanted: Callable[[Points, float], Points],
) -> Skin:
    """Half of the zero surface of a field that is symmetric across x = 0.

    Parameters
    ----------
    field : callable
        ``field(points, within)`` is a signed distance that is right below `within` and never
        changes by more than the points move.
    size : float
        Edge of the largest cells.
    lower, upper : ndarray, shape (3,)
        A box that holds the half solid.
    wanted : callable
        ``wanted(points, cell)`` is the cell size to go down to round cells at these points. It
        may change only where the surface is plain at the scale of the larger cells. Cells at
        the plane of symmetry stay at `size`: they straddle it and have their vertex on it.

    Returns
    -------
    Skin
        Its rim has x exactly 0; x is positive elsewhere.

    References
    ----------
    S. Gibson, "Constrained elastic surface nets", MICCAI 1998, for the vertex of a cell;
    T. Ju, F. Losasso, S. Schaefer and J. Warren, "Dual contouring of Hermite data", SIGGRAPH
    2002, for cells of several sizes.
    """
    cells = cells_along(field, size, lower, upper, wanted)
    edges = crossed_edges(field, cells)
    around = cells_round(edges, cells)
    # where cells of two sizes meet, the short edges count
    shortest = np.where(around >= 0, cells.edge[around], 0).min(axis=1)
    minimal = shortest >= edges.length
    edges, around = edges.only(minimal), around[minimal]

    outward = edges.ends[:, 0] < 0
    used, quads = _sheets(around, key(edges.along(edges.length * ~outward).astype(np.int64)))
    quads = np.where(outward[:, None], quads, quads[:, ::-1])
    share = edges.ends[:, 0] / (edges.ends[:, 0] - edges.ends[:, 1])
    crossing = cells.origin + cells.step * edges.along(edges.length * share)
    member = sparse.coo_array(
        (np.ones(quads.size), (quads.ravel(), np.repeat(np.arange(len(quads)), 4)))
    ).tocsr()
    vertices = (member @ crossing) / member.sum(axis=1)[:, None]
    centre = cells.corner[used, 0] == 0
    vertices[centre, 0] = 0
    vertices = _relaxed(field, vertices, quads, centre, cells.step * cells.edge[used])
    faces = _triangles(quads, vertices)
    return Skin(vertices, _normals(vertices, faces, centre), faces)


def _sheets(cells: Lattice, inner: Lattice) -> tuple[Lattice, Lattice]:
    """A vertex for each sheet of surface in a cell: its cell, and the quads' corners as vertices.

    Two quads of a cell are of one sheet if they meet in a face of the cell. Where four meet, the
    two round one inner lattice point do: what is apart, stays apart.
    """
    corner = np.arange(cells.size).reshape(cells.shape)
    beside, after = np.roll(cells, -1, axis=1), np.roll(corner, -1, axis=1)
    low = np.where(cells < beside, corner, after)
    high = np.where(cells < beside, after, corner)
    between = cells != beside
    _, face, meeting = np.unique(
        np.sort(np.stack([cells[between], beside[between]]), axis=0),
        axis=1,
        return_inverse=True,
        return_counts=True,
    )
    crowded = np.where(meeting[face] > 2, np.repeat(inner, 4)[between.ravel()], -1)
    order = np.lexsort((crowded, face))
    alike = (np.diff(face[order]) == 0) & (np.diff(crowded[order]) == 0)
    one, other = order[:-1][alike], order[1:][alike]
    links = [(each[between][one], each[between][other]) for each in (low, high)]
    links.append((corner[~between], after[~between]))
    pairs = np.concatenate(links, axis=1)
    graph = sparse.coo_array((np.ones(pairs.shape[1]), pairs), shape=(cells.size,) * 2)
    _, sheet = connected_components(graph, directed=False)
    _, first = np.unique(sheet, return_index=True)
    return cells.ravel()[first], sheet.reshape(cells.shape)


def _relaxed(
    field: Field, vertices: Points, quads: Lattice, centre: NDArray[np.bool_], cell: NDArray[Any]
) -> Points:
    """Even out the spacing along the surface, then bring every vertex onto it."""
    pairs = np.concatenate([quads, np.roll(quads, -1, axis=1)], axis=None).reshape(2, -1)
    pairs = pairs[:, pairs[0] != pairs[1]]
    ones = np.ones(pairs.shape[1])
    near = sparse.coo_array((ones, pairs), shape=(len(vertices),) * 2).tocsr()
    near = near + near.T
    near.data[:] = 1
    # off the plane of symmetry, a neighbour of a vertex on it stands for its mirror image too
    near = near + sparse.diags_array(centre * 1.0) @ near @ sparse.diags_array(~centre * 1.0)
    near = sparse.diags_array(1 / near.sum(axis=1)) @ near
    for _ in range(RELAXATIONS):
        normals = _normals(vertices, _triangles(quads, vertices), centre)
        step = near @ vertices - vertices
        step -= np.einsum("ij,ij->i", step, normals)[:, None] * normals
        vertices = vertices + step / 2
        vertices[centre, 0] = 0
        off = np.clip(field(vertices, float(cell.max())), -cell / 2, cell / 2)
        vertices -= off[:, None] * normals
    return vertices


def _normals(vertices: Points, faces: Lattice, centre: NDArray[np.bool_]) -> Points:
    normals = igl.per_vertex_normals(vertices, faces)
    normals[centre, 0] = 0
    return normals / np.linalg.norm(normals, axis=1)[:, None]


def _triangles(quads: Lattice, vertices: Points) -> Lattice:
    """Cut every quad across its shorter diagonal; two corners of one vertex leave a triangle."""
    corners = vertices[quads]
    first = np.linalg.norm(corners[:, 0] - corners[:, 2], axis=1)
    second = np.linalg.norm(corners[:, 1] - corners[:, 3], axis=1)
    turned = np.where((first <= second)[:, None], quads, np.roll(quads, -1, axis=1))
    faces = np.concatenate([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]])
    once = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    return faces[once]

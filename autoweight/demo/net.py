"""The surface of a mirror-symmetric solid as a mesh, finer where the solid is finer.

Marching cubes needs one cell size throughout; digits and the gaps between them need cells a
quarter as large as the trunk does. The dual method takes cells of any size side by side: a
vertex in each cell that the surface passes through, a face round each edge that it crosses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.demo.cells import Cells, Field, cells_along, cells_round, crossed_edges, key
from autoweight.errors import GeometryError
from autoweight.vectors import unit

__all__ = ["Skin", "surface_net"]

Points = NDArray[np.float64]
Lattice = NDArray[Any]  # of whole numbers

RELAXATIONS = 4
SHIFTS = (0.0, 0.29, 0.53, 0.71)
"""Where the lattice is tried, in cells. Two sheets nearer than a cell can touch in one place of it
and not in another."""


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
        Its rim has x exactly 0; x is positive elsewhere. Sewn to its mirror image it is closed and
        manifold.

    Raises
    ------
    GeometryError
        The cells are too large to tell the parts of the solid apart.

    References
    ----------
    S. Gibson, "Constrained elastic surface nets", MICCAI 1998, for the vertex of a cell;
    T. Ju, F. Losasso, S. Schaefer and J. Warren, "Dual contouring of Hermite data", SIGGRAPH
    2002, for cells of several sizes.
    """
    for shift in SHIFTS:
        found = _net(field, cells_along(field, size, lower, upper, wanted, shift))
        if _sound(found):
            return found
    raise GeometryError(f"cells of {size:g} are too large for this solid; use smaller ones")


def _net(field: Field, cells: Cells) -> Skin:
    edges = crossed_edges(field, cells)
    around = cells_round(edges, cells)
    # where cells of two sizes meet, the short edges count
    shortest = np.where(around >= 0, cells.edge[around], 0).min(axis=1)
    minimal = shortest >= edges.length
    edges, around = edges.only(minimal), around[minimal]

    outward = edges.ends[:, 0] < 0
    inner = key(edges.along(edges.length * ~outward).astype(np.int64))
    used, quads = _sheets(around, inner, cells.corner[:, 0] == 0)
    solid = ~_folded(quads)
    edges, outward, quads = edges.only(solid), outward[solid], quads[solid]
    left, quads = np.unique(quads, return_inverse=True)
    used, quads = used[left], quads.reshape(-1, 4)
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
    return Skin(vertices, _normals(vertices, quads, centre), _triangles(quads, vertices))


def _sheets(cells: Lattice, inner: Lattice, rim: NDArray[np.bool_]) -> tuple[Lattice, Lattice]:
    """A vertex for each sheet of surface in a cell: its cell, and the quads' corners as vertices.

    Two quads of a cell are of one sheet if they meet in a face of the cell. Where four meet, the
    two round one inner lattice point do: what is apart, stays apart. In a face between two cells
    of the rim every quad meets its own mirror image.
    """
    corner = np.arange(cells.size).reshape(cells.shape)
    beside, after = np.roll(cells, -1, axis=1), np.roll(corner, -1, axis=1)
    low = np.where(cells < beside, corner, after)
    high = np.where(cells < beside, after, corner)
    between = (cells != beside) & ~(rim[cells] & rim[beside])
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
    links.append((corner[cells == beside], after[cells == beside]))
    pairs = np.concatenate(links, axis=1)
    graph = sparse.coo_array((np.ones(pairs.shape[1]), pairs), shape=(cells.size,) * 2)
    _, sheet = connected_components(graph, directed=False)
    _, first = np.unique(sheet, return_index=True)
    return cells.ravel()[first], sheet.reshape(cells.shape)


def _folded(quads: Lattice) -> NDArray[np.bool_]:
    """Quads that lie back to back on another of the same vertices, with nothing between."""
    ordered = np.sort(quads, axis=1)
    ordered[:, 1:][ordered[:, 1:] == ordered[:, :-1]] = -1
    _, alike, count = np.unique(
        np.sort(ordered, axis=1), axis=0, return_inverse=True, return_counts=True
    )
    return count[alike.ravel()] > 1


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
        normals = _normals(vertices, quads, centre)
        step = near @ vertices - vertices
        step -= np.einsum("ij,ij->i", step, normals)[:, None] * normals
        vertices = vertices + step / 2
        vertices[centre, 0] = 0
        off = np.clip(field(vertices, float(cell.max())), -cell / 2, cell / 2)
        vertices -= off[:, None] * normals
    return vertices


def _sound(skin: Skin) -> bool:
    """Whether every edge has two faces once the mirror image is sewn on."""
    ends = np.sort(np.stack([skin.faces, np.roll(skin.faces, -1, axis=1)], axis=-1), axis=-1)
    edges, count = np.unique(ends.reshape(-1, 2), axis=0, return_counts=True)
    both = np.where((skin.vertices[edges, 0] == 0).all(axis=1), 2, 1)
    return bool((both * count == 2).all())


def _normals(vertices: Points, quads: Lattice, centre: NDArray[np.bool_]) -> Points:
    """Unit normals, the mean of those of the quads round a vertex by their area."""
    first, second, third, fourth = (vertices[quads[:, corner]] for corner in range(4))
    across = np.repeat(np.cross(third - first, fourth - second), 4, axis=0)
    normals = np.stack(
        [np.bincount(quads.ravel(), part, minlength=len(vertices)) for part in across.T], axis=1
    )
    normals[centre, 0] = 0
    return unit(normals.astype(np.float64))


def _triangles(quads: Lattice, vertices: Points) -> Lattice:
    """Cut every quad in two; two corners of one vertex leave a triangle.

    The shorter diagonal is the cut, but for one that another quad has as its cut or its side.
    """
    corners = vertices[quads]
    first = np.linalg.norm(corners[:, 0] - corners[:, 2], axis=1)
    second = np.linalg.norm(corners[:, 1] - corners[:, 3], axis=1)
    turned = np.where((first <= second)[:, None], quads, np.roll(quads, -1, axis=1))
    cut = np.sort(turned[:, [0, 2]], axis=1) @ [len(vertices), 1]
    sides = np.sort(np.stack([quads, np.roll(quads, -1, axis=1)], axis=-1), axis=-1)
    _, alike, count = np.unique(cut, return_inverse=True, return_counts=True)
    proper = (quads != np.roll(quads, 1, axis=1)).all(axis=1)
    taken = (count[alike] > 1) | np.isin(cut, sides @ [len(vertices), 1])
    turned = np.where((proper & taken)[:, None], np.roll(turned, -1, axis=1), turned)
    faces = np.concatenate([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]])
    return faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]

"""Matches between surfaces that are near and face the right way, and are wrong all the same."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from autoweight.rows import row_differences
from autoweight.surface.places import Ground
from autoweight.surface.prepare import Surface
from autoweight.vectors import unit

__all__ = ["astray", "lonely", "vague"]

PROBES = 6
"""Places tried round a match that is off."""

SAMPLES = 1 << 15
"""Vertices that speak for their neighbours in a mesh that has more."""

DOUBT = 1.0
"""Sum of absolute differences from which values are quite other: half of them moved."""

JUMP = 0.25
"""Sum of absolute differences between neighbours from which they may be on different layers."""

STEPS = 16
"""Steps in which the edge between them is walked."""

LEAP = 3.0
"""Steps that the nearest place may move in one."""

COMPANY = 1 / 3
"""Share of its neighbours that must have a match for one to be believed."""


def lonely(target: Surface, sure: NDArray[np.bool_], known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Matches amid vertices without one: coincidences.

    Parameters
    ----------
    target : Surface
    sure, known : ndarray, shape (n,), bool
        Vertices that lie on the source itself, and all that have a match.

    Returns
    -------
    ndarray, shape (n,), bool
    """
    first, second = target.edges.T
    beside = np.bincount(first, known[second], len(target))
    beside += np.bincount(second, known[first], len(target))
    return known & ~sure & (beside < COMPANY * np.bincount(target.edges.ravel(), None, len(target)))


def vague(
    ground: Ground,
    target: Surface,
    place: NDArray[np.float64],
    asked: NDArray[np.bool_],
    values: sparse.csr_array,
    rows: sparse.csr_array,
) -> NDArray[np.bool_]:
    """Matches so far off that another place as near would have quite other values.

    A vertex that moved by some distance may as well have come from any place about as far from
    its match. Where those agree, as on a torso, the distance does no harm; where they do not, as
    among fingers, the match says nothing.

    Parameters
    ----------
    ground : Ground
        Of the source.
    target : Surface
    place : ndarray, shape (n, 3)
        Where each vertex of the target is on the source.
    asked : ndarray, shape (n,), bool
        The matches in question.
    values, rows : csr_array, shape (s, j) and (n, j)
        On the vertices of the source, and as interpolated at the places.

    Returns
    -------
    ndarray, shape (n,), bool
    """
    found = np.zeros(len(target), dtype=bool)
    every = np.flatnonzero(asked)
    if len(every) == 0:
        return found
    chosen = every[:: -(-len(every) // SAMPLES)]
    away = np.linalg.norm(place[chosen] - target.vertices[chosen], axis=1)
    first, second = _tangents(target.normals[chosen])
    turn = (2 * np.pi * np.arange(PROBES) / PROBES)[:, None, None]
    around = away[:, None] * (np.cos(turn) * first + np.sin(turn) * second)
    probes = ground.nearest((place[chosen] + around).reshape(-1, 3))
    there = sparse.csr_array(probes.interpolator(ground.surface) @ values)
    both = sparse.csr_array(sparse.vstack([rows[chosen], there], format="csr"))
    many = len(chosen)
    change = row_differences(
        both, np.tile(np.arange(many), PROBES), np.arange(many, (PROBES + 1) * many)
    )
    verdict = change.reshape(PROBES, many).max(axis=0) > DOUBT
    speaker = cKDTree(target.vertices[chosen]).query(target.vertices[every])[1]
    found[every] = verdict[speaker]
    return found


def astray(
    ground: Ground,
    target: Surface,
    place: NDArray[np.float64],
    sure: NDArray[np.bool_],
    known: NDArray[np.bool_],
    values: sparse.csr_array,
    rows: sparse.csr_array,
) -> NDArray[np.bool_]:
    """Matches on the wrong one of two layers that lie close together.

    Where the values of two neighbours differ much, the edge between them is walked: on one layer
    they change step by step; from one layer to another the nearest place leaps, and they with
    it. Of the two sides of a leap the one with fewer sure vertices is astray. Layers with the
    same values need not be told apart.

    Parameters
    ----------
    ground : Ground
        Of the source.
    target : Surface
    place : ndarray, shape (n, 3)
        Where each vertex of the target is on the source.
    sure, known : ndarray, shape (n,), bool
        Vertices that lie on the source itself, and all that have a place.
    values, rows : csr_array, shape (s, j) and (n, j)
        On the vertices of the source, and as interpolated at the places.

    Returns
    -------
    ndarray, shape (n,), bool
    """
    linked = target.edges[known[target.edges].all(axis=1)]
    edges = linked[~sure[linked].all(axis=1)]
    jump = row_differences(rows, edges[:, 0], edges[:, 1])
    edges, jump = edges[jump > JUMP], jump[jump > JUMP]
    edges = edges[_leaps(ground, target, place, edges, jump, values, rows)]
    if len(edges) == 0:
        return np.zeros(len(target), dtype=bool)

    cut = np.isin(linked @ [len(target), 1], edges @ [len(target), 1])
    first, second = linked[~cut].T
    graph = sparse.coo_array((np.ones(len(first)), (first, second)), shape=(len(target),) * 2)
    cluster = connected_components(graph, directed=False)[1]
    strength = np.bincount(cluster, sure + known / len(target))
    pairs = np.unique(np.sort(cluster[edges], axis=1), axis=0)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    weak: set[int] = set()
    for each in sorted(np.unique(pairs), key=lambda one: (-strength[one], one)):
        if each not in weak:
            beside = np.setdiff1d(pairs[(pairs == each).any(axis=1)], each)
            weak.update(int(other) for other in beside if strength[other] <= strength[each])
    lost = np.isin(cluster, sorted(weak))
    # A leap within one cluster: the end farther from the source is the worse one.
    inner = edges[cluster[edges[:, 0]] == cluster[edges[:, 1]]]
    away = np.linalg.norm(place - target.vertices, axis=1)
    lost[np.where(away[inner[:, 0]] > away[inner[:, 1]], inner[:, 0], inner[:, 1])] = True
    return lost & ~sure


def _leaps(
    ground: Ground,
    target: Surface,
    place: NDArray[np.float64],
    edges: NDArray[np.int32],
    jump: NDArray[np.float64],
    values: sparse.csr_array,
    rows: sparse.csr_array,
) -> NDArray[np.bool_]:
    """Whether the nearest place leaps on the way along each edge, and the values with it."""
    many, share = len(edges), np.linspace(0, 1, STEPS + 1)[1:-1, None, None]
    start, end = target.vertices[edges[:, 0]], target.vertices[edges[:, 1]]
    walk = ground.nearest(((1 - share) * start + share * end).reshape(-1, 3))
    inner = walk.position.reshape(STEPS - 1, many, 3)
    stops = np.concatenate([place[edges[:, 0]][None], inner, place[edges[:, 1]][None]])
    leap = np.linalg.norm(np.diff(stops, axis=0), axis=2)
    step = np.linalg.norm(end - start, axis=1) / STEPS
    between = walk.interpolator(ground.surface) @ values
    along = sparse.vstack([rows[edges[:, 0]], between, rows[edges[:, 1]]], format="csr")
    change = row_differences(
        sparse.csr_array(along), np.arange(STEPS * many), np.arange(many, (STEPS + 1) * many)
    )
    return ((leap > LEAP * step) & (change.reshape(STEPS, many) > jump / 2)).any(axis=0)


def _tangents(normals: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two unit vectors across each normal and each other."""
    axis = np.eye(3)[np.abs(normals).argmin(axis=1)]
    first = unit(np.cross(normals, axis))
    first = np.where(first.any(axis=1, keepdims=True), first, axis)
    return first, np.cross(normals, first)

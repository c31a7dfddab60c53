"""Where a mesh is open though its faces meet: what a modeller would call not joined."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.surface.health import health
from autoweight.surface.pieces import bridges
from autoweight.surface.prepare import Surface

__all__ = ["joined"]

NARROW = 0.25
"""A gap is one that is narrower than this share of the open edge across it."""

NEAR = 8
"""Open edges, by their middles, that are looked at from each open vertex."""

ROUND = 4
"""Vertices that each of a piece by itself is tied to: those round the place it is over."""

FEW = 64
"""Vertices of a piece that is looked at together with all others as small."""

END = 0.05
"""Share of an edge from its end within which a vertex lies at that end."""


def joined(surface: Surface) -> Iterator[tuple[str, Surface]]:
    """The surface as it would be if its gaps were closed, one kind of gap after another.

    Parameters
    ----------
    surface : Surface

    Yields
    ------
    reason : str
        What was not joined.
    surface : Surface
        With the same vertices, and with faces across gaps of this kind and those before.
    """
    vertex, edge, inner = _across(surface)
    for reason, chosen in (
        ("faces beside each other are not joined there", ~inner),
        ("a vertex lies on an edge that runs past it", inner),
    ):
        if chosen.any():
            surface = _with(surface, np.column_stack([vertex[chosen], edge[chosen]]))
            yield reason, surface
    alone = _alone(surface)
    if len(alone):
        yield "the piece it is on is joined to no other", _with(surface, alone)


def _with(surface: Surface, faces: NDArray[np.integer]) -> Surface:
    return replace(surface, faces=np.concatenate([surface.faces, faces]).astype(np.int32))


def _across(
    surface: Surface,
) -> tuple[NDArray[np.intp], NDArray[np.int32], NDArray[np.bool_]]:
    """Open vertices with an open edge close by: which, its ends, and whether they lie within it."""
    rim = health(surface).rim
    open_ = np.unique(rim).astype(np.intp)
    if len(rim) == 0:
        return open_, rim, np.zeros(0, dtype=bool)
    at = surface.vertices
    count = min(NEAR + 4, len(rim))  # those that begin at the vertex are the nearest
    near = cKDTree(at[rim].mean(axis=1)).query(at[open_], range(1, count + 1))[1]
    vertex = np.repeat(open_, count)
    first, second = rim[near.ravel()].T
    way = at[second] - at[first]
    length = np.linalg.norm(way, axis=1)
    share = np.einsum("ij,ij->i", at[vertex] - at[first], way) / length**2
    gap = np.linalg.norm(at[first] + np.clip(share, 0, 1)[:, None] * way - at[vertex], axis=1)
    # What is joined to an end of the edge already lies beside it, and not across.
    beside = (first == vertex) | (second == vertex)
    for end in (first, second):
        beside |= np.asarray(surface.adjacency[vertex, end] > 0).ravel()
    gap = np.where(beside, np.inf, gap / length).reshape(-1, count)
    best = np.arange(len(open_)) * count + gap.argmin(axis=1)
    best = best[gap.min(axis=1) < NARROW]
    within = (share[best] > END) & (share[best] < 1 - END)
    return vertex[best], np.column_stack([first, second])[best], within


def _alone(surface: Surface) -> NDArray[np.int64]:
    """Faces from the vertices of pieces that nothing touches to what is nearest, (f, 3)."""
    pieces = surface.components
    touched = np.zeros(int(pieces.max()) + 1, dtype=bool)
    touched[pieces[bridges(surface)]] = True
    touched[np.bincount(pieces, surface.areas).argmax()] = True
    at, ranks = surface.vertices, np.arange(ROUND)
    small = np.bincount(pieces) <= FEW
    # Cards and hairs may be thousands: among so many nearest there are others' vertices too.
    own = np.flatnonzero((small & ~touched)[pieces])
    near = cKDTree(at).query(at[own], range(1, min(FEW + ROUND, len(at)) + 1))[1]
    others = pieces[near] != pieces[own][:, None]
    first = np.argsort(~others, axis=1, kind="stable")
    first = np.take_along_axis(
        first, np.minimum(ranks, others.sum(axis=1, keepdims=True) - 1), axis=1
    )
    hosts = [(own, np.take_along_axis(near, first, axis=1))]
    for piece in np.flatnonzero(~touched & ~small):
        own, rest = np.flatnonzero(pieces == piece), np.flatnonzero(pieces != piece)
        places = np.minimum(ranks, len(rest) - 1) + 1
        hosts.append((own, rest[cKDTree(at[rest]).query(at[own], places)[1]]))
    return np.concatenate(
        [np.column_stack([own, pair]) for own, host in hosts for pair in (host[:, :2], host[:, 2:])]
    ).astype(np.int64)

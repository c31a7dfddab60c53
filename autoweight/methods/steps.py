"""Hand-overs that cross: no weight climbs faster than the profiles about it do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.recipes.profiles import Falloff, Points, curve
from autoweight.rows import entry_rows, normalised, selected
from autoweight.surface import Surface
from autoweight.surface.geodesics import smoothed, spread

__all__ = ["Share", "eased", "sheer", "steepest"]

STEP, EASY = 1.2, 1.15
"""How much steeper than the profiles about it a weight may be, and what it becomes where it is
steeper: a little less, since rows are scaled to 1 afterwards, which lifts some steps again."""

ROUNDS = 4
"""Times that weights are looked over, as what is eased at one joint may lift another."""

ROUNDING = 1e-12
"""Differences below this are not there."""

FINE = 32
"""Places a bone at which the slope of a profile is taken."""


@dataclass(frozen=True, eq=False)
class Share:
    """What the profile of a chain gives its joints, before hand-overs to other chains.

    Parameters
    ----------
    joints : ndarray, shape (m,), int
    rows : ndarray, shape (r,), int
        Surface vertices that are round the chain or round what hangs from it, ascending.
    weights : ndarray, shape (r, m)
        Not a number where the chain turns too sharply to be a curve.
    """

    joints: NDArray[np.intp]
    rows: NDArray[np.intp]
    weights: NDArray[np.float64]


def steepest(
    falloff: Falloff, stations: NDArray[np.float64], hangs: bool, spans: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The steepest slope of a chain's profile along each of its bones.

    Parameters
    ----------
    falloff : Falloff
    stations : ndarray, shape (k,)
        As for `Falloff.weights`.
    hangs : bool
        Whether a bone before its first joint is its own too.
    spans : ndarray, shape (k - 1,)
        How long each bone is, in scene units.

    Returns
    -------
    ndarray, shape (k - 1,)
        By scene unit.
    """
    count = len(spans)
    places = np.linspace(0, count + 1, FINE * (count + 1) + 1) - hangs
    weights = falloff.weights(places, stations, hangs=hangs)
    weights = np.column_stack([weights, weights.sum(axis=1)])
    steps = FINE * np.abs(np.diff(weights, axis=0)).max(axis=1)
    steps = steps.reshape(count + 1, FINE).max(axis=1)
    steps[-2] = max(steps[-2:])  # beyond the last joint the chain goes on as its last bone does
    return np.asarray(steps[:-1] / spans)


def sheer(shape: str | Points, width: float) -> float:
    """The steepest slope of a curve that falls over some width, by scene unit."""
    fall = np.diff(curve(shape, np.linspace(0, 1, FINE + 1)))
    return float(FINE * np.abs(fall).max() / width)


def eased(
    surface: Surface,
    weights: sparse.csr_array,
    slopes: NDArray[np.float64],
    shares: list[Share],
) -> sparse.csr_array:
    """Weights without the steps there are where hand-overs cross.

    Along a limb, across it, and away from several rims at once, hand-overs multiply, and may be
    steeper together than any by itself. Where they are, the weight of a joint becomes the nearest
    that is not, among the vertices that are round its chain.

    Parameters
    ----------
    surface : Surface
    weights : csr_array, shape (n, j)
        Rows sum to 1.
    slopes : ndarray, shape (j,)
        The steepest of the profiles about each joint, by scene unit.
    shares : list of Share
        What is steep by intent: a profile on the inside of a curve. All joints are in one.

    Returns
    -------
    csr_array, shape (n, j)
    """
    first, second = surface.edges.T
    length = np.linalg.norm(surface.vertices[first] - surface.vertices[second], axis=1)
    for _ in range(ROUNDS):
        about = np.maximum.reduceat(slopes[weights.indices], weights.indptr[:-1])
        limit = length * np.maximum(about[first], about[second])
        steps = abs(weights[first] - weights[second])
        steps = selected(steps, steps.data > STEP * limit[entry_rows(steps)]).tocsc()
        if steps.nnz == 0:
            break
        limit *= EASY
        near = _near(surface.edges, limit, np.unique(steps.indices), len(surface))
        close = np.flatnonzero(near[first] & near[second])
        columns, changes = weights.tocsc(), []
        for share in shares:
            if not np.diff(steps.indptr)[share.joints].any():
                continue
            rows = share.rows[near[share.rows]]
            inside, ends = _within(rows, surface.edges[close], len(surface))
            inside = close[inside]
            for number, joint in enumerate(share.joints):
                mine = slice(steps.indptr[joint], steps.indptr[joint + 1])
                edge, size = steps.indices[mine], steps.data[mine]
                own = _difference(share, number, first[edge], second[edge])
                meant = size <= own * (1 + ROUNDING)
                if not meant.all():
                    values = columns[:, [joint]].toarray().ravel()[rows]
                    allowed = limit[inside]
                    kept = np.isin(inside, edge[meant])
                    allowed[kept] = size[meant][np.isin(edge[meant], inside)]
                    change = smoothed(_network(ends, allowed, len(rows)), values) - values
                    kept = np.abs(change) > ROUNDING
                    changes.append((change[kept], rows[kept], np.full(kept.sum(), joint)))
        if not changes:
            break
        change, row, column = map(np.concatenate, zip(*changes, strict=True))
        weights = normalised(
            weights + sparse.csr_array((change, (row, column)), shape=weights.shape)
        )
    return weights


def _near(
    edges: NDArray[np.integer], limit: NDArray[np.float64], steep: NDArray[np.integer], size: int
) -> NDArray[np.bool_]:
    """Vertices so near to some edges that a weight may change there on their account, (n,)."""
    graph = _network(edges, limit, size)
    seeds = np.unique(edges[steep])
    zero = np.zeros(len(seeds), dtype=int)
    return spread(graph, seeds, zero, zero.astype(np.float64), limit=1.0)[0] >= 0


def _difference(
    share: Share, number: int, first: NDArray[np.integer], second: NDArray[np.integer]
) -> NDArray[np.float64]:
    """What the profile alone changes a joint's weight by along some edges, 0 where it does not."""
    if len(share.rows) == 0:
        return np.zeros(len(first))
    ends = np.stack([first, second])
    place = np.minimum(np.searchsorted(share.rows, ends), len(share.rows) - 1)
    values = np.where(share.rows[place] == ends, share.weights[place, number], np.nan)
    return np.nan_to_num(np.abs(values[0] - values[1]), nan=0.0)


def _within(
    rows: NDArray[np.integer], edges: NDArray[np.integer], size: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which edges are between some vertices, and the places of their ends among those, (e, 2)."""
    local = np.full(size, -1)
    local[rows] = np.arange(len(rows))
    first, second = local[edges[:, 0]], local[edges[:, 1]]
    inside = np.flatnonzero((first >= 0) & (second >= 0))
    return inside, np.column_stack([first[inside], second[inside]])


def _network(edges: NDArray[np.integer], steps: NDArray[np.float64], size: int) -> sparse.csr_array:
    """How much values may change along edges, both ways, (n, n)."""
    half = sparse.coo_array((steps, tuple(edges.T)), shape=(size, size))
    return sparse.csr_array(half + half.T)

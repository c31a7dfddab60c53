"""Weights made fit for a file: few a vertex, none tiny, exact sums."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import RecipeError, WeightsError
from autoweight.recipes.recipe import BITS, Tidy
from autoweight.rig import Mesh, Skeleton, Weights
from autoweight.rows import entry_rows, firsts, in_units, replaced, selected
from autoweight.surface import Surface, prepare
from autoweight.weights.locks import Locks
from autoweight.weights.strays import SAME, remaining, unwanted

__all__ = ["precision", "quantise", "tidy"]

CHUNK = 1 << 14
"""Rows worked on at once; their block stays in the cache."""

FLOAT_SLACK = 1e-7
"""Rows of floats off by less than this are left alone, so that rounding twice changes nothing."""

UNIT_SLACK = 1e-6
"""Multiples of a unit off by less than this are whole: what reading and dividing leaves."""

ROUNDS = 10
"""Sweeps that spread a cap over the neighbours; three do most of it."""

TIE = 1e-9
"""Weights nearer than this, as a share of them, are equal."""

STRAY_ROUNDS = 30
"""What one joint gives up may have been another's way home, so it is looked again; 2 to 5 times on
the rigs of others."""

CLING = 0.1
"""How strongly a spread cap clings to the weights it started from, against to its neighbours."""


def tidy(
    weights: Weights,
    how: Tidy | None = None,
    *,
    mesh: Mesh | None = None,
    skeleton: Skeleton | None = None,
    locks: Locks | None = None,
    surface: Surface | None = None,
) -> Weights:
    """Cap the influences of each vertex, prune tiny and stray weights, and normalise.

    Parameters
    ----------
    weights : Weights
    how : Tidy, optional
        Its precision is left to `quantise`, but what that would round to below `how.prune` goes.
    mesh : Mesh, optional
        What the weights are for. With it, the change that the cap makes is spread over the
        neighbours of a vertex, so that no step shows where one of them drops another joint.
    skeleton : Skeleton, optional
        Whose joints they are. With it and the mesh, weight that has no business where it is goes;
        see `autoweight.weights.strays.unwanted`.
    locks : Locks, optional
        Weights that stay as they are, in place in `weights` already. They count toward the cap
        but are never dropped for it; what is not locked makes room.
    surface : Surface, optional
        ``prepare(mesh)``, when it is there already.

    Returns
    -------
    Weights
        A vertex keeps its largest weight whatever the threshold. Of equal weights that the cap
        would part none is kept, or the first where there is no other. Vertices that are one place
        and had equal rows still do.

    Raises
    ------
    RecipeError
        A cap below one influence.
    WeightsError
        Not one row for each vertex of the mesh.
    """
    how = how or Tidy()
    if how.max_influences < 1:
        raise RecipeError(f"max_influences is {how.max_influences}; a vertex needs at least one")
    if how.bits < 32:
        units = 2**how.bits - 1
        how = replace(how, prune=np.ceil(how.prune * units) / units)
    if mesh is not None and len(mesh.vertices) != weights.shape[0]:
        raise WeightsError(
            f"weights: need a row for each of {len(mesh.vertices)} vertices, got {weights.shape[0]}"
        )

    def capped(block: NDArray[np.float64]) -> NDArray[np.float64]:
        over = np.count_nonzero(block, axis=1) > how.max_influences
        if over.any():
            block[over] = _largest(block[over], how.max_influences)
        return _normalised(block)

    def pruned(block: NDArray[np.float64]) -> NDArray[np.float64]:
        largest = block.max(axis=1, keepdims=True)
        return _normalised(np.where((block >= how.prune) | (block == largest), block, 0.0))

    if mesh is None:
        rows = _by_row(_by_row(weights.matrix, capped), pruned)
    else:
        surface = surface or prepare(mesh)
        places, back = _places(weights.matrix, surface)
        cut = _by_row(places, capped)
        tidied = _by_row(_spread(places, cut, surface, how.prune), pruned)
        if skeleton is not None:
            tidied = selected(tidied, tidied.data > 0)
            tidied = _without_strays(tidied, surface, skeleton, how.prune)
        rows = tidied[back]
    return Weights(_locked(rows, weights.matrix, locks, how) if locks else rows)


def quantise(weights: Weights, bits: int, *, locks: Locks | None = None) -> Weights:
    """Round weights to what a file can hold.

    Parameters
    ----------
    weights : Weights
    bits : {32, 16, 8}
        Single floats, or whole multiples of 1/65535 or 1/255.
    locks : Locks, optional
        Weights that stay as they are, in place in `weights` already. Those that the file can
        hold do at any number of bits; others only in single floats, which are left to the file.

    Returns
    -------
    Weights
        The whole multiples of a row sum to exactly 65535 or 255 by the method of largest
        remainders, ties going to the first joint.

    Raises
    ------
    RecipeError
        Another number of bits.

    Notes
    -----
    Rounding the k weights of a row to floats and adding them up as floats is off by at most
    k · 2⁻²⁵, well within the 2e-7 for each non-zero weight that glTF 2.0 allows.
    """
    if bits not in BITS:
        raise RecipeError(f"bits is {bits}; weights are written with 32, 16 or 8")

    def rounded(block: NDArray[np.float64]) -> NDArray[np.float64]:
        if bits < 32:
            return in_units(block, 2**bits - 1) / (2**bits - 1)
        total = block.sum(axis=1, keepdims=True)
        block = block / np.where(np.abs(total - 1) < FLOAT_SLACK, 1.0, total)
        return block.astype(np.float32).astype(np.float64)

    found = Weights(_by_row(weights.matrix, rounded))
    return locks.hold(found) if locks and bits == 32 else found


def precision(weights: Weights) -> int:
    """The fewest bits that hold weights as they are: 8, 16 or, for floats, 32."""
    for bits in (8, 16):
        units = weights.matrix.data * (2**bits - 1)
        if np.abs(units - np.round(units)).max(initial=0.0) < UNIT_SLACK:
            return bits
    return 32


def _largest(block: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """Rows (r, k) with all but the so many largest entries set to 0.

    Of equals that the limit would part, none is kept, so that left and right are treated alike
    on the middle line; only where there is nothing larger, the first are.
    """
    place = block.shape[1] - most
    below, limit = np.split(np.partition(block, (place - 1, place), axis=1)[:, place - 1 :], [1], 1)
    limit = limit[:, :1]
    parted = below >= limit * (1 - TIE)
    kept = np.where(parted, block > limit * (1 + TIE), block >= limit)
    bare = ~kept.any(axis=1)
    if bare.any():
        tied = block[bare] >= limit[bare] * (1 - TIE)
        kept[bare] = tied & (np.cumsum(tied, axis=1) <= most)
    return np.where(kept, block, 0.0)


def _locked(
    rows: sparse.csr_array, before: sparse.csr_array, locks: Locks, how: Tidy
) -> sparse.csr_array:
    """Put locked rows back, and tidy partly locked ones as far as they are free."""
    whole, part = np.flatnonzero(locks.whole), np.flatnonzero(locks.partial)
    rows = replaced(rows, whole, before[whole])
    for begin in range(0, len(part), CHUNK):
        some = part[begin : begin + CHUNK]
        held, locked = locks.dense(some)
        free = np.where(locked, 0.0, before[some].toarray())
        total = free.sum(axis=1, keepdims=True)
        # Something has to take what the locks leave, so one free joint stays whatever the cap.
        room = np.maximum(how.max_influences - (held > 0).sum(axis=1, keepdims=True), 1)
        rank = np.argsort(np.argsort(-free, axis=1, kind="stable"), axis=1, kind="stable")
        free = np.where((rank == 0) | ((rank < room) & (free >= how.prune)), free, 0.0)
        left = free.sum(axis=1, keepdims=True)
        free *= np.divide(total, left, where=left > 0, out=np.zeros_like(left))
        rows = replaced(rows, some, sparse.csr_array(np.where(locked, held, free)))
    return rows


def _normalised(block: NDArray[np.float64]) -> NDArray[np.float64]:
    return block / block.sum(axis=1, keepdims=True)


def _without_strays(
    places: sparse.csr_array, surface: Surface, skeleton: Skeleton, prune: float
) -> sparse.csr_array:
    """Take away what is stray until nothing is.

    What is taken goes to the heaviest joint of the row, so that no other grows by it and sticks
    out in its turn.
    """
    rows = places[: len(surface)]
    joints = None
    for _ in range(STRAY_ROUNDS):
        excess = unwanted(rows, surface, skeleton, joints=joints)
        if excess.nnz == 0:
            break
        # What is found of a joint changes only with a row that it is in.
        joints = np.zeros(rows.shape[1], dtype=bool)
        joints[rows[np.diff(excess.indptr) > 0].indices] = True
        rows = _handed(remaining(rows, excess), prune)
    return sparse.vstack([rows, places[len(surface) :]], format="csr")


def _handed(rows: sparse.csr_array, prune: float) -> sparse.csr_array:
    """Rows that sum to less than 1, without small weights, the rest given to their heaviest."""
    heaviest = np.maximum.reduceat(rows.data, rows.indptr[:-1])
    heaviest = np.repeat(heaviest, np.diff(rows.indptr))
    rows = selected(rows, (rows.data >= prune) | (rows.data == heaviest))
    row = entry_rows(rows)
    top = rows.data >= (np.maximum.reduceat(rows.data, rows.indptr[:-1]) - SAME)[row]
    missing = 1 - np.bincount(row, rows.data)
    missing[missing < SAME] = 0  # rows that nothing was taken from keep every bit
    rows.data += np.where(top, (missing / np.bincount(row, top))[row], 0.0)
    return rows


def _places(
    matrix: sparse.csr_array, surface: Surface
) -> tuple[sparse.csr_array, NDArray[np.intp]]:
    """A row for each vertex of the surface, then those that differ at one place; and the way back.

    Vertices split by a seam have one row in common; parts that touch may have their own.
    """
    rows = matrix[firsts(surface.weld)]
    back = surface.weld.astype(np.intp)
    if len(surface) < len(back):
        differs = np.flatnonzero(abs(matrix - rows[back]).sum(axis=1))
        back[differs] = len(surface) + np.arange(len(differs))
        rows = sparse.vstack([rows, matrix[differs]], format="csr")
    return rows, back


def _spread(
    full: sparse.csr_array, cut: sparse.csr_array, surface: Surface, least: float
) -> sparse.csr_array:
    """Spread over neighbours what a cap changed, leaving each vertex the joints it has.

    With c the change from full to cut, Jacobi sweeps lower Σ |c_a − c_b|² over the edges plus
    CLING · degree · |c|² over the vertices. Rows that lost less than `least` stay as they are.
    Both have the same pattern, `cut` with zeros stored where it dropped a joint.
    """
    kept = cut.data > 0
    lost = np.add.reduceat(np.where(kept, 0.0, full.data), full.indptr[:-1])[: len(surface)]
    rows = np.flatnonzero(lost > least)
    if len(rows) == 0:
        return cut
    pattern = sparse.csr_array((np.arange(full.nnz), full.indices, full.indptr), shape=full.shape)[
        rows
    ]
    entry, joint = pattern.data, pattern.indices.astype(np.int64)
    vertex = entry_rows(pattern)
    slot = np.flatnonzero(kept[entry])
    owner = vertex[slot]

    links = surface.adjacency[rows][:, rows]
    degree = np.diff(surface.adjacency.indptr)[rows]
    # Row by row of `links`, the entry of the same joint at each neighbour, if it has one.
    reach = links[owner]
    key = vertex * full.shape[1] + joint
    wanted = reach.indices * np.int64(full.shape[1]) + np.repeat(joint[slot], np.diff(reach.indptr))
    found = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
    average = sparse.csr_array(
        (
            (key[found] == wanted) / np.repeat(degree[owner], np.diff(reach.indptr)),
            found,
            reach.indptr,
        ),
        shape=(len(slot), len(key)),
    )
    change = (cut.data - full.data)[entry]
    start = full.data[entry[slot]]
    for _ in range(ROUNDS):
        # Never quite 0, so that a row cannot lose all it has.
        value = np.maximum(start + average @ change / (1 + CLING), 1e-3 * start)
        value /= np.bincount(owner, value)[owner]
        change[slot] = value - start
    spread = cut.data.copy()
    spread[entry[slot]] = start + change[slot]
    return sparse.csr_array((spread, full.indices, full.indptr), shape=full.shape)


def _by_row(
    matrix: sparse.csr_array, change: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> sparse.csr_array:
    """Apply a change of dense rows (r, k), k the most entries of any, to sparse ones."""
    # One width for all chunks: sums then add up in one order, and equal rows stay equal.
    place = np.arange(int(np.diff(matrix.indptr).max(initial=0)))
    data = np.empty_like(matrix.data)
    for begin in range(0, matrix.shape[0], CHUNK):
        ends = matrix.indptr[begin : begin + CHUNK + 1]
        filled = place < np.diff(ends)[:, None]
        block = np.zeros(filled.shape)
        block[filled] = matrix.data[ends[0] : ends[-1]]
        data[ends[0] : ends[-1]] = change(block)[filled]
    return sparse.csr_array((data, matrix.indices, matrix.indptr), shape=matrix.shape)

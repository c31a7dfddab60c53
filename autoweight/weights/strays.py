"""Influence that does not belong: weight that cannot be reached downhill from its joint."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import (
    breadth_first_order,
    minimum_spanning_tree,
)
from scipy.spatial import cKDTree

from autoweight.machine.abreast import Ahead, abreast, hands
from autoweight.rig import Skeleton
from autoweight.rows import entry_rows, narrow, owners, replaced, scaled, selected
from autoweight.skeleton.descent import descent
from autoweight.surface import Surface
from autoweight.surface.patches import islands, neighbours
from autoweight.surface.pieces import bridges

__all__ = [
    "NOTABLE",
    "SAME",
    "cleaned",
    "films",
    "remaining",
    "skipping",
    "strays",
    "unrelated",
    "unwanted",
]

SAME = 1e-6
"""Weights nearer than this are the same."""

NOTABLE = 1e-3
"""Stray weight below this moves nothing an eye can see."""

HOME = 0.25
"""A patch is large from this share of the largest of its joint."""

ALIKE = 0.01
"""Joints whose weights differ by less than this hold a vertex together."""

FAINT = 0.05
"""Weights below this are the end of a hand-over or no part of it."""

TRAIL = 1.5
"""How long a hand-over may be in faint weights, by its length in others."""

FEW = 16
"""Of this many vertices one is looked at first, to tell whether the rest have to be."""


def strays(
    weights: sparse.csr_array, surface: Surface, home: NDArray[np.int64] | None = None
) -> sparse.csr_array:
    """How far each weight sticks out of what its joint may hold there.

    From the vertices that a joint owns its weight may fall in any way, but a path over the
    surface that has fallen to some weight cannot rise again. What stands above the best such
    path is stray: an island of influence wholly, a film of it where it thickens.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    surface : Surface
        Pieces that are not connected but touch count as joined there.
    home : ndarray, int, optional
        What `_owned` says of them, where it is known already.

    Returns
    -------
    csr_array, shape (n, j)
        The part of each weight that is stray, between 0 and the weight.

    References
    ----------
    Greyscale reconstruction by dilation (L. Vincent, IEEE Transactions on Image Processing 2(2),
    1993), with the vertices a joint owns as marker and its weights as mask, here exact on a
    graph: the best bottleneck path is the one in the maximum spanning tree.
    """
    marker = _owned(weights, surface) if home is None else home
    here, there = neighbours(weights, np.concatenate([surface.edges, bridges(surface)]))
    doubted = _elsewhere(weights, here, there, marker)
    if not doubted.any():
        return sparse.csr_array(weights.shape)
    # The rest of the work is for the joints that have a summit elsewhere; few have.
    asked = doubted[weights.indices]
    number = np.cumsum(asked) - 1
    height = weights.data[asked]
    joined = asked[here]
    here, there = number[here[joined]], number[there[joined]]
    tops, basin = np.unique(_peaks(height, here, there), return_inverse=True)
    reached = _reached(height, basin, here, there, number[marker[asked[marker]]], len(tops))
    excess = np.zeros(weights.nnz)
    # From an entry up to its peak nothing is lower than the entry itself.
    excess[asked] = height - np.minimum(height, reached[basin])
    found = sparse.csr_array((excess, weights.indices, weights.indptr), shape=weights.shape)
    return selected(found, excess > 0)


def _elsewhere(
    weights: sparse.csr_array,
    here: NDArray[np.int32],
    there: NDArray[np.int32],
    marker: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Joints with a weight away from home that no neighbour exceeds, (j,).

    Of all others every weight can be reached: some way up from it ends at home.
    """
    topped = np.zeros(weights.nnz, dtype=bool)
    topped[marker] = True
    height = weights.data
    topped[here[height[here] < height[there]]] = True
    topped[there[height[there] < height[here]]] = True
    found = np.zeros(weights.shape[1], dtype=bool)
    found[weights.indices[~topped]] = True
    return found


def _peaks(
    height: NDArray[np.float64], here: NDArray[np.int32], there: NDArray[np.int32]
) -> NDArray[np.int64]:
    """Where each entry comes to by always going on to its highest neighbour, (nnz,)."""
    order = np.argsort(height, kind="stable")
    rank = np.empty_like(order)  # heights without ties, so that no way up goes round in circles
    rank[order] = np.arange(len(order))
    above = rank.copy()
    np.maximum.at(above, here, rank[there])
    np.maximum.at(above, there, rank[here])
    up = order[above]
    while (up[up] != up).any():
        up = up[up]
    return up


def _reached(
    height: NDArray[np.float64],
    basin: NDArray[np.int64],
    here: NDArray[np.int32],
    there: NDArray[np.int32],
    marker: NDArray[np.int64],
    count: int,
) -> NDArray[np.float64]:
    """Height of the best path from each basin's peak to a marker, (count,)."""
    across = basin[here] != basin[there]
    here, there = here[across], there[across]
    ends = np.sort(np.column_stack([basin[here], basin[there]]), axis=1)
    ends = np.concatenate([ends, np.column_stack([basin[marker], np.full(len(marker), count)])])
    # A tree of smallest cost holds the paths of largest bottleneck; no cost may be 0.
    cost = 2 - np.concatenate([np.minimum(height[here], height[there]), height[marker]])
    order = np.lexsort((cost, ends[:, 1], ends[:, 0]))
    first = order[np.any(np.diff(ends[order], axis=0, prepend=-1) != 0, axis=1)]
    links = sparse.coo_array((cost[first], ends[first].T), shape=(count + 1, count + 1))
    tree = minimum_spanning_tree(narrow(links.tocsr()))
    order, above = breadth_first_order(tree, count, directed=False)
    above = np.where(above < 0, np.arange(count + 1), above)
    level = np.zeros(count + 1)  # of what no path reaches
    level[count] = np.inf
    level[order[1:]] = 2 - sparse.csr_array(tree + tree.T)[order[1:], above[order[1:]]]
    # The bottleneck of the path to the root, by doubling how far each basin sees.
    while True:
        lowered = np.minimum(level, level[above])
        further = above[above]
        if (further == above).all() and (lowered == level).all():
            return level[:count]
        level, above = lowered, further


def films(
    weights: sparse.csr_array, surface: Surface, home: NDArray[np.int64] | None = None
) -> sparse.csr_array:
    """Faint weight that trails on for longer than its joint's hand-overs are.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    surface : Surface
    home : ndarray, int, optional
        What `_owned` says of them, where it is known already.

    Returns
    -------
    csr_array, shape (n, j)
        Weights below `FAINT` further from the heavier ones of their joint than `TRAIL` times
        the most that those reach from its home, and what hangs together with them and is no
        heavier.
    """
    marker = _owned(weights, surface) if home is None else home
    row = entry_rows(weights)
    faint = (weights.data > 0) & (weights.data < FAINT)
    faint[marker] = False
    at_home = np.zeros(weights.nnz, dtype=bool)
    at_home[marker] = True
    order = np.argsort(weights.indices, kind="stable")
    begin = np.flatnonzero(np.diff(weights.indices[order], prepend=-1))
    far = np.zeros(weights.nnz, dtype=bool)
    at = surface.vertices
    for mine in np.split(order, begin[1:]):
        trail, counts, rooted = mine[faint[mine]], mine[~faint[mine]], mine[at_home[mine]]
        if len(trail):
            far[trail] = _far(at[row[trail]], at[row[counts]], at[row[rooted]], surface.spacing)
    if not far.any():
        return sparse.csr_array(weights.shape)
    film = weights.copy()
    film.data *= faint
    film.eliminate_zeros()
    patch = islands(film, surface.edges)
    thickness = np.zeros(patch.max() + 1)
    np.maximum.at(thickness, patch, np.where(far[faint], film.data, 0.0))
    film.data[film.data > thickness[patch]] = 0
    film.eliminate_zeros()
    return film


def _far(
    trail: NDArray[np.float64],
    counts: NDArray[np.float64],
    home: NDArray[np.float64],
    edge: float,
) -> NDArray[np.bool_]:
    """Which points of a trail are far from those that count, by how far these are from home."""
    tree = _tree(home)
    far = np.ones(len(trail), dtype=bool)
    # A few of the points settle most: from them all is nearer to home, and the trail farther off.
    for step in (FEW, 1):
        some = counts[::step]
        hand_over = tree.query(some)[0].max()
        near = TRAIL * hand_over + edge
        far[far] = np.isinf(_tree(some).query(trail[far], distance_upper_bound=near)[0])
        if not far.any():
            break
    return far


def _tree(points: NDArray[np.float64]) -> cKDTree:
    """One that is asked too little to be worth balancing."""
    return cKDTree(points, compact_nodes=False, balanced_tree=False)


def unwanted(
    weights: sparse.csr_array,
    surface: Surface,
    skeleton: Skeleton,
    least: float = SAME,
    joints: NDArray[np.bool_] | None = None,
) -> sparse.csr_array:
    """The part of each weight that belongs to a joint the vertex has nothing to do with, (n, j).

    Weight in excess of what its joint may hold there (`strays`) or in a film that reaches too far
    (`films`), where the joint that holds the vertex otherwise is neither the joint itself nor its
    parent, grandparent, child or grandchild; and weight that skips a parent (`skipping`).

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    surface : Surface
    skeleton : Skeleton
    least : float
        What is below does not count.
    joints : ndarray, shape (j,), bool, optional
        Nothing of others is looked for.

    Returns
    -------
    csr_array, shape (n, j)
        What can be taken away and leave every row something.
    """
    with Ahead(lambda: skipping(weights, surface, skeleton), hands(len(surface))) as beside:
        leaked = _leaked(weights, surface, skeleton, least, joints)
        skips = beside()
    if joints is not None:
        skips = selected(skips, joints[skips.indices])
    skips = selected(skips, skips.data >= least)
    found = sparse.csr_array(skips.maximum(leaked))
    if found.nnz == 0:
        return found
    # Each leaves a row something, but it may be what the other takes.
    bare = np.flatnonzero(np.diff(remaining(weights, found).indptr) == 0)
    return replaced(found, bare, leaked[bare])


def _leaked(
    weights: sparse.csr_array,
    surface: Surface,
    skeleton: Skeleton,
    least: float,
    joints: NDArray[np.bool_] | None,
) -> sparse.csr_array:
    """Of `unwanted` what no path or hand-over explains."""
    apart = unrelated(skeleton)
    asked = _met(weights, apart, least)
    if joints is not None:
        asked &= joints
    if not asked.any():
        return sparse.csr_array(weights.shape)
    home = _owned(weights, surface, asked)
    bridges(surface)  # worked out here, so that not every process does

    def found(mine: NDArray[np.bool_]) -> sparse.csr_array:
        kept = mine[weights.indices]
        some, own = selected(weights, kept), (np.cumsum(kept) - 1)[home[kept[home]]]
        return sparse.csr_array(strays(some, surface, own).maximum(films(some, surface, own)))

    many = hands(int(np.count_nonzero(asked[weights.indices])))
    turn = np.cumsum(asked) % many
    parts = abreast([partial(found, asked & (turn == each)) for each in range(many)], many)
    excess = sparse.csr_array(sum(parts[1:], parts[0]))
    if excess.nnz == 0:
        return excess
    rest = remaining(weights, excess)
    bare = np.diff(rest.indptr) == 0
    owner = np.full(weights.shape[0], -1)
    owner[~bare] = owners(rest[~bare])
    row = entry_rows(excess)
    excess.data[~apart[owner[row], excess.indices] | (owner[row] < 0)] = 0
    excess.data[excess.data < least] = 0
    excess.eliminate_zeros()
    return excess


def skipping(weights: sparse.csr_array, surface: Surface, skeleton: Skeleton) -> sparse.csr_array:
    """The part of each weight by which a joint has more than its parent beyond that parent.

    From a limb inward a joint hands over to its parent, and that to its own. So where an ancestor
    beyond the parent holds a vertex, the joint has no more there than those between them, unless
    its flesh borders on the ancestor's, as an upper arm's does on the chest.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    surface : Surface
        Pieces that touch border on each other there.
    skeleton : Skeleton

    Returns
    -------
    csr_array, shape (n, j)
    """
    parents, owner = descent(skeleton).above, owners(weights)
    row, joint = entry_rows(weights), weights.indices
    held = owner[np.concatenate([surface.edges, bridges(surface)])]
    doubted = np.zeros((len(skeleton),) * 2, dtype=bool)  # of an ancestor and a joint
    for each in np.unique(owner):
        between = parents[each]
        while between >= 0 and parents[between] >= 0:
            between = parents[between]
            doubted[between, each] = True
    doubted[held[:, 0], held[:, 1]] = doubted[held[:, 1], held[:, 0]] = False
    entry = np.flatnonzero(doubted[owner[row], joint])
    row, joint, height = row[entry], joint[entry], weights.data[entry]
    most = np.zeros(len(entry))
    above = parents[joint]
    while len(left := np.flatnonzero(above != owner[row])):
        most[left] = np.maximum(most[left], weights[row[left], above[left]])
        above[left] = parents[above[left]]
    more = height - most > ALIKE
    return sparse.csr_array(((height - most)[more], (row[more], joint[more])), shape=weights.shape)


def _met(weights: sparse.csr_array, apart: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """Joints of the vertices at which one meets another that it has nothing to do with, (j,)."""
    joint, row = weights.indices, entry_rows(weights)
    heavy = weights.data >= least
    meets = np.zeros(weights.shape[0], dtype=bool)
    for step in range(1, int(np.diff(weights.indptr).max(initial=0))):
        both = row[step:] == row[:-step]
        both &= apart[joint[step:], joint[:-step]] & (heavy[step:] | heavy[:-step])
        meets[row[step:][both]] = True
    found = np.zeros(weights.shape[1], dtype=bool)
    found[joint[meets[row]]] = True
    return found


def cleaned(weights: sparse.csr_array, excess: sparse.csr_array) -> sparse.csr_array:
    """Take weight away and scale what is left of each row to sum to 1."""
    return scaled(remaining(weights, excess))


def remaining(weights: sparse.csr_array, excess: sparse.csr_array) -> sparse.csr_array:
    """What is left of weights when some of each is taken away, without what rounding leaves."""
    rest = sparse.csr_array(weights - excess)
    rest.data[rest.data < SAME] = 0
    rest.eliminate_zeros()
    return rest


def unrelated(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Pairs of joints of which neither is the other's parent or grandparent, (j, j).

    Of bones that joints divide, by the joint before along the bone too.
    """
    related = np.eye(len(skeleton), dtype=bool)
    for parent in (skeleton.parents, descent(skeleton).above):
        for above in (parent, np.where(parent >= 0, parent[parent], -1)):
            has = np.flatnonzero(above >= 0)
            related[has, above[has]] = related[above[has], has] = True
    return ~related


def _owned(
    weights: sparse.csr_array, surface: Surface, joints: NDArray[np.bool_] | None = None
) -> NDArray[np.int64]:
    """Stored positions of the weights that need no path: where their joint is at home.

    Of the patches of vertices that no joint is heavier on, those are the large ones and those on
    other pieces of the mesh; of a joint that is heaviest nowhere, its heaviest weight. With
    `joints`, (j,), only of those.
    """
    most = np.maximum.reduceat(weights.data, weights.indptr[:-1])
    row, joint = entry_rows(weights), weights.indices
    # Joints that share a vertex evenly both hold it, whatever a rounding makes of them.
    asked = np.ones(weights.nnz, dtype=bool) if joints is None else joints[joint]
    heavy = (weights.data >= (most - ALIKE)[row]) & asked
    top, held = np.flatnonzero(heavy), selected(weights, heavy)
    row, joint = row[top], joint[top]
    patch = islands(held, surface.edges)
    size = np.bincount(patch, surface.areas[row])[patch]
    largest = np.zeros(weights.shape[1])
    np.maximum.at(largest, joint, size)
    piece = np.full(weights.shape[1], -1)
    piece[joint[size == largest[joint]]] = surface.components[row[size == largest[joint]]]
    at_home = (size >= HOME * largest[joint]) | (surface.components[row] != piece[joint])
    found = np.zeros(weights.nnz, dtype=bool)
    found[top[at_home]] = True
    best = np.zeros(weights.shape[1])
    np.maximum.at(best, weights.indices, weights.data)
    nowhere = (largest == 0)[weights.indices] & asked
    found |= nowhere & (weights.data >= (best - ALIKE)[weights.indices])
    return np.flatnonzero(found)

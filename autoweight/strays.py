"""Influence that does not belong: weight that cannot be reached downhill from its joint."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree
from scipy.spatial import cKDTree

from autoweight.rig import Skeleton
from autoweight.rows import scaled
from autoweight.surface import Surface
from autoweight.surface.patches import islands, neighbours

__all__ = ["NOTABLE", "cleaned", "owners", "strays", "unrelated", "unwanted"]

SAME = 1e-6
"""Weights nearer than this are the same."""

NOTABLE = 1e-3
"""Stray weight below this moves nothing an eye can see."""

TOUCHING = 1.5
"""Pieces touch where they are nearer than this many edges of usual length."""


def strays(weights: sparse.csr_array, surface: Surface) -> sparse.csr_array:
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
    here, there = neighbours(weights, _bridged(surface))
    root = weights.nnz
    marker = _owned(weights, surface)
    # A tree of smallest cost holds the paths of largest bottleneck; no cost may be 0.
    cost = 2 - np.minimum(weights.data[here], weights.data[there])
    links = sparse.coo_array(
        (
            np.concatenate([cost, 2 - weights.data[marker]]),
            (np.concatenate([here, np.full(len(marker), root)]), np.concatenate([there, marker])),
        ),
        shape=(root + 1, root + 1),
    )
    tree = minimum_spanning_tree(links.tocsr())
    order, above = breadth_first_order(tree, root, directed=False)
    level = np.zeros(root + 1)  # of what no path reaches
    level[order] = np.append(weights.data, np.inf)[order]
    above = np.where(above < 0, np.arange(root + 1), above)
    # The bottleneck of the path to the root, by doubling how far each entry sees.
    while True:
        lowered = np.minimum(level, level[above])
        further = above[above]
        if (further == above).all() and (lowered == level).all():
            break
        level, above = lowered, further
    excess = weights.data - level[:root]
    found = sparse.csr_array((excess, weights.indices, weights.indptr), shape=weights.shape)
    found = found.copy()
    found.eliminate_zeros()
    return found


def owners(weights: sparse.csr_array) -> NDArray[np.int32]:
    """The heaviest joint of each vertex, the first of equals, (n,)."""
    return weights.indices[_heaviest(weights)]


def unwanted(
    weights: sparse.csr_array, surface: Surface, skeleton: Skeleton, least: float = SAME
) -> sparse.csr_array:
    """The part of each weight that belongs to a joint the vertex has nothing to do with, (n, j).

    Weight in excess of what its joint may hold there (`strays`), where the joint that holds the
    vertex otherwise is neither the joint itself nor its parent, grandparent, child or grandchild.
    What is below `least` does not count.
    """
    excess = strays(weights, surface)
    rest = weights - excess
    rest.eliminate_zeros()
    bare = np.diff(rest.indptr) == 0
    owner = np.full(weights.shape[0], -1)
    owner[~bare] = owners(rest[~bare])
    row = np.repeat(np.arange(weights.shape[0]), np.diff(excess.indptr))
    excess.data[~unrelated(skeleton)[owner[row], excess.indices] | (owner[row] < 0)] = 0
    excess.data[excess.data < least] = 0
    excess.eliminate_zeros()
    return excess


def cleaned(weights: sparse.csr_array, excess: sparse.csr_array) -> sparse.csr_array:
    """Take weight away and scale what is left of each row to sum to 1."""
    rest = sparse.csr_array(weights - excess)
    rest.data[rest.data < SAME] = 0
    rest.eliminate_zeros()
    return scaled(rest)


def unrelated(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Pairs of joints of which neither is the other's parent or grandparent, (j, j)."""
    count = len(skeleton)
    parent = skeleton.parents
    grand = np.where(parent >= 0, parent[parent], -1)
    related = np.eye(count, dtype=bool)
    for above in (parent, grand):
        has = np.flatnonzero(above >= 0)
        related[has, above[has]] = related[above[has], has] = True
    return ~related


def _owned(weights: sparse.csr_array, surface: Surface) -> NDArray[np.int64]:
    """Stored positions of the weights that need no path: where their joint is at home.

    Of the patches of vertices that a joint is heaviest on, that is the largest, and those on
    other pieces of the mesh; of a joint that is heaviest nowhere, its heaviest weight.
    """
    count = len(surface)
    row = np.repeat(np.arange(count), np.diff(weights.indptr))
    heaviest = _heaviest(weights)
    owner = weights.indices[heaviest]
    owners = sparse.csr_array((np.ones(count), owner, np.arange(count + 1)), shape=weights.shape)
    patch = islands(owners, surface.edges)
    size = np.bincount(patch, surface.areas)
    order = np.lexsort((patch, -size[patch], owner))
    joints, first = np.unique(owner[order], return_index=True)
    home = np.full(weights.shape[1], -1)
    home[joints] = order[first]
    at_home = (patch == patch[home[owner]]) | (
        surface.components != surface.components[home[owner]]
    )
    by_joint = np.lexsort((row, -weights.data, weights.indices))
    every, first = np.unique(weights.indices[by_joint], return_index=True)
    peak = by_joint[first[home[every] < 0]]
    return np.union1d(heaviest[at_home], peak)


def _heaviest(weights: sparse.csr_array) -> NDArray[np.int64]:
    """Stored position of the heaviest weight of each row, the first of equals; no row is empty."""
    length = np.diff(weights.indptr)
    top = np.flatnonzero(
        weights.data == np.repeat(np.maximum.reduceat(weights.data, weights.indptr[:-1]), length)
    )
    row = np.repeat(np.arange(weights.shape[0]), length)[top]
    return top[np.concatenate([[True], row[1:] != row[:-1]])]


def _bridged(surface: Surface) -> NDArray[np.int64]:
    """The edges, and from each vertex of a piece to the nearest of other pieces if they touch."""
    edges = surface.edges.astype(np.int64)
    pieces = surface.components
    touching = TOUCHING * float(np.median(surface.adjacency.data))
    bridges = [edges]
    for piece in range(int(pieces.max()) + 1 if pieces.any() else 0):
        inside, outside = np.flatnonzero(pieces == piece), np.flatnonzero(pieces != piece)
        apart, nearest = cKDTree(surface.vertices[outside]).query(
            surface.vertices[inside], distance_upper_bound=touching
        )
        near = np.isfinite(apart)
        bridges.append(np.column_stack([inside[near], outside[nearest[near]]]))
    return np.concatenate(bridges)

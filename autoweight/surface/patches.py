"""Patches of influence: the weights of one joint that hang together over the surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.rows import entry_rows, ranks

__all__ = ["islands", "neighbours"]

CHUNK = 1 << 18
"""Edges looked at together; their working memory is ten times that of the result."""


def neighbours(
    weights: sparse.csr_array, edges: NDArray[np.integer]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Pairs of stored weights of one joint on the two ends of an edge.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    edges : ndarray, shape (e, 2)

    Returns
    -------
    here, there : ndarray, shape (l,)
        Positions in the stored weights, of the first and the second end.
    """
    # Ascending, as rows are in order and their indices sorted.
    key = entry_rows(weights) * weights.shape[1] + weights.indices
    found = [
        _joined(weights, key, edges[start : start + CHUNK])
        for start in range(0, max(len(edges), 1), CHUNK)
    ]
    here, there = (np.concatenate(each) for each in zip(*found, strict=True))
    return here, there


def _joined(
    weights: sparse.csr_array, key: NDArray[np.int64], edges: NDArray[np.integer]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    first, second = edges.T.astype(np.int64)
    length = np.diff(weights.indptr)[first]
    edge = np.repeat(np.arange(len(edges)), length)
    here = weights.indptr[first][edge] + ranks(length)
    wanted = second[edge] * weights.shape[1] + weights.indices[here]
    there = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
    joined = key[there] == wanted if len(key) else np.zeros(0, dtype=bool)
    return here[joined].astype(np.int32), there[joined].astype(np.int32)


def islands(weights: sparse.csr_array, edges: NDArray[np.integer]) -> NDArray[np.int64]:
    """Label the connected patches of influence, joint by joint.

    Parameters
    ----------
    weights : csr_array, shape (n, j)
        One row for each surface vertex, without stored zeros.
    edges : ndarray, shape (e, 2)

    Returns
    -------
    ndarray, shape (nnz,)
        A number for each stored weight, in their stored order. Two weights share it when they
        are of one joint and a path of edges joins them along which that joint has weight.
    """
    here, there = neighbours(weights, edges)
    links = sparse.coo_array(
        (np.ones(len(here), dtype=np.int8), (here, there)), shape=(weights.nnz, weights.nnz)
    )
    return connected_components(links, directed=False)[1].astype(np.int64)

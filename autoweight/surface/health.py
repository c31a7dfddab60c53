"""What of a surface is not as a closed, evenly wound skin would be."""

from __future__ import annotations

from dataclasses import dataclass

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.surface.prepare import Surface

__all__ = ["Health", "health"]


@dataclass(frozen=True, eq=False)
class Health:
    """Places on a surface that a modeller may want to see.

    Parameters
    ----------
    crowded : ndarray, shape (c, 2)
        Edges of more than two faces.
    pinched : ndarray, shape (p,)
        Vertices where faces meet that no edge joins there, as at the tips of two cones.
    rim : ndarray, shape (r, 2)
        Edges of one face.
    holes : int
        Rims that hang together: one for each hole, two for an open tube.
    opposed : ndarray, shape (o, 2)
        Edges of two faces of which one is wound the other way round.
    inside_out : ndarray, shape (i,)
        Numbers of the closed pieces whose faces face inward.
    """

    crowded: NDArray[np.int32]
    pinched: NDArray[np.intp]
    rim: NDArray[np.int32]
    holes: int
    opposed: NDArray[np.int32]
    inside_out: NDArray[np.intp]


def health(surface: Surface) -> Health:
    """Look a surface over.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Health
    """
    ends = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    low, high = ends.min(axis=1).astype(np.int64), ends.max(axis=1)
    edge, forward = low * len(surface) + high, ends[:, 0] < ends[:, 1]
    key, number = np.unique(edge, return_inverse=True)
    pair = np.stack(np.divmod(key, len(surface)), axis=1).astype(np.int32)
    faces = np.bincount(number)
    ahead = np.bincount(number, forward)
    rim = pair[faces == 1]
    closed = np.ones(int(surface.components.max()) + 1, dtype=bool)
    closed[surface.components[pair[faces != 2, 0]]] = False
    return Health(
        crowded=pair[faces > 2],
        pinched=np.flatnonzero(~igl.is_vertex_manifold(surface.faces.astype(np.int64))),
        rim=rim,
        holes=_connected(rim),
        opposed=pair[(faces == 2) & (ahead != 1)],
        inside_out=np.flatnonzero(closed & surface.inside_out),
    )


def _connected(edges: NDArray[np.int32]) -> int:
    """Into how many sets edges fall that hang together."""
    if len(edges) == 0:
        return 0
    used, local = np.unique(edges, return_inverse=True)
    links = sparse.coo_array(
        (np.ones(len(edges)), local.reshape(-1, 2).T), shape=(len(used), len(used))
    )
    return int(connected_components(links, directed=False)[0])

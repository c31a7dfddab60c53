"""Triangles to pixels without a screen: a depth buffer over all fragments at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hits", "rasterise"]

FRAGMENTS_AT_ONCE = 4_000_000


@dataclass(frozen=True, eq=False)
class Hits:
    """What is seen at each pixel.

    Parameters
    ----------
    face : ndarray, shape (height, width), int32
        The nearest face, -1 for none.
    weights : ndarray, shape (height, width, 3)
        Barycentric coordinates in that face, 0 where there is none.
    """

    face: NDArray[np.int32]
    weights: NDArray[np.float64]

    def interpolate(
        self, faces: NDArray[np.int32], values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Values of vertices, (n, ...), at the pixels that show a face, in row order."""
        seen = self.face >= 0
        corners = values[faces[self.face[seen]]]
        return np.einsum("pc,pc...->p...", self.weights[seen], corners)


def rasterise(
    screen: NDArray[np.float64], faces: NDArray[np.int32], width: int, height: int
) -> Hits:
    """Find the nearest face at the centre of each pixel.

    Parameters
    ----------
    screen : ndarray, shape (n, 3)
        Pixel column, pixel row from the top, and depth, less being nearer. Column 0 to 1 is
        the first pixel.
    faces : ndarray, shape (m, 3)
        Seen from both sides.
    width, height : int

    Returns
    -------
    Hits
        A tie in depth goes to the face that comes first.
    """
    corners = screen[faces]
    low = np.clip(np.ceil(corners[..., :2].min(axis=1) - 0.5), 0, (width, height)).astype(int)
    high = np.clip(np.floor(corners[..., :2].max(axis=1) - 0.5) + 1, low, (width, height))
    extent = high.astype(int) - low
    edge = corners[:, 1:, :2] - corners[:, :1, :2]
    twice_area = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
    count = extent.prod(axis=1) * (twice_area != 0)

    depth = np.full(width * height, np.inf)
    face = np.full(width * height, -1, dtype=np.int32)
    weights = np.zeros((width * height, 3))
    cuts = np.searchsorted(np.cumsum(count), np.arange(0, count.sum(), FRAGMENTS_AT_ONCE))
    for some in np.split(np.arange(len(faces)), cuts[1:]):
        owner = np.repeat(some, count[some])
        place = np.arange(len(owner)) - np.repeat(np.cumsum(count[some]) - count[some], count[some])
        column = low[owner, 0] + place % extent[owner, 0]
        row = low[owner, 1] + place // extent[owner, 0]
        offset = np.stack([column, row], axis=1) + 0.5 - corners[owner, 0, :2]
        first, second = edge[owner, 0], edge[owner, 1]
        share = np.empty((len(owner), 3))
        share[:, 1] = offset[:, 0] * second[:, 1] - offset[:, 1] * second[:, 0]
        share[:, 2] = first[:, 0] * offset[:, 1] - first[:, 1] * offset[:, 0]
        share[:, 1:] /= twice_area[owner, None]
        share[:, 0] = 1 - share[:, 1] - share[:, 2]
        inside = np.flatnonzero((share >= 0).all(axis=1))
        owner, share = owner[inside], share[inside]
        pixel = row[inside] * width + column[inside]
        far = np.einsum("fc,fc->f", share, corners[owner, :, 2])
        # ordered nearest first and stable, the first fragment of each pixel is the one seen
        order = np.argsort(far, kind="stable")
        seen, first_of = np.unique(pixel[order], return_index=True)
        chosen = order[first_of]
        nearer = far[chosen] < depth[seen]
        seen, chosen = seen[nearer], chosen[nearer]
        depth[seen], face[seen], weights[seen] = far[chosen], owner[chosen], share[chosen]
    return Hits(face.reshape(height, width), weights.reshape(height, width, 3))

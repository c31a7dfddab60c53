"""Triangles to pixels without a screen: a depth buffer over all fragments at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autoweight.rows import ranks

__all__ = ["Hits", "rasterise"]

FRAGMENTS_AT_ONCE = 1 << 18


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
    first, second, third = (screen[faces[:, corner]] for corner in range(3))
    low = np.minimum(np.minimum(first, second), third)[:, :2] - 0.5
    high = np.maximum(np.maximum(first, second), third)[:, :2] - 0.5
    low = np.clip(np.ceil(low), 0, (width, height)).astype(np.int32)
    extent = np.clip(np.floor(high) + 1, low, (width, height)).astype(np.int32) - low
    one, other = second - first, third - first
    twice_area = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    count = extent[:, 0] * extent[:, 1] * (twice_area != 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a face on edge has no fragments
        slope = np.stack([other[:, 1], -other[:, 0], -one[:, 1], one[:, 0]]) / twice_area

    depth = np.full(width * height, np.inf)
    face = np.full(width * height, -1, dtype=np.int32)
    weights = np.zeros((width * height, 3))
    cuts = np.searchsorted(np.cumsum(count), np.arange(0, count.sum(), FRAGMENTS_AT_ONCE))
    # of a tie in depth, the face that is written last is seen: go from the last to the first
    for some in reversed(np.split(np.arange(len(faces)), cuts[1:])):
        owner = np.repeat(some, count[some])
        row, column = np.divmod(ranks(count[some]), extent[owner, 0])
        row += low[owner, 1]
        column += low[owner, 0]
        right, down = column + 0.5 - first[owner, 0], row + 0.5 - first[owner, 1]
        share = right * slope[0, owner] + down * slope[1, owner]
        share_other = right * slope[2, owner] + down * slope[3, owner]
        inside = np.flatnonzero((share >= 0) & (share_other >= 0) & (share + share_other <= 1))
        owner, share, share_other = owner[inside], share[inside], share_other[inside]
        pixel = row[inside] * width + column[inside]
        far = first[owner, 2] + share * one[owner, 2] + share_other * other[owner, 2]
        np.minimum.at(depth, pixel, far)
        seen = np.flatnonzero(far == depth[pixel])[::-1]
        pixel, share, share_other = pixel[seen], share[seen], share_other[seen]
        face[pixel] = owner[seen]
        weights[pixel] = np.stack([1 - share - share_other, share, share_other], axis=1)
    return Hits(face.reshape(height, width), weights.reshape(height, width, 3))

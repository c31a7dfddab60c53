"""Directions of vectors, and how far points reach."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["diagonal", "unit"]


def unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Vectors of length 1 the same way, (..., 3); one without length stays so."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)


def diagonal(points: NDArray[np.float64]) -> float:
    """Length of the diagonal of the box round points, (n, 3), in their units."""
    return float(np.linalg.norm(np.ptp(points, axis=0)))

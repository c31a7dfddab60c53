"""Weights as glTF stores them: a few (joint, weight) slots for each vertex.

Source: Khronos, glTF 2.0, section 3.7.3.3 (skinned mesh attributes).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.rig import Weights
from autoweight.rows import entry_rows, in_units, ranks

__all__ = ["slots", "sound"]

# The format allows 2e-7 for each non-zero weight, summed in float32; half of it leaves room for
# that sum's own rounding. Rows nearer than this are kept bit for bit.
FLOAT_SLACK = 1e-7
MOST_SLACK = 5e-7


def slots(matrix: sparse.csr_array, bits: int) -> tuple[NDArray[np.int32], NDArray[Any]]:
    """Weights in slots, the heaviest first.

    Parameters
    ----------
    matrix : csr_array, shape (n, j)
        Rows sum to 1, indices sorted.
    bits : {32, 16, 8}
        float32, or integers whose rows sum to exactly 65535 or 255.

    Returns
    -------
    joints : ndarray, shape (n, 4 s), int32
        0 in unused slots. s is the least number of sets of four that holds every row.
    values : ndarray, shape (n, 4 s), float32, uint16 or uint8
    """
    count = matrix.shape[0]
    used = np.diff(matrix.indptr)
    width = max(4, -(-int(used.max(initial=0)) // 4) * 4)
    row, slot = entry_rows(matrix), ranks(used)
    joints = np.zeros((count, width), dtype=np.int32)
    joints[row, slot] = matrix.indices
    values = np.zeros((count, width))
    values[row, slot] = matrix.data

    kind = {32: np.float32, 16: np.uint16, 8: np.uint8}[bits]
    stored = _floats(values) if bits == 32 else in_units(values, 2**bits - 1).astype(kind)
    # Sorted after rounding: rounded weights can tie, and a tie must fall the same way when the
    # file is read and written again.
    order = np.argsort(-stored.astype(np.float32), axis=1, kind="stable")
    stored = np.take_along_axis(stored, order, axis=1)
    joints = np.take_along_axis(joints, order, axis=1)
    joints[stored == 0] = 0
    return joints, stored


def sound(raw: sparse.csr_array | None) -> Weights | None:
    """The weights with rows that sum to 1, unless they are broken."""
    if raw is None or not np.isfinite(raw.data).all() or raw.data.min(initial=0) < 0:
        return None
    sums = raw.sum(axis=1)
    if (sums <= 0).any():
        return None
    off = np.abs(sums - 1) > MOST_SLACK
    if off.any():
        scale = np.where(off, 1 / sums, 1.0)
        raw = sparse.csr_array(
            (raw.data * np.repeat(scale, np.diff(raw.indptr)), raw.indices, raw.indptr),
            shape=raw.shape,
        )
    return Weights(raw)


def _floats(values: NDArray[np.float64]) -> NDArray[np.float32]:
    stored = values.astype(np.float32)
    sums = stored.sum(axis=1, dtype=np.float64)
    slack = np.minimum(FLOAT_SLACK * np.count_nonzero(stored, axis=1), MOST_SLACK)
    off = np.abs(sums - 1) > slack
    stored[off] = values[off] / values[off].sum(axis=1, keepdims=True)
    return stored

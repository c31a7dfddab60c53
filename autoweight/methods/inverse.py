"""Each joint by the inverse of its straight-line distance: a floor to beat."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from autoweight.methods import Problem
from autoweight.rows import scaled
from autoweight.skeleton.bones import distances

__all__ = ["solve"]

CHUNK = 1 << 14

NEGLIGIBLE = 1e-5
"""Shares smaller than this are not kept, so that memory does not grow with all the joints."""


def solve(problem: Problem) -> sparse.csr_array:
    """Weight proportional to 1/d⁴ of the nearest bone of each joint.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1.

    References
    ----------
    Shepard, "A two-dimensional interpolation function for irregularly-spaced data", ACM National
    Conference, 1968.
    """
    count, joints = len(problem.surface), len(problem.skeleton)
    reach = 1e-6 * problem.surface.diagonal
    rows = []
    for start in range(0, count, CHUNK):
        points = problem.surface.vertices[start : start + CHUNK]
        share = np.zeros((len(points), joints))
        away = np.maximum(distances(points, problem.bones), reach)
        np.maximum.at(share.T, problem.bones.joint, (1 / away**4).T)
        share /= share.sum(axis=1, keepdims=True)
        share[share < NEGLIGIBLE] = 0.0
        rows.append(sparse.csr_array(share))
    return scaled(sparse.csr_array(sparse.vstack(rows)))

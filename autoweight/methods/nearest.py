"""Each vertex to the joint of its nearest bone, in a straight line: the floor to beat."""

from __future__ import annotations

from scipy import sparse

from autoweight.methods import Problem
from autoweight.rows import one_each
from autoweight.skeleton.bones import distances

__all__ = ["solve"]


def solve(problem: Problem) -> sparse.csr_array:
    """Weight 1 for the joint of the nearest bone.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)
        Of equally near bones the first has it.
    """
    nearest = distances(problem.surface.vertices, problem.bones).argmin(axis=1)
    return one_each(problem.bones.joint[nearest], len(problem.skeleton))

"""Each vertex to the joint of its nearest bone, in a straight line: the floor to beat."""

from __future__ import annotations

from scipy import sparse

from autoweight.methods import Problem
from autoweight.rows import one_each
from autoweight.skeleton.bones import nearest

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
    bone, _ = nearest(problem.surface.vertices, problem.bones)
    return one_each(problem.bones.joint[bone], len(problem.skeleton))

"""Heat equilibrium: the nearest bone in sight warms each vertex, and the surface spreads it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.bones import closest, distances
from autoweight.methods import Problem
from autoweight.methods.equilibrium import equilibrium
from autoweight.surface.visibility import Sight

__all__ = ["solve"]

CHUNK = 1 << 15
PULL = 4.0
TRIES = 6
TIE = 1e-6
SEEN = 0.3


def solve(problem: Problem) -> sparse.csr_array:
    """Weights of the heat equilibrium.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    csr_array, shape (n, j)

    References
    ----------
    Baran & Popović, "Automatic rigging and animation of 3D characters", TOG 26(3), 2007.
    """
    surface = problem.surface
    bone, away, seen = _nearest(problem)
    reach = 1e-3 * np.linalg.norm(np.ptp(surface.vertices, axis=0))
    pieces = surface.components
    share = np.bincount(pieces, seen) / np.bincount(pieces)
    counts = seen | (share < SEEN)[pieces]
    sources = sparse.csr_array(
        (
            np.ones(int(counts.sum())),
            (np.flatnonzero(counts), problem.bones.joint[bone[counts]]),
        ),
        shape=(len(surface), len(problem.skeleton)),
    )
    pull = np.where(counts, PULL / np.maximum(away, reach) ** 2, 0.0)
    return equilibrium(surface, sources, pull, progress=problem.progress)


def _nearest(
    problem: Problem,
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.bool_]]:
    """Nearest bone in sight, its distance, and whether it is; the nearest of all where none is."""
    sight = Sight(problem.surface)
    found, ways, seens = [], [], []
    for start in range(0, len(problem.surface), CHUNK):
        points = problem.surface.vertices[start : start + CHUNK]
        away = distances(points, problem.bones)
        order = np.argsort(away, axis=1, kind="stable")[:, :TRIES]
        bone = order[:, 0].copy()
        seen = np.zeros(len(points), dtype=bool)
        for rank in range(order.shape[1]):
            left = np.flatnonzero(~seen)
            place = closest(points[left], problem.bones, order[left, rank])
            clear = left[sight.clear(place, points[left])]
            bone[clear] = order[clear, rank]
            seen[clear] = True
        found.append(bone)
        ways.append(np.take_along_axis(away, bone[:, None], axis=1).ravel())
        seens.append(seen)
    return np.concatenate(found), np.concatenate(ways), np.concatenate(seens)

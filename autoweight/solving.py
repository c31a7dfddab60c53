"""First-pass weights for a rig: prepare the surface, run the method, come back to the file."""

from __future__ import annotations

from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.bones import bones
from autoweight.errors import RecipeError, WeightsError
from autoweight.methods import Problem, Progress, find, silent
from autoweight.recipe import Recipe
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.surface import prepare

__all__ = ["solve"]


def solve(rig: Rig, recipe: Recipe | None = None, *, progress: Progress = silent) -> Weights:
    """Weight a rig as its recipe says; tidying is a step of its own.

    Parameters
    ----------
    rig : Rig
        Its own weights, if any, matter only where the recipe says so.
    recipe : Recipe, optional
    progress : callable, optional
        Called with a stage and the share of it that is done.

    Returns
    -------
    Weights
        Vertices that are one place in space have identical rows.

    Raises
    ------
    GeometryError, RecipeError, WeightsError
        The mesh cannot be solved on, the recipe names what is not there, or the method returned
        what are not weights.
    """
    recipe = recipe or Recipe()
    surface = prepare(rig.mesh)
    active = _active(rig.skeleton, recipe.skip)
    problem = Problem(surface, rig.skeleton, bones(rig.skeleton, active), active, progress)
    found = sparse.csr_array(find(recipe.method)(problem))
    if found.shape != (len(surface), len(rig.skeleton)):
        raise WeightsError(
            f"method {recipe.method!r}: need shape {(len(surface), len(rig.skeleton))}, "
            f"got {found.shape}"
        )
    sums = np.asarray(found.sum(axis=1)).ravel()
    if not (np.isfinite(sums).all() and (sums > 0).all()):
        raise WeightsError(
            f"method {recipe.method!r} left {int((~(sums > 0)).sum())} vertices without weight"
        )
    scaled = sparse.diags_array(1 / sums, format="csr") @ found
    return Weights(scaled[surface.weld])


def _active(skeleton: Skeleton, skip: tuple[str, ...]) -> NDArray[np.bool_]:
    active = np.ones(len(skeleton), dtype=bool)
    for pattern in skip:
        matched = [fnmatchcase(name, pattern) for name in skeleton.names]
        if not any(matched):
            raise RecipeError(f"no joint matches skip pattern {pattern!r}")
        active &= ~np.array(matched)
    if not active.any():
        raise RecipeError("the skip patterns leave no joint to weight to")
    return active

"""What is done to weights before they are written: locks, mirror, tidying, in their order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import RecipeError, WeightsError
from autoweight.methods import Progress, Recall, afresh, silent
from autoweight.recipes.recipe import Mirror, Recipe
from autoweight.rig import Rig, Weights
from autoweight.rows import replaced
from autoweight.skeleton.bones import Reaches, bones, frames
from autoweight.skeleton.sides import AXES, Plane
from autoweight.stages.planning import plan, plane_of
from autoweight.surface import Surface, prepare
from autoweight.surface.visibility import Sight
from autoweight.weights.locks import Locks, find_locks, impose
from autoweight.weights.mirroring import (
    MirrorReport,
    Symmetry,
    check_plane,
    evened,
    mirrored,
    report,
    symmetry,
)
from autoweight.weights.tidying import quantise, tidy

__all__ = [
    "Solution",
    "across_of",
    "around_locks",
    "finished",
    "mirror_pass",
    "symmetry_by",
    "tidy_pass",
]


@dataclass(frozen=True, eq=False)
class Solution:
    """Weights, and how they came to be.

    Parameters
    ----------
    weights : Weights
    decisions : tuple of str
        What was chosen, kept or left out, and why, in words.
    locks : Locks or None
        What later steps must leave alone too.
    mirrored : MirrorReport or None
    confidence : ndarray, shape (n,), float32, or None
        How far each vertex follows finished rigs, 0 to 1; None where there were none to follow.
    """

    weights: Weights
    decisions: tuple[str, ...]
    locks: Locks | None
    mirrored: MirrorReport | None
    confidence: NDArray[np.float32] | None = None


def across_of(
    rig: Rig, recipe: Recipe, surface: Surface, *, recall: Recall = afresh
) -> Symmetry | None:
    """What a recipe mirrors across, looked at before anything dear is worked out.

    Parameters
    ----------
    rig : Rig
    recipe : Recipe
    surface : Surface
        ``prepare(rig.mesh)``.
    recall : Recall, optional
        As for `solve`.

    Returns
    -------
    Symmetry or None
        None where the recipe has no mirror.

    Raises
    ------
    RecipeError
        A pair of joints that is not there.
    GeometryError
        There is nothing on the side to keep, or the plane is not one of symmetry at all.
    """
    how, plane = recipe.mirror, plane_of(recipe, rig.skeleton)
    if how is None or plane is None:
        return None
    found = recall(
        "symmetry",
        (how.plane, how.pairs, how.tolerance),
        lambda: symmetry_by(how, plane, rig, surface),
    )
    check_plane(found, how.keep)
    return found


def symmetry_by(how: Mirror, plane: Plane, rig: Rig, surface: Surface) -> Symmetry:
    """What is whose mirror image across a plane, or the middle beside it, as a recipe says.

    Parameters
    ----------
    how : Mirror
        An axis alone is for the body's own middle.
    plane : Plane
    rig : Rig
    surface : Surface
        ``prepare(rig.mesh)``.

    Returns
    -------
    Symmetry

    Raises
    ------
    SkeletonError
        A pair of joints that is not there.
    """
    own = how.plane.strip() in AXES
    return symmetry(rig, plane, how.pairs, tolerance=how.tolerance, surface=surface, own=own)


def finished(
    rig: Rig,
    surface: Surface,
    weights: Weights,
    recipe: Recipe,
    across: Symmetry | None,
    locks: Locks | None,
) -> Weights:
    """Weights tidied and rounded as a recipe says, without harm to locks and symmetry.

    Parameters
    ----------
    rig : Rig
        Whose mesh and joints they are for.
    surface : Surface
        Of its mesh.
    weights : Weights
        With what is locked in place already.
    recipe : Recipe
    across : Symmetry or None
        What they were mirrored across.
    locks : Locks or None

    Returns
    -------
    Weights
    """
    how = recipe.tidy
    weights = tidy(weights, how, mesh=rig.mesh, skeleton=rig.skeleton, locks=locks, surface=surface)
    weights = quantise(weights, how.bits, locks=locks)
    if how.bits < 32:
        # Rounding may lift a weight over those it came down from, so it is looked at again.
        again = tidy(weights, how, mesh=rig.mesh, skeleton=rig.skeleton, surface=surface)
        bound = locks.whole | locks.partial if locks else np.zeros(weights.shape[0], dtype=bool)
        free = np.flatnonzero(~bound)
        again = quantise(again, how.bits)
        weights = Weights(replaced(weights.matrix, free, again.matrix[free]))
    if across and recipe.mirror:
        fixed = locks.whole | locks.partial if locks else None
        weights = evened(weights, across, how, recipe.mirror.keep, fixed)
    return weights


def tidy_pass(rig: Rig, recipe: Recipe) -> Solution:
    """Tidy the weights a rig has, ready to be written.

    Parameters
    ----------
    rig : Rig
        With weights.
    recipe : Recipe
        Its locks and tidy tables are minded.

    Returns
    -------
    Solution

    Raises
    ------
    RecipeError, FileError, WeightsError
        See `solve`; or the rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to tidy; solve the rig first")
    locks = find_locks(recipe, rig, np.ones(len(rig.skeleton), dtype=bool))
    weights = finished(rig, prepare(rig.mesh), rig.weights, recipe, None, locks)
    return Solution(weights, (locks.summary,) if locks else (), locks, None)


def mirror_pass(rig: Rig, recipe: Recipe, *, progress: Progress = silent) -> Solution:
    """Mirror the weights a rig has, and tidy those that this made, ready to be written.

    Parameters
    ----------
    rig : Rig
        With weights.
    recipe : Recipe
        Its mirror, locks and tidy tables are minded.
    progress : callable, optional

    Returns
    -------
    Solution
        What the mirror leaves as it is, such as the side that is kept, is equal bit for bit.

    Raises
    ------
    GeometryError, RecipeError, FileError, WeightsError
        See `solve`; or the rig has no weights, or the recipe no mirror.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to mirror; solve the rig first")
    planned = plan(recipe, rig)
    how, surface = recipe.mirror, prepare(rig.mesh)
    progress("mirror", 0)
    across = across_of(rig, recipe, surface)
    if across is None or how is None:
        raise RecipeError("the recipe says nothing of a mirror; give it a [mirror] table")
    weights = mirrored(rig.weights, rig.skeleton, across, how.keep)
    found = report(rig, across)
    decisions = list(found.lines)
    if planned.locks:
        bound = frames(rig.skeleton, Sight(surface).depth)
        away = Reaches(surface.vertices, bones(rig.skeleton, planned.active, bound))
        weights = around_locks(weights, surface, away, planned.locks, progress)
        decisions.append(planned.locks.summary)
    changed = abs(weights.matrix - rig.weights.matrix).sum(axis=1) > 0
    kept = Locks.of_rows(~changed, rig.weights, rig.skeleton)
    locks = planned.locks.joined(kept) if planned.locks else kept
    progress("tidy", 0)
    weights = finished(rig, surface, weights, recipe, across, locks)
    return Solution(weights, tuple(decisions), planned.locks, found)


def around_locks(
    weights: Weights,
    surface: Surface,
    away: Reaches,
    locks: Locks,
    progress: Progress,
    recall: Recall = afresh,
) -> Weights:
    """Weights of the mesh fitted to locks, from which they fade over the distance to the bones.

    Parameters
    ----------
    weights : Weights
    surface : Surface
    away : Reaches
        How far each vertex of the surface is from the nearest bone.
    locks : Locks
        Of the mesh.
    progress, recall
        As for `autoweight.stages.solving.solve`.

    Returns
    -------
    Weights
        Rows that the locks do not reach are bit for bit as they were.
    """
    progress("locks", 0)
    found = Weights(weights.matrix[surface.speakers])
    girth = np.maximum(away[:], 2 * surface.spacings)  # two edges at the least
    fitted = impose(surface, found, locks.on(surface), girth, recall)
    touched = abs(fitted.matrix - found.matrix).sum(axis=1) > 0
    rows = np.flatnonzero(touched[surface.weld])
    return locks.hold(Weights(replaced(weights.matrix, rows, fitted.matrix[surface.weld[rows]])))

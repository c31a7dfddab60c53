"""First-pass weights for a rig: the recipe's steps, in order, and what was decided on the way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.bones import Bones, bones, distances
from autoweight.errors import WeightsError
from autoweight.locks import ATTRIBUTE, Locks, impose
from autoweight.methods import Problem, Progress, find, silent
from autoweight.mirroring import MirrorReport, mirror
from autoweight.planning import Plan, RigidPlan, plan
from autoweight.recipe import Recipe
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import replaced, scaled
from autoweight.surface import Surface, prepare

__all__ = ["Solution", "first_pass", "solve"]

CHUNK = 1 << 15


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
    """

    weights: Weights
    decisions: tuple[str, ...]
    locks: Locks | None
    mirrored: MirrorReport | None


def solve(rig: Rig, recipe: Recipe | None = None, *, progress: Progress = silent) -> Weights:
    """Weight a rig as its recipe says; tidying is a step of its own.

    Parameters
    ----------
    rig : Rig
        Its own weights, if any, matter only where they are locked.
    recipe : Recipe, optional
    progress : callable, optional
        Called with a stage and the share of it that is done.

    Returns
    -------
    Weights
        Vertices that are one place in space have identical rows, but for locked ones.

    Raises
    ------
    GeometryError, RecipeError, WeightsError
        The mesh cannot be solved on, the recipe names what is not there, locks contradict each
        other, or the method returned what are not weights.
    """
    return first_pass(rig, recipe, progress=progress).weights


def first_pass(rig: Rig, recipe: Recipe | None = None, *, progress: Progress = silent) -> Solution:
    """The same as `solve`, with what was decided on the way.

    Parameters
    ----------
    rig : Rig
    recipe : Recipe, optional
    progress : callable, optional

    Returns
    -------
    Solution

    Raises
    ------
    GeometryError, RecipeError, WeightsError
        See `solve`.
    """
    recipe = recipe or Recipe()
    planned = plan(recipe, rig)
    surface = prepare(rig.mesh)
    decisions = list(surface.repairs)
    problem = Problem(
        surface,
        rig.skeleton,
        bones(rig.skeleton, planned.active),
        planned.active,
        progress,
        planned.chains,
        planned.falloffs,
    )
    found = _methods(problem, planned, recipe.method, decisions)
    found = _rigid(found, planned.rigid, surface, rig.skeleton, decisions)
    locks = planned.locks
    if ATTRIBUTE in rig.attributes and rig.weights is None:
        decisions.append(f"the mesh has {ATTRIBUTE} but no weights, so there is nothing to keep")
    if locks:
        progress("locks", 0)
        whole, part = int(locks.whole.sum()), int(locks.partial.sum())
        decisions.append(f"kept {whole} vertices whole, and single weights of {part}")
        girth = _girth(surface, problem.bones)
        found = impose(surface, found, locks.on(surface), rig.skeleton, girth)
    weights, report = Weights(found.matrix[surface.weld]), None
    if planned.plane and recipe.mirror:
        progress("mirror", 0)
        how = recipe.mirror
        weights, report = mirror(
            replace(rig, weights=weights),
            planned.plane,
            how.keep,
            how.pairs,
            tolerance=how.tolerance,
        )
        decisions.append(report.summary)
        if locks:  # the mirror does not know them; where it went over one, fit again
            found = Weights(weights.matrix[surface.speakers])
            found = impose(surface, found, locks.on(surface), rig.skeleton, girth)
            weights = Weights(found.matrix[surface.weld])
    if locks:
        weights = locks.hold(weights, rig.skeleton)
    return Solution(weights, tuple(decisions), locks, report)


def _methods(problem: Problem, planned: Plan, default: str, decisions: list[str]) -> Weights:
    """Each joint by its own method, as one set of weights.

    Where the joints of several methods meet, what they claim is scaled to sum to 1; what none of
    them claims goes as the default method has it.
    """
    used = sorted({planned.methods[joint] for joint in np.flatnonzero(planned.active)})
    if len(used) == 1:
        return _run(problem, used[0])
    by_method = {name: _run(problem, name) for name in {*used, default}}
    claimed = sparse.csr_array(by_method[default].shape)
    for name in used:
        own = np.array([name == each for each in planned.methods], dtype=np.float64)
        claimed = claimed + by_method[name].matrix @ sparse.diags_array(own, format="csr")
        decisions.append(f"{name} for {int((own * planned.active).sum())} joints, by the recipe")
    missing = np.clip(1 - np.asarray(claimed.sum(axis=1)).ravel(), 0, None)
    rest = sparse.diags_array(missing, format="csr") @ by_method[default].matrix
    return Weights(scaled(sparse.csr_array(claimed + rest)))


def _run(problem: Problem, method: str) -> Weights:
    found = sparse.csr_array(find(method)(problem))
    wanted = (len(problem.surface), len(problem.skeleton))
    if found.shape != wanted:
        raise WeightsError(f"method {method!r}: need shape {wanted}, got {found.shape}")
    sums = np.asarray(found.sum(axis=1)).ravel()
    if not (np.isfinite(sums).all() and (sums > 0).all()):
        raise WeightsError(
            f"method {method!r} left {int((~(sums > 0)).sum())} vertices without weight"
        )
    return Weights(scaled(found))


def _rigid(
    weights: Weights,
    rules: Iterable[RigidPlan],
    surface: Surface,
    skeleton: Skeleton,
    decisions: list[str],
) -> Weights:
    """Give whole vertices to one joint."""
    owner = np.full(len(surface), -1)
    for rule in rules:
        strongest = weights.dominant
        if rule.joints is not None:
            chosen = rule.joints[strongest]
            to = strongest[chosen] if rule.to is None else rule.to
        else:
            chosen = np.zeros(len(surface), dtype=bool)
            chosen[surface.weld[rule.vertices]] = True
            total = surface.areas[chosen] @ weights.matrix[np.flatnonzero(chosen)]
            to = int(np.argmax(total)) if rule.to is None else rule.to
        owner[chosen] = to
        name = skeleton.names[to] if isinstance(to, int) else "the joint that has most of each"
        reason = "has most of it" if rule.to is None and rule.joints is None else "by the recipe"
        decisions.append(f"{rule.name}: {int(chosen.sum())} vertices to {name} alone, {reason}")
    rigid = np.flatnonzero(owner >= 0)
    alone = sparse.csr_array(
        (np.ones(len(rigid)), (np.arange(len(rigid)), owner[rigid])),
        shape=(len(rigid), weights.shape[1]),
    )
    return Weights(replaced(weights.matrix, rigid, alone))


def _girth(surface: Surface, of: Bones) -> NDArray[np.float64]:
    """Distance to the nearest bone, but two edges at the least, (n,)."""
    edges = surface.adjacency
    length = np.asarray(edges.sum(axis=1)).ravel() / np.diff(edges.indptr)
    away = np.concatenate(
        [
            distances(surface.vertices[start : start + CHUNK], of).min(axis=1)
            for start in range(0, len(surface), CHUNK)
        ]
    )
    return np.maximum(away, 2 * length)

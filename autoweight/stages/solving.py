"""First-pass weights for a rig: the recipe's steps, in order, and what was decided on the way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import AutoweightError, WeightsError, few
from autoweight.machine.abreast import Ahead
from autoweight.methods import (
    MEASURING,
    METHODS,
    Problem,
    Progress,
    Recall,
    afresh,
    find,
    silent,
)
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import one_each, replaced, scaled
from autoweight.skeleton.bones import bones, frames
from autoweight.skeleton.descent import descent
from autoweight.skeleton.evening import even_skeleton
from autoweight.skeleton.roles import without_flesh
from autoweight.skeleton.sides import Plane
from autoweight.stages.attaching import attach
from autoweight.stages.finishing import Solution, across_of, around_locks, finished
from autoweight.stages.learning import taste_of
from autoweight.stages.planning import Plan, RigidPlan, plan, roles
from autoweight.surface import Surface, prepare
from autoweight.surface.evenness import even_surface, evenness
from autoweight.surface.laplacian import Measured, measured
from autoweight.surface.visibility import Sight
from autoweight.taste.following import follow, idle, usual
from autoweight.taste.learning import Taste, digest
from autoweight.weights.locks import ATTRIBUTE
from autoweight.weights.mirroring import Symmetry, mirrored, report

__all__ = ["first_pass", "plain", "problem_of", "solve", "taste_for"]

NAMED = 3
"""Joints named in a decision before the rest are only counted."""


def solve(
    rig: Rig,
    recipe: Recipe | None = None,
    *,
    surface: Surface | None = None,
    taste: Taste | None = None,
    recall: Recall = afresh,
    progress: Progress = silent,
) -> Weights:
    """Weight a rig as its recipe says; tidying is a step of its own.

    Parameters
    ----------
    rig : Rig
        Its own weights, if any, matter only where they are locked.
    recipe : Recipe, optional
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.
    taste : Taste, optional
        What to follow, in place of the finished rigs that the recipe names.
    recall : Recall, optional
        Answers with what earlier solves of the same rig worked out; see `Session`.
    progress : callable, optional
        Called with a stage and the share of it that is done.

    Returns
    -------
    Weights
        Vertices that are one place in space have identical rows, but for locked ones.

    Raises
    ------
    GeometryError, RecipeError, FileError, WeightsError
        The mesh cannot be solved on, the recipe names what is not there, locks contradict each
        other, or the method returned what are not weights.
    """
    recipe, surface = recipe or Recipe(), surface or prepare(rig.mesh)
    across = across_of(rig, recipe, surface, recall=recall)
    return _Task(rig, surface, recipe, taste, recall, progress).solve(across)


def first_pass(
    rig: Rig,
    recipe: Recipe | None = None,
    *,
    surface: Surface | None = None,
    across: Symmetry | None = None,
    taste: Taste | None = None,
    recall: Recall = afresh,
    progress: Progress = silent,
) -> Solution:
    """Weight a rig and tidy the weights, ready to be written.

    Parameters
    ----------
    rig : Rig
    recipe : Recipe, optional
    across : Symmetry, optional
        ``across_of(rig, recipe, surface)``, when it is there already.
    surface, taste, recall, progress : optional
        As for `solve`.

    Returns
    -------
    Solution
        Its weights are capped, pruned and rounded to the recipe's bits, and still equal on both
        sides where they were mirrored.

    Raises
    ------
    GeometryError, RecipeError, FileError, WeightsError
        See `solve`.
    """
    recipe, surface = recipe or Recipe(), surface or prepare(rig.mesh)
    across = across or across_of(rig, recipe, surface, recall=recall)
    task = _Task(rig, surface, recipe, taste, recall, progress)
    solved = task.solve(across)
    progress("tidy", 0)
    locks = task.planned.locks
    weights = finished(rig, surface, solved, recipe, across, locks)
    return Solution(
        weights,
        tuple(task.decisions),
        locks,
        report(rig, across) if across else None,
        task.confidence,
    )


def problem_of(rig: Rig, recipe: Recipe, surface: Surface, recall: Recall) -> Problem:
    """What a recipe asks of a method.

    Parameters
    ----------
    rig : Rig
    recipe : Recipe
    surface : Surface
        ``prepare(rig.mesh)``.
    recall : Recall
        See `solve`.

    Returns
    -------
    Problem

    Raises
    ------
    RecipeError, FileError
        See `solve`.
    """
    return _Task(rig, surface, recipe, None, recall, silent).problem()


def plain(rig: Rig, recipe: Recipe, surface: Surface) -> Weights:
    """What `solve` makes of a rig whose surface is there, for `learning.taste_of`."""
    return solve(rig, recipe, surface=surface)


def taste_for(
    recipe: Recipe, *, recall: Recall = afresh, progress: Progress = silent
) -> Taste | None:
    """What there is to learn from the finished rigs that a recipe names.

    Parameters
    ----------
    recipe : Recipe
        The files it names lie beside it.
    recall, progress : optional
        As for `solve`.

    Returns
    -------
    Taste or None
        None where it names none.

    Raises
    ------
    RecipeError
        It has an empty list of them.
    FileError, GeometryError, SkeletonError, WeightsError
        One cannot be read or has no weights; the message names it.
    """
    if recipe.like is None:
        return None
    if not recipe.like:
        raise recipe.error(
            ("like",), "there is no finished rig to learn from; name one, or leave it out"
        )
    files = tuple(str(recipe.folder / each) for each in recipe.like)
    return recall("taste", files, lambda: taste_of(files, plain, progress=progress))


class _Task:
    """One solve: what was prepared and planned for it, once, and what is decided on the way."""

    def __init__(
        self,
        rig: Rig,
        surface: Surface,
        recipe: Recipe,
        taste: Taste | None,
        recall: Recall,
        progress: Progress,
    ) -> None:
        self.rig, self.recipe = rig, recipe
        self.recall, self.progress = recall, progress
        self.surface, skeleton = recall("even", (), lambda: _evened(rig.skeleton, surface))
        self.confidence: NDArray[np.float32] | None = None
        self.taste = taste or taste_for(recipe, recall=recall, progress=progress)
        self.measured = recall("laplacian", (), self._measured)
        self.sight = recall("sight", (), lambda: Sight(self.surface))
        idle_joints = recall("roles", (), lambda: roles(skeleton, self.sight))
        self.planned = plan(recipe, rig, idle_joints)
        used = recipe.chosen(rig.skeleton.names, "joint", "use")
        self.skeleton = without_flesh(skeleton, idle_joints, used)
        self.frames = recall(
            "frames", self.skeleton.apart, lambda: frames(self.skeleton, self.sight.depth)
        )
        self.bones = bones(self.skeleton, self.planned.active, self.frames)
        self.decisions = [
            *surface.repairs,
            *_left_out(rig, self.planned),
            *_divided(self.skeleton, self.planned),
        ]
        if self.taste:
            self._leave_idle(self.taste)

    def _measured(self) -> Ahead[Measured]:
        """The surface measured; begun before the tree of faces is built if methods will ask."""
        found = measured(self.surface)
        if MEASURING & self.recipe.methods:
            evenness(self.surface)  # asked there and here, so before the ways part
            found.begin()
        return found

    def _leave_idle(self, taste: Taste) -> None:
        """Give no weight to joints that finished rigs give none."""
        skeleton, active = self.skeleton, self.planned.active
        wanted = self.recipe.chosen(skeleton.names, "joint", "use")
        none = idle(taste, skeleton, active & ~wanted)
        if none.any():
            self.decisions.append(
                f"no weight for {_listed(skeleton, none)}: {taste.names} give none"
            )
            self.planned = replace(self.planned, active=active & ~none)
            self.bones = bones(skeleton, self.planned.active, self.frames)

    def _followed(self, problem: Problem, solved: Weights) -> Weights:
        """Weights in the taste of finished rigs; joints with a rule of their own as they were."""
        if self.taste is None:
            return solved
        self.progress("taste", 0)
        rig = self.rig
        # What the default leaves out finished rigs may have used, and learned it was left out.
        given = usual(self.taste, rig.skeleton)
        given &= ~self.recipe.chosen(rig.skeleton.names, "joint", "skip")
        active = problem.active | given
        problem = replace(problem, active=active, bones=bones(self.skeleton, active, self.frames))
        free = active.copy()
        for number, rule in enumerate(self.recipe.chain):
            if rule.method is not None or rule.falloff is not None:
                free &= ~self.recipe.chosen(rig.skeleton.names, "joint", "chain", number, "joints")
        found = follow(self.taste, problem, free, solved.matrix)
        self.confidence = found.confidence[self.surface.weld].astype(np.float32)
        self.decisions += found.told
        own = digest(rig)
        self.decisions += [
            f"{each.name} is this very rig, so it is followed to the letter where it can be"
            for each in self.taste.lessons
            if each.digest == own
        ]
        return Weights(found.rows)

    def problem(self) -> Problem:
        """What is asked of a method."""
        return Problem(
            self.surface,
            self.skeleton,
            self.bones,
            self.planned.active,
            self.progress,
            self.planned.chains,
            self.planned.falloffs,
            self.decisions.append,
            self.recall,
            self.frames,
            self.sight,
            self.measured,
        )

    def solve(self, across: Symmetry | None) -> Weights:
        """Weights before they are tidied, mirrored across what `across_of` found."""
        rig, surface, planned, how = self.rig, self.surface, self.planned, self.recipe.mirror
        problem = self.problem()
        found = _methods(problem, planned, self.recipe.method, self.decisions)
        found = self._followed(problem, attach(problem, found, planned.attached))
        found = _rigid(found, planned.rigid, surface, rig.skeleton, self.decisions)
        if ATTRIBUTE in rig.attributes and rig.weights is None:
            self.decisions.append(
                f"the mesh has {ATTRIBUTE} but no weights, so there is nothing to keep"
            )
        weights, locks = Weights(found.matrix[surface.weld]), planned.locks
        if locks:
            weights = around_locks(
                weights, surface, problem.away, locks, self.progress, self.recall
            )
            self.decisions.append(locks.summary)
        if across is None or how is None:
            return weights
        self.progress("mirror", 0)
        self.decisions += report(rig, across).lines
        weights = mirrored(weights, rig.skeleton, across, how.keep)
        if locks:  # the mirror does not know them; where it went over one, fit again
            weights = around_locks(
                weights, surface, problem.away, locks, self.progress, self.recall
            )
        return weights


def _evened(skeleton: Skeleton, surface: Surface) -> tuple[Surface, Skeleton]:
    """Surface and joints as they are solved: of a body that is even, its joints are too.

    A bone a thousandth off its counterpart's image may be seen where the other is not.
    """
    found = even_surface(surface)
    if found is None:
        return surface, skeleton
    even = found[1]
    normal = np.eye(3)[even.axis]
    return found[0], even_skeleton(skeleton, Plane(even.twice / 2 * normal, normal))


def _listed(skeleton: Skeleton, chosen: NDArray[np.bool_]) -> str:
    """The first few of some joints, and how many more there are."""
    return few(np.flatnonzero(chosen).tolist(), NAMED, skeleton.names.__getitem__)


def _divided(skeleton: Skeleton, planned: Plan) -> list[str]:
    """Which joints share the bone they lie on, such as those that take the twist of an arm."""
    sharing = descent(skeleton).dividing & planned.active
    if not sharing.any():
        return []
    return [f"{_listed(skeleton, sharing)}: share the bone they lie on with the joint it begins at"]


def _left_out(rig: Rig, planned: Plan) -> list[str]:
    """Joints that get no weight unasked, and what they carry in the file."""
    told = []
    for each in planned.fleshless:
        line = str(each)
        if rig.weights is not None:
            columns = rig.weights.matrix[:, list(each.joints)]
            held = columns.sum(axis=0) > 0
            if held.any():
                names = ", ".join(np.array(each.names)[held])
                many = int((np.diff(columns.indptr) > 0).sum())
                line += f"; in the file {names} had weight at {many} vertices; --use keeps it"
        told.append(line)
    return told


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
    missing = np.clip(1 - claimed.sum(axis=1), 0, None)
    rest = sparse.diags_array(missing, format="csr") @ by_method[default].matrix
    return Weights(scaled(sparse.csr_array(claimed + rest)))


def _run(problem: Problem, method: str) -> Weights:
    solver = find(method)
    try:
        found = sparse.csr_array(solver(problem))
    except (AutoweightError, MemoryError):
        raise
    except Exception as error:
        if method in METHODS:  # a fault of ours is not to look like one of the input
            raise
        kind = type(error).__name__
        raise WeightsError(f"method {method!r} failed ({kind}: {error}); mend it") from error
    wanted = (len(problem.surface), len(problem.skeleton))
    if found.shape != wanted:
        raise WeightsError(f"method {method!r}: need shape {wanted}, got {found.shape}")
    sums = found.sum(axis=1)
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
    alone = one_each(owner[rigid], weights.shape[1])
    return Weights(replaced(weights.matrix, rigid, alone))

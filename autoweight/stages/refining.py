"""Better weights by flexing: smooth them where that makes the rig bend better, and only there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.errors import WeightsError
from autoweight.flexing import Flexion, flex
from autoweight.flexing.overlap import POINTS
from autoweight.flexing.zones import zones
from autoweight.methods import Progress, silent
from autoweight.pose.clip import world
from autoweight.pose.motion import range_of_motion
from autoweight.pose.skinning import carried, linear_blend
from autoweight.recipes.recipe import Limits, Mirror, Recipe
from autoweight.rig import Rig, Weights
from autoweight.rows import replaced, scaled
from autoweight.skeleton.sides import UNPAIRED, Plane, likely_plane
from autoweight.stages.finishing import finished, symmetry_by
from autoweight.stages.planning import plan
from autoweight.surface import Surface, prepare
from autoweight.weights.locks import Locks
from autoweight.weights.mirroring import Symmetry, mirrored
from autoweight.weights.strays import cleaned, unwanted

__all__ = ["Refinement", "Round", "refine"]

ROUNDS = 5

REACH = 0.1
"""How far a round smooths, in bones of middling length."""

MOST_STEPS = 30
STEP = 0.5
"""Share of its neighbours' mean that a vertex takes in one step."""

SLOWER = 0.5
"""What is left of the pace where smoothing has made things worse."""

NEAR = 1.5
"""Skin nearer to where some has sunk in than this many of its sample distances has a part in it."""

TRIES = 4
"""So often a round is tried again with more of it held back."""

WORTH = 0.02
"""A round that lowers the score by a smaller share is the last."""

SLACK = 1e-9
"""A mean that rises by a smaller share has not risen."""


@dataclass(frozen=True)
class Round:
    """One round of refining.

    Parameters
    ----------
    number : int
        0 for the weights as they came.
    score : float
        Mean over the figures of each figure's mean in its limits.
    means : dict of str to float
        Of each figure, by the names of `Limits`.
    held : tuple of str
        Joints whose hand-overs were left alone in this round, since smoothing made them worse.
    kept : bool
        Whether the round's weights are better than those before it, and so were kept.
    """

    number: int
    score: float
    means: dict[str, float]
    held: tuple[str, ...]
    kept: bool

    @property
    def told(self) -> str:
        """One line for a person to read."""
        means = ", ".join(f"{name} {mean:.2g}" for name, mean in self.means.items() if mean)
        said = f"refined, round {self.number}" if self.number else "before refining"
        held = f"; {len(self.held)} joints left alone" if self.held else ""
        return f"{said}: figures at {self.score:.2%} of their limits ({means}){held}" + (
            "" if self.kept else "; not kept"
        )


@dataclass(frozen=True, eq=False)
class Refinement:
    """Weights that flex better, and how they came to.

    Parameters
    ----------
    weights : Weights
        Tidied and rounded as the recipe says.
    rounds : tuple of Round
        The first is the state before.
    """

    weights: Weights
    rounds: tuple[Round, ...]


def refine(
    rig: Rig,
    recipe: Recipe | None = None,
    *,
    rounds: int = ROUNDS,
    surface: Surface | None = None,
    progress: Progress = silent,
) -> Refinement:
    """Smooth weights in rounds, as long as flexing says that the rig is the better for it.

    A round takes every free vertex towards the mean of its neighbours, puts back locks, symmetry
    and the influence cap, and flexes the result. Joints that came out worse get their vertices
    back and go at half the pace in later rounds. A round is kept if the score has fallen and no
    figure's mean is above what it was at the outset.

    Parameters
    ----------
    rig : Rig
        With weights.
    recipe : Recipe, optional
        Its locks, rigid parts, mirror, tidy table, motion and limits are minded. Without a
        mirror, weights that are symmetric already stay so, and the sides of others are not
        compared.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.
    rounds : int
        At most.
    progress : callable, optional

    Returns
    -------
    Refinement

    Raises
    ------
    WeightsError
        The rig has no weights.
    RecipeError
        The recipe names what is not there.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to refine; solve the rig first")
    recipe = recipe or Recipe()
    task = _Task(rig, recipe, surface or prepare(rig.mesh))
    weights, start = rig.weights, task.flexed(rig.weights)
    best = start
    told = [Round(0, task.score(start), start.means, (), True)]
    pace = np.where(task.fixed, 0.0, STEP)
    for number in range(1, rounds + 1):
        if task.score(best) == 0:  # as of rigid pieces, where no joint hands over
            break
        progress("refining", (number - 1) / rounds)
        tried, found, held = task.round(weights, pace, start, best)
        gain = 1 - task.score(found) / task.score(best)
        kept = gain > 0 and not task.risen(start, found)
        names = tuple(np.array(rig.skeleton.names)[held].tolist())
        told.append(Round(number, task.score(found), found.means, names, kept))
        if not kept:
            pace *= SLOWER
            continue
        weights, best = tried, found
        if gain < WORTH:
            break
    progress("refining", 1)
    return Refinement(weights, tuple(told))


class _Task:
    """What stays the same from round to round."""

    def __init__(self, rig: Rig, recipe: Recipe, surface: Surface) -> None:
        planned = plan(recipe, rig)
        plane = planned.plane or likely_plane(rig.skeleton)
        self.surface = surface
        self.rig, self.limits, self.plane = rig, dict(recipe.limits.items()), plane
        self.clip = range_of_motion(rig.skeleton, plane, recipe)
        self.recipe = recipe
        assert rig.weights is not None
        if (
            recipe.mirror is None
            and plane is not None
            and _symmetric(rig, surface, plane, recipe.limits)
        ):
            self.recipe = replace(recipe, mirror=_as_mirror(plane))
        found = None
        if plane is not None:
            found = symmetry_by(self.recipe.mirror or Mirror(), plane, rig, surface)
            self.plane = found.plane
        self.across = found if self.recipe.mirror else None
        rigid = np.zeros(len(rig.mesh.vertices), dtype=bool)
        for rule in planned.rigid:
            rigid |= rule.joints[rig.weights.dominant] if rule.joints is not None else rule.vertices
        own = Locks.of_rows(rigid, rig.weights, rig.skeleton)
        self.locks = planned.locks.joined(own) if planned.locks else own
        fixed = self.locks.on(self.surface)
        self.fixed = fixed.whole | fixed.partial
        if self.across is not None:  # what one side cannot follow would set the sides apart
            partner = self.across.vertices.partner
            paired = partner != UNPAIRED
            self.fixed[paired] |= self.fixed[partner[paired]]
        self.mean = _mean_of_neighbours(self.surface, found)
        self.steps = _steps(self.surface, rig)

    def flexed(self, weights: Weights) -> Flexion:
        return flex(
            replace(self.rig, weights=weights),
            self.clip,
            limits=self.recipe.limits,
            plane=self.plane if self.across else None,
            surface=self.surface,
        )

    def score(self, found: Flexion) -> float:
        return float(np.mean([found.means[name] / limit for name, limit in self.limits.items()]))

    def risen(self, start: Flexion, found: Flexion) -> list[str]:
        """Figures whose mean is above what it was at the outset."""
        return [
            name for name, value in found.means.items() if value > start.means[name] * (1 + SLACK)
        ]

    def round(
        self, weights: Weights, pace: NDArray[np.float64], start: Flexion, best: Flexion
    ) -> tuple[Weights, Flexion, NDArray[np.bool_]]:
        """Smooth, flex and hold back what came out worse, until nothing does or time is up.

        Returns the weights, how they flex, and the joints held back, (j,). The pace where those
        hand over is lowered for the rounds to come.
        """
        held = np.zeros(len(self.rig.skeleton), dtype=bool)
        at_rest = np.zeros(len(self.surface), dtype=bool)
        tried = self.smoothed(weights, pace)
        found = self.flexed(tried)
        for _ in range(TRIES):
            worse = self.worse(start, best, found, held)
            sunk = np.zeros(len(self.surface), dtype=bool)
            if "overlap" in self.risen(start, found):
                sunk = self.sunk(best, found, tried) & ~at_rest
            if not (worse.any() or sunk.any()):
                break
            held |= worse
            at_rest |= self.reach_of(worse, weights, tried) | sunk
            tried = self.smoothed(weights, np.where(at_rest, 0.0, pace))
            found = self.flexed(tried)
        pace[at_rest] *= SLOWER
        return tried, found, held

    def smoothed(self, weights: Weights, pace: NDArray[np.float64]) -> Weights:
        """Each surface vertex on its way to the mean of its neighbours, and all rules kept."""
        rows = weights.matrix[self.surface.speakers]
        go = sparse.diags_array(pace, format="csr")
        stay = sparse.diags_array(1 - pace, format="csr")
        step = sparse.csr_array(stay + go @ self.mean)
        for _ in range(self.steps):
            rows = sparse.csr_array(step @ rows)
        rows = scaled(rows)
        rows = cleaned(rows, unwanted(rows, self.surface, self.rig.skeleton))
        changed = np.flatnonzero(pace[self.surface.weld] > 0)
        fresh = rows[self.surface.weld[changed]]
        found = Weights(replaced(weights.matrix, changed, fresh))
        if self.across is not None:
            found = mirrored(found, self.rig.skeleton, self.across, "mean")
        return finished(
            self.rig, self.surface, self.locks.hold(found), self.recipe, self.across, self.locks
        )

    def worse(
        self, start: Flexion, best: Flexion, found: Flexion, held: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Joints, with their counterparts, that made something worse and are not held yet, (j,)."""
        rise = {
            name: np.where(
                held, 0.0, np.nansum(found.figures[name], 0) - np.nansum(best.figures[name], 0)
            )
            for name in self.limits
        }
        weighed = [
            rise[name] / limit / max(np.isfinite(best.figures[name]).sum(), 1)
            for name, limit in self.limits.items()
        ]
        bad = np.sum(weighed, axis=0) > SLACK
        for name in self.risen(start, found):
            # The fewest joints without whose rise the figure would not have risen.
            order = np.argsort(-rise[name], kind="stable")
            excess = np.nansum(found.figures[name]) - np.nansum(start.figures[name])
            covered = np.concatenate([[0], np.cumsum(np.maximum(rise[name][order], 0))])
            bad[order[(covered[:-1] < excess) & (rise[name][order] > 0)]] = True
        if self.across is not None:
            paired = self.across.joints != UNPAIRED
            bad[paired] |= bad[self.across.joints[paired]]
        return bad

    def sunk(self, best: Flexion, found: Flexion, weights: Weights) -> NDArray[np.bool_]:
        """Surface vertices near where more skin sinks into skin than before, on both sides."""
        involved = np.zeros(len(self.surface), dtype=bool)
        names, poses = self.rig.skeleton.index, self.clip.labels
        rows = weights.matrix[self.surface.speakers]
        reach = NEAR * np.sqrt(self.surface.areas.sum() / min(POINTS, len(self.surface)))
        for place in found.places:
            if place.figure != "overlap":
                continue
            pose, joint = poses.index(place.pose), names[place.joint]
            if place.value <= best.figures["overlap"][pose, joint]:
                continue
            transforms = carried(self.rig.skeleton, world(self.rig.skeleton, self.clip.local[pose]))
            at = linear_blend(self.surface.vertices, rows, transforms)
            touched = np.unique(self.surface.weld[place.vertices])
            apart = cKDTree(at[touched]).query(at)[0]
            involved |= apart < reach
        return involved

    def reach_of(
        self, joints: NDArray[np.bool_], before: Weights, after: Weights
    ) -> NDArray[np.bool_]:
        """Surface vertices where some joints hand over, before or after."""
        held = np.zeros(len(self.surface), dtype=bool)
        for weights in (before, after):
            rows = weights.matrix[self.surface.speakers]
            for zone in zones(self.surface, self.rig.skeleton, rows):
                if joints[zone.joint]:
                    held[zone.vertices] = True
        return held


def _symmetric(rig: Rig, surface: Surface, plane: Plane, limits: Limits) -> bool:
    found = flex(rig, plane=plane, limits=limits, surface=surface)
    return bool(np.nanmax(found.figures["asymmetry"], initial=0.0) <= limits.asymmetry)


def _as_mirror(plane: Plane) -> Mirror:
    numbers = ",".join(repr(float(each)) for each in (*plane.point, *plane.normal))
    return Mirror(plane=numbers, keep="mean")


def _mean_of_neighbours(surface: Surface, across: Symmetry | None) -> sparse.csr_array:
    """Rows sum to 1; nearer neighbours count for more, by one over the length of the edge.

    Vertices can be symmetric where edges are not; half of each side's makes the mean so too.
    """
    nearness = surface.adjacency.copy()
    nearness.data = 1 / nearness.data
    mean = scaled(nearness)
    if across is None:
        return mean
    partner = across.vertices.partner
    other = np.where(partner == UNPAIRED, np.arange(len(partner)), partner)
    return sparse.csr_array((mean + mean[other][:, other]) / 2)


def _steps(surface: Surface, rig: Rig) -> int:
    """So many steps of smoothing spread by `REACH`, whatever the mesh's resolution."""
    child = np.flatnonzero(rig.skeleton.parents >= 0)
    at = rig.skeleton.positions
    bones = np.linalg.norm(at[child] - at[rig.skeleton.parents[child]], axis=1)
    bones = bones[bones > 0]
    if len(bones) == 0:
        return 1
    # A step of the walk to a neighbour spreads by about an edge times the root of its share.
    wanted = (REACH * float(np.median(bones)) / surface.spacing) ** 2 / STEP
    return int(np.clip(np.ceil(wanted), 1, MOST_STEPS))

"""One rig weighted again and again, as its recipe is changed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

from autoweight.methods import Problem, Progress, silent
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Weights
from autoweight.stages.finishing import Solution
from autoweight.stages.solving import first_pass, problem_of, solve
from autoweight.surface import Surface, prepare

__all__ = ["Session"]

T = TypeVar("T")

KEPT = 2
"""Answers kept of each kind, so that a change and its undoing both cost nothing."""


class Session:
    """A rig, its surface, and what was worked out for it by the recipes so far.

    A solve gives the same bits as one afresh and works out again only what depends on what the
    recipe changed. All of it is let go with the session.

    Parameters
    ----------
    rig : Rig
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Raises
    ------
    GeometryError
        The mesh cannot be solved on.
    """

    def __init__(self, rig: Rig, *, surface: Surface | None = None) -> None:
        self.rig = rig
        self.surface = surface or prepare(rig.mesh)
        self._known: dict[str, OrderedDict[Hashable, Any]] = {}

    def problem(self, recipe: Recipe | None = None) -> Problem:
        """What a recipe asks of a method, sharing what the solves worked out."""
        return problem_of(self.rig, recipe or Recipe(), self.surface, self._recall)

    def solve(self, recipe: Recipe | None = None, *, progress: Progress = silent) -> Weights:
        """Weight the rig as a recipe says; see `autoweight.stages.solving.solve`."""
        return solve(self.rig, recipe, surface=self.surface, recall=self._recall, progress=progress)

    def first_pass(self, recipe: Recipe | None = None, *, progress: Progress = silent) -> Solution:
        """Weight the rig and tidy the weights; see `autoweight.stages.solving.first_pass`."""
        return first_pass(
            self.rig, recipe, surface=self.surface, recall=self._recall, progress=progress
        )

    def _recall(self, what: str, depends: Hashable, make: Callable[[], T]) -> T:
        known = self._known.setdefault(what, OrderedDict())
        if depends not in known:
            known[depends] = make()
            if len(known) > KEPT:
                known.popitem(last=False)
        known.move_to_end(depends)
        found: T = known[depends]
        return found

"""A rig weighted in the taste of finished ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from autoweight.methods import Progress, silent
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig
from autoweight.stages.finishing import Solution
from autoweight.stages.learning import Finished, taste_of
from autoweight.stages.solving import first_pass, plain
from autoweight.surface import Surface
from autoweight.taste.learning import Taste

__all__ = ["learn", "like"]


def learn(finished: Sequence[Finished], *, progress: Progress = silent) -> Taste:
    """Learn what finished rigs have that a solve would not give them.

    Parameters
    ----------
    finished : sequence of str, Path or Rig
        Rigs with weights, files of them in any format, or files that `autoweight learn` wrote.
    progress : callable, optional

    Returns
    -------
    Taste
        For `like`, or `autoweight.taste.file.save_taste`.

    Raises
    ------
    FileError, GeometryError, SkeletonError, WeightsError
        There is no rig, or one cannot be read or has no weights; the message names it.
    """
    return taste_of(finished, plain, progress=progress)


def like(
    new: Rig,
    finished: Sequence[Finished] | Taste,
    recipe: Recipe | None = None,
    *,
    surface: Surface | None = None,
    progress: Progress = silent,
) -> Solution:
    """Weight a rig as finished ones of its kind are weighted, and tidy the weights.

    Parameters
    ----------
    new : Rig
        Its own weights, if any, matter only where they are locked.
    finished : sequence of str, Path or Rig, or Taste
        What to learn from, as for `learn`, or what was learned.
    recipe : Recipe, optional
        Everything else that is wanted. Joints with a chain rule of their own follow that.
    surface : Surface, optional
        ``prepare(new.mesh)``, when it is there already.
    progress : callable, optional

    Returns
    -------
    Solution
        Its `confidence` says how far each vertex follows what was learned.

    Raises
    ------
    FileError, GeometryError, RecipeError, SkeletonError, WeightsError
        See `learn` and `autoweight.solve`; or the rigs have no joint in common.
    """
    taste = finished if isinstance(finished, Taste) else learn(finished, progress=progress)
    asked = replace(recipe or Recipe(), like=None)
    return first_pass(new, asked, surface=surface, taste=taste, progress=progress)

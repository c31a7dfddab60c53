"""Finished rigs, as files or nouns, made into a taste that a solve can follow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeAlias

from scipy import sparse

from autoweight.errors import WeightsError, naming
from autoweight.io import load_all
from autoweight.methods import Progress, silent
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Weights
from autoweight.surface import Surface, prepare
from autoweight.taste.file import SUFFIX, load_taste
from autoweight.taste.learning import Example, Taste, learned

__all__ = ["Finished", "Solver", "taste_of"]

Finished: TypeAlias = "str | Path | Rig"
"""A finished rig, or the file it is in; or a file that `autoweight learn` wrote."""

Solver: TypeAlias = Callable[[Rig, Recipe, Surface], Weights]
"""What weights a rig by default."""


def taste_of(finished: Sequence[Finished], solver: Solver, *, progress: Progress = silent) -> Taste:
    """Learn from finished rigs and from what was learned before.

    Parameters
    ----------
    finished : sequence of str, Path or Rig
    solver : callable
        The default, which the taste is to correct.
    progress : callable, optional

    Returns
    -------
    Taste

    Raises
    ------
    FileError, GeometryError, SkeletonError, WeightsError
        There is no rig, or one cannot be read or has no weights; the message names it.
    """
    if not finished:
        raise WeightsError("there is no finished rig to learn from; name one at least")
    kept: list[Taste] = []
    examples: list[Example] = []
    for number, each in enumerate(finished):
        progress("learning", number / len(finished))
        if isinstance(each, Rig):
            path = each.document.path if each.document else None
            name = path.stem if path else f"rig {number + 1}"
            with naming(path.name if path else name):
                examples.append(_example(name, each, solver))
        elif Path(each).suffix.lower() == SUFFIX:
            kept.append(load_taste(each))
        else:
            with naming(each):
                several = load_all(each)
                some = [rig for rig in several if rig.weights is not None] or several
                examples += [_example(Path(each).stem, rig, solver) for rig in some]
    lessons = tuple(lesson for taste in kept for lesson in taste.lessons)
    return Taste(lessons + (learned(examples).lessons if examples else ()))


def _example(name: str, rig: Rig, solver: Solver) -> Example:
    if rig.weights is None:
        raise WeightsError("has no weights to learn from; give a finished rig")
    surface = prepare(rig.mesh)
    bare = Rig(rig.mesh, rig.skeleton)
    solved = solver(bare, Recipe(skip=rig.unused_joints), surface)
    return Example(name, rig, surface, sparse.csr_array(solved.matrix[surface.speakers]))

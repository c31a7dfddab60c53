"""``autoweight solve``."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    each_of,
    flatten,
    force,
    output,
    progress_to_stderr,
    quiet,
    recipe,
    tidying,
)

if TYPE_CHECKING:
    from autoweight.methods import Progress
    from autoweight.recipes.recipe import Recipe
    from autoweight.rig import Rig
    from autoweight.stages.finishing import Solution
    from autoweight.surface import Surface
    from autoweight.taste.learning import Taste
    from autoweight.weights.mirroring import Symmetry


@click.command()
@click.argument("rig")
@output
@recipe
@click.option(
    "--method",
    metavar="NAME",
    help="auto, heat, bands, volume, biharmonic, inverse, nearest, or one of your own as "
    "package.module:function.",
)
@tidying
@click.option(
    "--skip",
    multiple=True,
    metavar="GLOB",
    help="Joints that get no weight, such as '*_end'; may be given again.",
)
@click.option(
    "--use",
    multiple=True,
    metavar="GLOB",
    help="Joints that may have weight, whatever solve takes them for; may be given again.",
)
@click.option("--skip-unused", is_flag=True, help="Skip joints that carry no weight in RIG.")
@click.option(
    "--mirror",
    "plane",
    metavar="PLANE",
    help="Mirror the weights across x, y or z through the body's own middle; x=0 or x=0.25; or "
    "the six numbers of a point and a normal. The positive side is kept, unless the recipe says "
    "which.",
)
@click.option(
    "--like",
    "finished",
    multiple=True,
    metavar="FINISHED",
    help="A finished rig of its kind to take after, or what 'learn' wrote; may be given again.",
)
@click.option(
    "--confidence",
    is_flag=True,
    help="With --like, write how far each vertex follows it as _LIKE, 0 to 1.",
)
@click.option("--refine", is_flag=True, help="Flex the result and smooth where that helps it.")
@choosing
@flatten
@force
@as_json
@quiet
def command(
    rig: str,
    output: str,
    recipe_file: str | None,
    method: str | None,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    skip: tuple[str, ...],
    use: tuple[str, ...],
    skip_unused: bool,
    plane: str | None,
    finished: tuple[str, ...],
    confidence: bool,
    refine: bool,
    taken: Choice,
    flatten: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weight RIG, tidy the weights and write them into a copy of it.

    Without a recipe or options: method auto, at most 4 influences, none under 0.001, 32 bits.
    What an option says goes before the recipe. Of several characters in RIG each is weighted.
    Joints that only steer others, such as a root on the floor, get no weight and are named with
    the reason; --use overrules that.

    \b
    Example:
      autoweight solve axolotl/axolotl.glb -o axolotl/first_pass.glb
    """
    import os

    from autoweight.cli.writing import Weighted, overridden, write_weights
    from autoweight.errors import RecipeError
    from autoweight.io import check_output
    from autoweight.recipes.recipe import Mirror, Recipe, load_recipe
    from autoweight.stages.finishing import across_of
    from autoweight.stages.solving import taste_for
    from autoweight.surface import prepare

    progress = progress_to_stderr(quiet)
    progress("reading", 0)
    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    rigs = taken.all(rig)
    check_output(rigs[0], output, force=force)
    asked = replace(
        asked,
        method=asked.method if method is None else method,
        skip=asked.skip + skip,
        use=asked.use + use,
        like=tuple(map(os.path.abspath, finished)) or asked.like,
        mirror=replace(asked.mirror or Mirror(), plane=plane)
        if plane is not None
        else asked.mirror,
        tidy=overridden(asked.tidy, max_influences, prune, bits),
    )
    if confidence and asked.like is None:
        raise RecipeError("--confidence says how far --like is followed; name a finished rig")
    looked_at: list[tuple[Surface | None, Symmetry | None]] = [(None, None)] * len(rigs)
    if asked.like and asked.mirror:  # before others are learned from
        for number, each in enumerate(rigs):
            with each_of(rig, each):
                surface = prepare(each.mesh)
                looked_at[number] = surface, across_of(each, asked, surface)
    taste = taste_for(asked, progress=progress)
    found = []
    for number, each in enumerate(rigs):
        unused = _unused(each, asked.use) if skip_unused else ()
        with each_of(rig, each):
            how = replace(asked, skip=asked.skip + unused)
            solution = _solved(each, *looked_at[number], how, taste, refine, progress)
        found.append(Weighted(solution.weights, how.tidy.bits, solution.decisions))
        if confidence and solution.confidence is not None:
            rigs[number] = replace(
                each, attributes={**each.attributes, "_LIKE": solution.confidence}
            )
    progress("writing", 0)
    write_weights(rigs, found, output, flatten=flatten, force=force, as_json=as_json)


def _unused(rig: Rig, use: tuple[str, ...]) -> tuple[str, ...]:
    """Patterns of the joints that carry no weight and are not asked to be used."""
    from fnmatch import fnmatchcase

    from autoweight.recipes.recipe import literal

    return tuple(
        literal(name)
        for name in rig.unused_joints
        if not any(fnmatchcase(name, pattern) for pattern in use)
    )


def _solved(
    rig: Rig,
    surface: Surface | None,
    across: Symmetry | None,
    recipe: Recipe,
    taste: Taste | None,
    refine: bool,
    progress: Progress,
) -> Solution:
    """Weights of one character, refined if that is wanted."""
    from autoweight.stages.solving import first_pass
    from autoweight.surface import prepare

    surface = surface or prepare(rig.mesh)
    solution = first_pass(
        rig, recipe, surface=surface, across=across, taste=taste, progress=progress
    )
    if not refine:
        return solution
    from autoweight.stages.refining import refine as refined

    begun = replace(rig, weights=solution.weights)
    found = refined(begun, recipe, surface=surface, progress=progress)
    told = tuple(each.told for each in found.rounds)
    return replace(solution, weights=found.weights, decisions=solution.decisions + told)

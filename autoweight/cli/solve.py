"""``autoweight solve``."""

from __future__ import annotations

from collections.abc import Callable
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
    from autoweight.recipes.recipe import Recipe
    from autoweight.rig import Rig, Weights


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
@click.option("--skip-unused", is_flag=True, help="Skip joints that carry no weight in RIG.")
@click.option(
    "--mirror",
    "plane",
    metavar="PLANE",
    help="Mirror the weights across x, y or z through the origin; x=0.25; or the six numbers of "
    "a point and a normal. The positive side is kept, unless the recipe says which.",
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
    skip_unused: bool,
    plane: str | None,
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

    \b
    Example:
      autoweight solve axolotl/axolotl.glb -o axolotl/first_pass.glb
    """
    from autoweight.cli.writing import Weighted, overridden, write_weights
    from autoweight.io import check_output
    from autoweight.recipes.recipe import Mirror, Recipe, load_recipe

    progress = progress_to_stderr(quiet)
    progress("reading", 0)
    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    rigs = taken.all(rig)
    check_output(rigs[0], output, force=force)
    asked = replace(
        asked,
        method=asked.method if method is None else method,
        skip=asked.skip + skip,
        mirror=replace(asked.mirror or Mirror(), plane=plane)
        if plane is not None
        else asked.mirror,
        tidy=overridden(asked.tidy, max_influences, prune, bits),
    )
    found = []
    for each in rigs:
        unused = each.unused_joints if skip_unused else ()
        with each_of(rig, each):
            how = replace(asked, skip=asked.skip + unused)
            weights, decisions = _solved(each, how, refine, progress)
        found.append(Weighted(weights, how.tidy.bits, decisions))
    progress("writing", 0)
    write_weights(rigs, found, output, flatten=flatten, force=force, as_json=as_json)


def _solved(
    rig: Rig, recipe: Recipe, refine: bool, progress: Callable[[str, float], None]
) -> tuple[Weights, list[str]]:
    """Weights of one character, and what was decided on the way."""
    from autoweight.stages.solving import first_pass
    from autoweight.surface import prepare

    surface = prepare(rig.mesh)
    solution = first_pass(rig, recipe, surface=surface, progress=progress)
    if not refine:
        return solution.weights, list(solution.decisions)
    from autoweight.stages.refining import refine as refined

    begun = replace(rig, weights=solution.weights)
    found = refined(begun, recipe, surface=surface, progress=progress)
    return found.weights, [*solution.decisions, *(each.told for each in found.rounds)]

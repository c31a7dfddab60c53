"""``autoweight solve``."""

from __future__ import annotations

import click

from autoweight.cli.options import (
    as_json,
    flatten,
    force,
    output,
    progress_to_stderr,
    quiet,
    recipe,
    root,
    skeleton,
    tidying,
)


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
    "--part",
    "parts",
    multiple=True,
    metavar="GLOB",
    help="Weight these parts alone; may be given again.",
)
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
@skeleton
@root
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
    parts: tuple[str, ...],
    skip: tuple[str, ...],
    skip_unused: bool,
    plane: str | None,
    refine: bool,
    skeleton: str | None,
    root: str | None,
    flatten: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weight RIG, tidy the weights and write them into a copy of it.

    Without a recipe or options: method auto, at most 4 influences, none under 0.001, 32 bits.
    What an option says goes before the recipe.

    \b
    Example:
      autoweight solve axolotl/axolotl.glb -o axolotl/first_pass.glb
    """
    from dataclasses import replace

    from autoweight.cli.writing import overridden, write_weights
    from autoweight.errors import naming
    from autoweight.io import check_output, load
    from autoweight.recipes.recipe import Mirror, Recipe, load_recipe
    from autoweight.stages.solving import first_pass
    from autoweight.surface import prepare

    progress = progress_to_stderr(quiet)
    progress("reading", 0)
    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    loaded = load(rig, skeleton=skeleton, root=root, parts=parts)
    check_output(loaded, output, force=force)
    asked = replace(
        asked,
        method=asked.method if method is None else method,
        skip=asked.skip + skip + (loaded.unused_joints if skip_unused else ()),
        mirror=replace(asked.mirror or Mirror(), plane=plane)
        if plane is not None
        else asked.mirror,
        tidy=overridden(asked.tidy, max_influences, prune, bits),
    )
    with naming(rig):
        surface = prepare(loaded.mesh)
        solution = first_pass(loaded, asked, surface=surface, progress=progress)
    weights, decisions = solution.weights, list(solution.decisions)
    if refine:
        from autoweight.stages.refining import refine as refined

        with naming(rig):
            found = refined(
                replace(loaded, weights=weights), asked, surface=surface, progress=progress
            )
        weights = found.weights
        decisions += [each.told for each in found.rounds]
    progress("writing", 0)
    write_weights(
        loaded,
        weights,
        asked.tidy.bits,
        output,
        decisions=decisions,
        flatten=flatten,
        force=force,
        as_json=as_json,
    )

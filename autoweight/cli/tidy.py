"""``autoweight tidy``."""

from __future__ import annotations

import click

from autoweight.cli.options import (
    as_json,
    flatten,
    force,
    output,
    recipe,
    root,
    skeleton,
    tidying,
    weights_table,
)


@click.command()
@click.argument("rig")
@output
@recipe
@weights_table
@tidying
@skeleton
@root
@flatten
@force
@as_json
def command(
    rig: str,
    output: str,
    recipe_file: str | None,
    weights_table: str | None,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    skeleton: str | None,
    root: str | None,
    flatten: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Prune, cap, normalise and quantise the weights that RIG has.

    Without a recipe or options: at most 4 influences, none under 0.001, 32 bits. Of a recipe its
    locks and its tidy table count. Weights made elsewhere come in by --weights.

    \b
    Example:
      autoweight tidy axolotl/weighted.glb -o axolotl/eight_bits.glb --max-influences 3 --bits 8
    """
    from dataclasses import replace

    from autoweight.cli.writing import overridden, write_weights
    from autoweight.errors import naming
    from autoweight.io import check_output, load, load_weights
    from autoweight.recipes.recipe import Recipe, load_recipe
    from autoweight.stages.solving import tidy_pass

    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    asked = replace(asked, tidy=overridden(asked.tidy, max_influences, prune, bits))
    loaded = load(rig, skeleton=skeleton, root=root)
    check_output(loaded, output, force=force)
    if weights_table:
        loaded = replace(loaded, weights=load_weights(weights_table, loaded))
    with naming(rig):
        found = tidy_pass(loaded, asked)
    write_weights(
        loaded,
        found.weights,
        asked.tidy.bits,
        output,
        decisions=found.decisions,
        flatten=flatten,
        force=force,
        as_json=as_json,
    )

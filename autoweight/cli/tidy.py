"""``autoweight tidy``."""

from __future__ import annotations

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    each_of,
    flatten,
    force,
    output,
    recipe,
    tidying,
    weights_table,
)


@click.command()
@click.argument("rig")
@output
@recipe
@weights_table
@tidying
@choosing
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
    taken: Choice,
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

    from autoweight.cli.writing import Weighted, overridden, write_weights
    from autoweight.io import check_output, load_weights
    from autoweight.recipes.recipe import Recipe, load_recipe
    from autoweight.stages.finishing import tidy_pass

    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    asked = replace(asked, tidy=overridden(asked.tidy, max_influences, prune, bits))
    rigs = [taken(rig)] if weights_table else taken.all(rig)  # a table is of one character
    check_output(rigs[0], output, force=force)
    if weights_table:
        rigs = [replace(rigs[0], weights=load_weights(weights_table, rigs[0]))]
    found = []
    for each in rigs:
        with each_of(rig, each):
            tidied = tidy_pass(each, asked)
        found.append(Weighted(tidied.weights, asked.tidy.bits, tidied.decisions))
    write_weights(rigs, found, output, flatten=flatten, force=force, as_json=as_json)

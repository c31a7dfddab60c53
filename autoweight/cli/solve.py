"""``autoweight solve``."""

from __future__ import annotations

import click

from autoweight.cli.options import (
    as_json,
    force,
    output,
    progress_to_stderr,
    quiet,
    root,
    skeleton,
    tidying,
)


@click.command()
@click.argument("rig")
@output
@click.option("--method", help="How to weight; a built-in name or package.module:function.")
@tidying
@click.option("--part", "parts", multiple=True, metavar="GLOB", help="Weight these parts alone.")
@click.option("--skip", multiple=True, metavar="GLOB", help="Joints that get no weight.")
@click.option("--skip-unused", is_flag=True, help="Skip joints that carry no weight in RIG.")
@skeleton
@root
@force
@as_json
@quiet
def command(
    rig: str,
    output: str,
    method: str | None,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    parts: tuple[str, ...],
    skip: tuple[str, ...],
    skip_unused: bool,
    skeleton: str | None,
    root: str | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weight RIG, tidy the weights and write them into a copy of it.

    \b
    Example:
      autoweight solve axolotl/axolotl.glb -o axolotl/first_pass.glb
    """
    from autoweight.cli.writing import overridden, write_tidied
    from autoweight.io import load
    from autoweight.recipe import Recipe, Tidy
    from autoweight.solving import solve

    progress = progress_to_stderr(quiet)
    progress("reading", 0)
    loaded = load(rig, skeleton=skeleton, root=root, parts=parts)
    recipe = Recipe(
        method=method or Recipe.method,
        skip=skip + (loaded.unused_joints if skip_unused else ()),
        tidy=overridden(Tidy(), max_influences, prune, bits),
    )
    weights = solve(loaded, recipe, progress=progress)
    progress("writing", 0)
    write_tidied(loaded, weights, recipe.tidy, output, force=force, as_json=as_json)

"""``autoweight report``."""

from __future__ import annotations

import click

from autoweight.cli.options import PAGES, as_json, emit, output, progress_to_stderr, quiet, recipe


@click.command()
@click.argument("rig")
@output
@recipe
@as_json
@quiet
def command(rig: str, output: str, recipe_file: str | None, as_json: bool, quiet: bool) -> None:
    """Write a review of RIG as one HTML file: check, worst places, pictures, recipe, versions.

    With a recipe, its ranges and limits hold for the flexing, and it is printed.

    \b
    Example:
      autoweight report axolotl/weighted.glb -o axolotl/report.html --recipe axolotl/recipe.toml
    """
    from pathlib import Path

    from autoweight.errors import naming
    from autoweight.flexing import flex
    from autoweight.io import check_place, load
    from autoweight.io.atomic import write
    from autoweight.pose.motion import range_of_motion
    from autoweight.recipes.recipe import Recipe, load_recipe
    from autoweight.skeleton.sides import likely_plane
    from autoweight.surface import prepare
    from autoweight.view.report import report
    from autoweight.weights.checking import check

    check_place(output, PAGES, read=(rig,))
    progress = progress_to_stderr(quiet)
    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    loaded = load(rig)
    plane = likely_plane(loaded.skeleton)
    clip = range_of_motion(loaded.skeleton, plane, asked)
    with naming(rig):
        surface = prepare(loaded.mesh)
        facts = check(loaded, surface=surface)
        found = flex(
            loaded, clip, limits=asked.limits, plane=plane, surface=surface, progress=progress
        )
    progress("drawing", 0)
    text = report(
        loaded,
        facts,
        found,
        clip,
        title=Path(rig).stem,
        recipe=asked.source.text if asked.source else "",
    ).encode()
    write(output, [text])
    result = {
        "output": output,
        "bytes": len(text),
        "findings": sum(fact.finding for fact in facts),
        "over": len(found.findings),
    }
    emit(result, as_json, lambda: f"wrote  {output}  {len(text) / 1e6:.1f} MB")
